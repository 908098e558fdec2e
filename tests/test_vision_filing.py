"""Filing by case code: nothing is overwritten, and all of it can be taken back."""

from __future__ import annotations

import errno
import json
import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_vision_label import a_picture

from models.errors import LastlookError, UsageError
from vision.filing import Action, plan
from vision.filing_steps import carry_out, undo
from vision.label_run import file_pictures


def test_copies_made_before_are_not_made_again(tmp_path: Path) -> None:
    first = a_picture(tmp_path / "a" / "x.png", 1)
    second = a_picture(tmp_path / "b" / "x.png", 2)
    answers, folder = [an_answer(one, CODES[0]) for one in (first, second)], tmp_path / "f"
    assert carry_out(plan(answers, "copy", folder).steps, tmp_path / "log") == 2
    filed = tree(folder)
    again = plan(answers, "copy", folder)
    assert again.steps == () and len(again.left_alone) == 2 and tree(folder) == filed
    list(file_pictures(answers, copy_to=folder, rename=False, really=True))
    assert tree(folder) == filed  # not even a log


CODES = ("e1-sune-front", "e3-pi-left", "e0-sune", "e4-t")


def an_answer(path: Path, code: str | None) -> dict:
    case = None if code is None else {"code": code, "name": code, "cue": "", "probability": 0.9}
    return {"image": str(path), "ok": code is not None, "reason": None if code else "ambiguous", "case": case}


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@settings(max_examples=40, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(
            ["a/x.jpg", "a/y.jpg", "b/x.jpg", "b/x.png", "e0-sune__x.jpg", "a/e1-sune-front__x.jpg"]
        ),
        st.sampled_from([*CODES, None]),
        min_size=1,
    ),
    st.sampled_from(["copy", "rename"]),
    st.booleans(),
)
def test_filing_overwrites_nothing_and_can_be_taken_back(
    tmp_path_factory: pytest.TempPathFactory, named: dict, action: str, with_truth: bool
) -> None:
    root = tmp_path_factory.mktemp("filing")
    for i, name in enumerate(named):
        path = root / "in" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"picture %d" % i)
        if with_truth:
            path.with_suffix(".json").write_bytes(b"truth %d" % i)
    before = tree(root)
    answers = [an_answer(root / "in" / name, code) for name, code in named.items()]
    wanted = plan(answers, action, root / "filed" if action == "copy" else None)
    assert tree(root) == before  # a plan touches nothing
    log = root.parent / f"{root.name}.log"
    carry_out(wanted.steps, log)
    after = tree(root)
    if action == "copy":
        assert before.items() <= after.items()
        assert len(after) == len(before) + len(wanted.steps)
    else:
        assert sorted(after.values()) == sorted(before.values())
    for step in wanted.steps:
        if step.source.suffix != ".json":
            assert str(named[str(step.source.relative_to(root / "in"))]) in str(step.target)
    if wanted.steps:
        assert undo(log) == (len(wanted.steps), [])
    assert tree(root) == before


def test_filing_stops_before_a_name_that_came_up_meanwhile(tmp_path: Path) -> None:
    source = tmp_path / "x.jpg"
    source.write_bytes(b"1")
    (step,) = plan([an_answer(source, "e0-sune")], "rename").steps
    step.target.write_bytes(b"someone else's")
    with pytest.raises(LastlookError, match="not overwritten"):
        carry_out([step], tmp_path / "log")
    assert source.read_bytes() == b"1" and step.target.read_bytes() == b"someone else's"


def test_a_step_that_cannot_be_done_tells_what_was_filed(tmp_path: Path) -> None:
    """A file stands where the folder of the second case is to go."""
    sources = [tmp_path / "x.jpg", tmp_path / "y.jpg"]
    for source in sources:
        source.write_bytes(source.name.encode())
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "e0-t").write_bytes(b"mine")
    first, second = plan(
        [an_answer(sources[0], "e0-sune"), an_answer(sources[1], "e0-t")], "copy", folder
    ).steps
    log = folder / "log"
    with pytest.raises(LastlookError, match="e0-t: is there and is no folder; nothing was filed"):
        carry_out([second], log)
    with pytest.raises(LastlookError, match=r"1 file filed; 'lastlook label --undo .*log'"):
        carry_out([first, second], log)
    assert undo(log) == (1, []) and (folder / "e0-t").read_bytes() == b"mine"


@pytest.mark.parametrize("before", [0, 1])
def test_a_full_disk_is_told_of_the_folder_that_is_full(
    tmp_path: Path, before: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system tells of the file that was to be copied."""
    answers = [an_answer(a_picture(tmp_path / f"{i}.png", i + 1), CODES[0]) for i in range(2)]
    copy2, copied = shutil.copy2, []

    def copy(source: Path, target: Path) -> None:
        if len(copied) == before:
            raise OSError(errno.ENOSPC, "No space left on device", str(source), None, str(target))
        copied.append(copy2(source, target))

    monkeypatch.setattr(shutil, "copy2", copy)
    folder = tmp_path / "filed"
    with pytest.raises(LastlookError) as caught:
        carry_out(plan(answers, "copy", folder).steps, tmp_path / "log")
    assert str(caught.value).startswith(f"{folder / CODES[0]}: No space left on device; ")
    assert ("make room" in str(caught.value)) == (not before) != ("1 file filed" in str(caught.value))
    assert sorted(tree(folder)) == [f"{CODES[0]}/{i}.png" for i in range(before)]


@pytest.mark.parametrize("cut", ['{"action": "rename", "from": "/ho', '{"action": "copy"}', "{", ""])
def test_a_log_that_was_cut_short_goes_on_in_a_line_of_its_own(tmp_path: Path, cut: str) -> None:
    """As a full disk leaves it, or an editor that ends no last line."""
    before = tree(tmp_path)
    for number in range(4):
        before[f"{number}.png"] = a_picture(tmp_path / f"{number}.png", number + 1).read_bytes()
    log = tmp_path / "log.jsonl"
    for number in range(4):
        answers = [an_answer(tmp_path / f"{number}.png", CODES[number])]
        assert carry_out(plan(answers, "rename").steps, log) == 1
        log.write_text(log.read_text() + cut if cut else log.read_text().rstrip("\n"))
    assert undo(log) == (4, [])
    assert {name: data for name, data in tree(tmp_path).items() if name.endswith(".png")} == before


def test_undo_leaves_alone_what_changed_and_refuses_other_files(tmp_path: Path) -> None:
    source = tmp_path / "x.jpg"
    source.write_bytes(b"1")
    steps = plan([an_answer(source, "e0-sune")], "copy", tmp_path / "out").steps
    carry_out(steps, tmp_path / "log")
    steps[0].target.write_bytes(b"edited since")
    assert undo(tmp_path / "log") == (0, [(steps[0].target, "has changed since")])
    (tmp_path / "other").write_text("hello\nworld\n")
    with pytest.raises(UsageError):
        undo(tmp_path / "other")


@pytest.mark.parametrize("name", ["x.json", "x.jpg.json"])
@pytest.mark.parametrize("other", ["", "x.png"])
def test_a_truth_written_after_the_filing_goes_back_with_its_picture(
    tmp_path: Path, name: str, other: str
) -> None:
    source, truth = tmp_path / "x.jpg", b'{"negative": "no_cube"}'
    source.write_bytes(b"1")
    if other:
        (tmp_path / other).write_bytes(b"2")
    (step,) = plan([an_answer(source, "e0-sune")], "rename").steps
    carry_out([step], tmp_path / "log")
    (tmp_path / f"e0-sune__{name}").write_bytes(truth)
    assert undo(tmp_path / "log") == (2, [])
    back = "x.jpg.json" if other else "x.json"
    assert tree(tmp_path).keys() == {"x.jpg", back, "log.undone", *[other][: len(other)]}
    # beside a copy it would be left with nothing to be the truth of
    copied = plan([an_answer(source, "e0-sune")], "copy", tmp_path / "out").steps
    carry_out(copied[:1], tmp_path / "log")
    copied[0].target.with_name(name).write_bytes(truth)
    assert undo(tmp_path / "log") == (0, [(copied[0].target, f"{name} came beside it since")])
    assert copied[0].target.is_file()


@pytest.mark.parametrize("action", ["copy", "rename"])
def test_a_truth_under_the_whole_name_is_filed_with_its_picture(tmp_path: Path, action: Action) -> None:
    files = {"x.jpg": b"1", "x.png": b"2", "x.jpg.json": b'{"negative": "no_cube"}'}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    answers = [an_answer(tmp_path / name, "e0-sune") for name in ("x.jpg", "x.png")]
    steps = plan(answers, action, tmp_path / "out").steps
    assert len(steps) == 3 and carry_out(steps, tmp_path / "log") == 3
    start = "out/e0-sune/" if action == "copy" else "e0-sune__"
    there = tree(tmp_path)
    assert {name: there[f"{start}{name}"] for name in files} == files
    assert undo(tmp_path / "log") == (3, []) and tree(tmp_path).items() >= files.items()


@pytest.mark.parametrize("age", ["as written now", "without digests", "without digests, source gone"])
def test_undo_deletes_no_copy_that_was_edited_to_the_same_length(tmp_path: Path, age: str) -> None:
    sources = [tmp_path / name for name in ("x.jpg", "y.jpg")]
    for source in sources:
        source.write_bytes(b"abcd")
    steps = plan([an_answer(one, "e0-sune") for one in sources], "copy", tmp_path / "out").steps
    log = tmp_path / "log"
    carry_out(steps, log)
    steps[1].target.write_bytes(b"abCd")
    if age != "as written now":
        notes = [json.loads(line) for line in log.read_text().splitlines()]
        log.write_text("".join(json.dumps({k: n[k] for k in n if k != "digest"}) + "\n" for n in notes))
    if age.endswith("gone"):  # nothing tells that it was edited but its length
        sources[1].unlink()
        assert undo(log) == (2, [])
        return
    assert undo(log) == (1, [(steps[1].target, "has changed since")])
    assert steps[1].target.read_bytes() == b"abCd" and not steps[0].target.exists() and log.exists()


@pytest.mark.parametrize(
    "text", ["", "my only line", "my only line\n", "{}\n", "[1]", '"a"\n', '{"action": "copy"']
)
def test_what_holds_no_step_is_no_log_and_keeps_its_name(tmp_path: Path, text: str) -> None:
    (tmp_path / "dear.txt").write_text(text)
    with pytest.raises(UsageError, match="no step"):
        undo(tmp_path / "dear.txt")
    assert tree(tmp_path) == {"dear.txt": text.encode()}


def test_the_longest_name_is_copied_and_taken_back(tmp_path: Path) -> None:
    source = tmp_path / ("n" * 251 + ".jpg")
    source.write_bytes(b"1")
    before = tree(tmp_path)
    carry_out(plan([an_answer(source, "e0-sune")], "copy", tmp_path / "out").steps, tmp_path / "log")
    assert (tmp_path / "out" / "e0-sune" / source.name).read_bytes() == b"1"
    assert undo(tmp_path / "log") == (1, [])
    (tmp_path / "log.undone").unlink()
    assert tree(tmp_path) == before
