"""Scores against published definitions, and marks that do not depend on which side is called the front."""

from __future__ import annotations

import errno
import io
import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import brier_score_loss
from truth_answers import answer_of_truth

import vision.kept_answers
import vision.report
from calibration.profile import default_profile
from models.errors import LastlookError
from vision.answer import Answer, Candidate, TopFace
from vision.answer_json import answer_to_json
from vision.kept_answers import KeptAnswers
from vision.profiles import profile_path
from vision.report import score_folder, tables
from vision.scoring import conditions, expected_calibration_error, marked
from vision.truth import truth_of

SAMPLES = Path(__file__).parent.parent / "sample_images"
EASY = SAMPLES / "01-large-on-desk.jpg"
AROUND = "BRFL"
READER = vision.report._reader


def turned(answer: Answer, k: int) -> Answer:
    """The same reading with another side called front: quad, rows of U and sides all follow."""
    assert answer.top is not None and answer.state is not None

    def faces(rows):
        out = {"U": tuple(map(tuple, np.rot90(np.array(rows["U"], object), -k)))} if "U" in rows else {}
        for i, side in enumerate(AROUND):
            if AROUND[(i - k) % 4] in rows:
                out[side] = rows[AROUND[(i - k) % 4]]
        return out

    quad = tuple(answer.top.quad_xy[(i - k) % 4] for i in range(4))
    state = replace(answer.state, facelets=faces(answer.state.facelets))
    return replace(answer, top=TopFace(answer.top.colour, quad), seen=faces(answer.seen), state=state)


@pytest.mark.parametrize("k", range(4))
@pytest.mark.parametrize("name", ["01-large-on-desk", "04-size-3", "06-size-5-in-hand", "11-dim-room"])
def test_any_quarter_turn_of_the_cube_scores_alike(name: str, k: int) -> None:
    picture = SAMPLES / f"{name}.jpg"
    mark = marked(turned(answer_of_truth(picture), k), truth_of(picture))
    assert mark.outcome == "right" and mark.size_right and mark.listed
    assert mark.raw[0] == mark.raw[1] == len(mark.truth.readable)
    assert mark.settled_stickers == mark.raw
    assert mark.placement == pytest.approx(0, abs=1e-9)


def test_placement_is_in_sticker_widths() -> None:
    answer, truth = answer_of_truth(EASY), truth_of(EASY)
    assert answer.top is not None
    quad = np.array(answer.top.quad_xy)
    width = np.hypot(*(quad - np.roll(quad, 1, axis=0)).T).mean() / 4
    moved = replace(answer, top=TopFace("green", tuple(map(tuple, quad + width * np.array([0.6, 0.8])))))
    assert marked(moved, truth).placement == pytest.approx(1.0)


def test_outcomes() -> None:
    case, negative = truth_of(EASY), truth_of(SAMPLES / "13-not-last-layer.jpg")
    right = answer_of_truth(EASY)
    wrong = replace(right, case=replace(right.case, code="e0-h"))  # type: ignore[type-var]
    quiet = replace(right, ok=False, case=None, reason="ambiguous")
    nothing = Answer(image="x", ok=False, reason="no-cube")
    refused = Answer(image="x", ok=False, reason="not-last-layer", size=4)
    assert [marked(a, case).outcome for a in (right, wrong, quiet, nothing)] == [
        "right", "wrong", "abstained", "missed"]  # fmt: skip
    assert [marked(a, negative).outcome for a in (right, refused, nothing)] == [
        "wrong", "refused", "refused-otherwise"]  # fmt: skip
    broken = Answer(image="x", ok=False, reason="unreadable")
    grey = replace(broken, size=4)
    for truth, of_grey in ((case, "abstained"), (negative, "refused-otherwise")):
        assert marked(broken, truth).outcome == "missed" and marked(grey, truth).outcome == of_grey


four_weights = st.lists(st.integers(1, 50), min_size=4, max_size=4)


@given(st.lists(st.tuples(st.sampled_from("abcd"), four_weights), min_size=2, max_size=20))
def test_brier_is_the_multiclass_score_of_scikit_learn(rows) -> None:
    """sklearn.metrics.brier_score_loss without its halving for two classes (Brier 1950)."""
    truth = truth_of(EASY)
    ours, labels, table = [], [], []
    for label, weights in rows:
        shares = np.array(weights) / sum(weights)
        candidates = tuple(
            sorted(
                (Candidate(c, float(p)) for c, p in zip("abcd", shares, strict=True)),
                key=lambda one: -one.probability,
            )
        )
        answer = Answer(image="x", ok=False, reason="ambiguous", size=4, candidates=candidates)
        ours.append(marked(answer, replace(truth, code=label)).brier)
        labels.append(label)
        table.append(shares)
    wanted = brier_score_loss(labels, np.array(table), labels=list("abcd"), scale_by_half=False)
    assert np.mean(ours) == pytest.approx(wanted)


def test_calibration_error_by_hand() -> None:
    """Two bins: 0.8 claimed and 1/2 right, 0.95 claimed and 2/2 right: (2*0.3 + 2*0.05) / 4."""
    assert expected_calibration_error([0.8, 0.8, 0.95, 0.95], [True, False, True, True]) == pytest.approx(
        0.175
    )
    assert expected_calibration_error([], []) is None


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=50))
def test_calibration_error_bounds(claims: list[tuple[float, bool]]) -> None:
    p, y = [c for c, _ in claims], [h for _, h in claims]
    error = expected_calibration_error(p, y)
    assert error is not None and abs(np.mean(p) - np.mean(y)) - 1e-9 <= error <= 1 + 1e-9


def perfect(_: str | None):
    return lambda truth: replace(answer_of_truth(truth.picture), image=str(truth.picture))


@pytest.fixture
def samples(tmp_path: Path) -> Path:
    for path in SAMPLES.glob("*.j*"):
        shutil.copy(path, tmp_path)
    return tmp_path


def test_a_reader_without_fault_scores_full(samples: Path, monkeypatch, capsys) -> None:
    monkeypatch.setattr(vision.report, "_reader", perfect)
    assert score_folder(samples, as_json=True) == 0
    everything = json.loads(capsys.readouterr().out)["conditions"]["all"]
    assert everything["pictures"] == 17 and everything["cases"] == 14 and everything["negatives"] == 3
    assert everything["right"] == 14 and everything["refused_rightly"] == 3
    assert everything["wrong"] == everything["missed"] == everything["abstained"] == 0
    assert everything["stickers_raw"] == everything["stickers_decoded"] == everything["size_share"] == 1
    assert everything["placement"] == 0
    assert everything["ece"] == pytest.approx(0.014)  # it claims 0.986 and is always right
    assert everything["brier"] == pytest.approx(2 * 0.014**2)


def test_the_table_has_a_line_for_each_condition(samples: Path, monkeypatch, capsys) -> None:
    monkeypatch.setattr(vision.report, "_reader", perfect)
    score_folder(samples)
    lines = capsys.readouterr().out.splitlines()
    assert any("placement" in line for line in lines) and any("in stickers" in line for line in lines)
    starts = [line.split("  ")[0].strip() for line in lines]
    for wanted in ("all", "settled", "not settled", "negative no-cube", "4 layers", "tag fingers", "tag dim"):
        assert wanted in starts, wanted


def test_stopped_and_resumed(samples: Path, monkeypatch, capsys, tmp_path: Path) -> None:
    kept = tmp_path / "answers.jsonl"
    reads: list[str] = []

    def stops_after_four(_: str | None):
        def read(truth):
            if len(reads) == 4:
                raise KeyboardInterrupt
            reads.append(truth.picture.name)
            return replace(answer_of_truth(truth.picture), image=str(truth.picture))

        return read

    monkeypatch.setattr(vision.report, "_reader", stops_after_four)
    assert score_folder(samples, answers=kept) == 1
    captured = capsys.readouterr()
    assert captured.err == "lastlook: stopped after 4 of 17 pictures\n" and "condition" in captured.out
    with kept.open("a") as file:
        file.write('{"image": "half a li')  # as a kill leaves it
    reads.clear()
    reads.extend(["not", "counted", "here"])
    monkeypatch.setattr(vision.report, "_reader", perfect)
    score_folder(samples, answers=kept, as_json=True)
    assert json.loads(capsys.readouterr().out)["conditions"]["all"]["right"] == 14
    assert len(kept.read_text().splitlines()) == 17
    first, rest = kept.read_text().split("\n", 1)
    kept.write_text(f"{first}\nnonsense\n{rest}")
    with pytest.raises(LastlookError, match="line 2"):
        score_folder(samples, answers=kept)


ANSWERS = [
    replace(answer_of_truth(EASY), image=name) for name in ("é.jpg", os.fsdecode(b"\xff.jpg"), "中.png")
]


@given(st.integers(0, 10**6))
def test_answers_cut_anywhere_are_gone_on_from(tmp_path_factory: pytest.TempPathFactory, cut: int) -> None:
    """Names in any script, and one that is no text; a kill may leave half a letter."""
    path = tmp_path_factory.mktemp("kept") / "answers.jsonl"
    first = KeptAnswers(path, {})
    for answer in ANSWERS:
        first.keep(answer, answer.image)
    whole = path.read_bytes()
    path.write_bytes(whole[: cut % (len(whole) + 1)])
    again = KeptAnswers(path, {})
    assert whole.startswith(path.read_bytes())
    for answer in ANSWERS:
        if again.known(answer.image, answer.image) is None:
            again.keep(answer, answer.image)
    assert path.read_bytes() == whole
    last = KeptAnswers(path, {})
    for answer in ANSWERS:
        kept = last.known(answer.image, answer.image)
        assert kept is not None and answer_to_json(kept) == answer_to_json(answer)
        assert last.known(answer.image, "another") is None


def test_answers_of_another_profile_stay_and_do_not_count(
    samples: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture, tmp_path: Path
) -> None:
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    replace(default_profile(), name="desk").save(profile_path("desk"))
    read: list[str | None] = []

    def counting(profile: str | None):
        def one(truth):
            read.append(profile)
            return perfect(profile)(truth)

        return one

    monkeypatch.setattr(vision.report, "_reader", counting)
    kept = tmp_path / "answers.jsonl"
    for profile, expected in ((None, 17), ("desk", 17), (None, 0), ("desk", 0)):
        read.clear()
        before = kept.read_bytes() if kept.exists() else b""
        score_folder(samples, answers=kept, as_json=True, profile=profile)
        assert read == [profile] * expected and kept.read_bytes().startswith(before)


def test_answers_count_wherever_the_folder_lies_and_however_it_is_spelled(
    samples: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture, tmp_path: Path
) -> None:
    monkeypatch.setattr(vision.report, "_reader", perfect)
    kept = tmp_path / "answers.jsonl"
    score_folder(samples, answers=kept, as_json=True)
    before = kept.read_bytes()

    def never(_: str | None):
        return lambda truth: pytest.fail(f"{truth.picture} was read again")

    monkeypatch.setattr(vision.report, "_reader", never)
    monkeypatch.chdir(samples)
    (tmp_path / "link").symlink_to(samples)
    shutil.copytree(samples, moved := tmp_path / "moved", ignore=shutil.ignore_patterns("link", "moved"))
    for folder in (Path(), tmp_path / "link", samples / ".." / samples.name, moved):
        score_folder(folder, answers=kept, as_json=True)
        assert kept.read_bytes() == before


def test_a_picture_that_changed_or_could_not_be_read_is_read_again(
    samples: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture, tmp_path: Path
) -> None:
    kept = tmp_path / "answers.jsonl"
    broken = samples / "13-not-last-layer.jpg"
    whole = broken.read_bytes()
    broken.write_bytes(whole[:100])
    read: list[str] = []

    def counting(profile: str | None):
        real = READER(profile)

        def one(truth):
            read.append(truth.picture.name)
            return real(truth) if truth.picture == broken else perfect(profile)(truth)

        return one

    monkeypatch.setattr(vision.report, "_reader", counting)
    score_folder(samples, answers=kept, as_json=True)
    everything = json.loads(capsys.readouterr().out)["conditions"]["all"]
    assert everything["missed"] == 1 and everything["refused"] == everything["refused_rightly"] == 2
    first, *_ = sorted(samples.glob("*.jpg"))
    for changed, expected in (
        ({}, [broken.name]),
        ({broken: whole}, [broken.name]),
        ({first: first.read_bytes() + b"\0"}, [first.name]),
        ({}, []),
    ):
        for path, data in changed.items():
            path.write_bytes(data)
        read.clear()
        score_folder(samples, answers=kept, as_json=True)
        assert read == expected


def test_a_wrong_truth_is_one_line_and_costs_no_other(samples: Path, monkeypatch, capsys) -> None:
    monkeypatch.setattr(vision.report, "_reader", perfect)
    (samples / "04-size-3.json").write_text("[" * 20_000)
    assert score_folder(samples, as_json=True) == 1
    captured = capsys.readouterr()
    assert json.loads(captured.out)["conditions"]["all"]["right"] == 13
    assert captured.err.count("\n") == 1 and "04-size-3.json" in captured.err


@pytest.mark.parametrize("tag", ["[/]", "[dim]", "[red]x", "a\nb", "[[", "\\[/]"])
def test_a_tag_stands_in_the_table_as_it_is(tag: str) -> None:
    from rich.console import Console

    truth = replace(truth_of(EASY), tags=(tag,))
    groups = conditions([marked(answer_of_truth(EASY), truth)])
    console = Console(width=200, record=True, file=io.StringIO())
    console.print(*tables(groups, [("pictures", "pictures", "count")], 200))
    assert f"tag {' '.join(tag.split())} " in console.export_text()


@given(
    width=st.integers(40, 200),
    names=st.lists(st.text("ab- ", min_size=1, max_size=60), min_size=1, max_size=3),
)
def test_every_number_of_the_table_is_whole_at_any_width(width: int, names: list[str]) -> None:
    """Nothing is cut, a percent sign stays beside its number, and each condition has all of its scores."""
    from rich.console import Console

    from vision.report import _OUTCOMES, _QUALITY

    mark = marked(answer_of_truth(EASY), truth_of(EASY))
    groups = {f"{number}{name.rstrip()}": [mark] for number, name in enumerate(names)}
    for columns in (_OUTCOMES, _QUALITY):
        console = Console(width=width, record=True, file=io.StringIO())
        for one in tables(groups, columns, width):
            console.print(one)
        text = console.export_text()
        assert "…" not in text and max(map(len, text.splitlines())) <= width
        assert not any(line.lstrip().startswith("%") for line in text.splitlines())
        for word in " ".join(heading for heading, _, _ in columns).split():
            assert word in text.split()
        if columns is _QUALITY:
            assert text.count("100.0 %") == len(groups) * 4  # listed, size, stickers twice


@pytest.mark.parametrize(
    ("option", "name"), [("sheet", "gone/x.png"), ("sheet", "x.gif"), ("answers", "gone/x.jsonl")]
)
def test_where_it_cannot_write_nothing_is_read(
    option: str, name: str, samples: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nobody(_: str | None):
        pytest.fail("a picture was to be read")

    monkeypatch.setattr(vision.report, "_reader", nobody)
    with pytest.raises(LastlookError, match=f"--{option} "):
        score_folder(samples, **{option: samples / name})  # type: ignore[arg-type]


def test_the_sheet_is_written_whatever_becomes_of_the_table(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pager that is left early closes the pipe."""

    def closed(*_: object, **__: object) -> None:
        raise LastlookError("standard output was closed")

    monkeypatch.setattr(vision.report, "_reader", perfect)
    monkeypatch.setattr(vision.report.typer, "echo", closed)
    with pytest.raises(LastlookError, match="closed"):
        score_folder(samples, sheet=tmp_path / "sheet.png")
    assert (tmp_path / "sheet.png").is_file()


def test_the_table_is_told_whatever_becomes_of_the_sheet(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A disk may fill up while the pictures are read."""

    def full(*_: object) -> None:
        raise LastlookError("sheet.png: cannot be written (No space left on device)")

    monkeypatch.setattr(vision.report, "_reader", perfect)
    monkeypatch.setattr(vision.report, "_write_sheet", full)
    with pytest.raises(LastlookError, match="No space left"):
        score_folder(samples, sheet=tmp_path / "sheet.png", as_json=True)
    assert json.loads(capsys.readouterr().out)


def test_a_full_disk_is_told_before_a_picture_is_read(
    samples: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    """And not at all where every answer is there already."""

    class Full(io.BytesIO):
        def write(self, _: object) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

    def nobody(_: str | None):
        pytest.fail("a picture was to be read")

    path = tmp_path / "kept.jsonl"
    monkeypatch.setattr(vision.report, "_reader", perfect)
    assert score_folder(samples, as_json=True, answers=path) == 0
    before = path.read_bytes()
    monkeypatch.setattr(vision.kept_answers, "TemporaryFile", lambda dir: Full())
    monkeypatch.setattr(vision.report, "_reader", nobody)
    assert score_folder(samples, as_json=True, answers=path) == 0
    path.write_bytes(b"\n".join(before.split(b"\n")[1:]))
    with pytest.raises(LastlookError, match="No space left"):
        score_folder(samples, as_json=True, answers=path)


@pytest.mark.parametrize(
    "content",
    [
        b"my notes",
        b"my notes\n",
        b"[1]\n",
        b"3\n",
        b"\xff\xd8\xff\xe0",
        b'{"a":1}',
        b'{"image": "x.jpg", "notes": "mine"}',
        b"[" * 20_000,
        b'{"image": ' + b"9" * 5_000 + b"}\n",
    ],
)
def test_a_file_that_holds_something_else_is_left_alone(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "notes"
    path.write_bytes(content)
    with pytest.raises(LastlookError, match="line 1 is no answer"):
        KeptAnswers(path, {})
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("case", {"code": "e0-h", "name": "H", "cue": "", "probability": "0.9"}),
        ("case", {"code": "e9-none", "name": "", "cue": "", "probability": 0.9}),
        ("candidates", [{"code": "e0-h", "probability": None}]),
        ("seen", {"U": ["red", "red"]}),
        ("size", "4"),
        ("top", {"colour": 5, "quad": [[0, 0], [1, 0], [1, 1], [0, "1"]]}),
        ("state", {"corners": "0123", "twist": [0] * 4, "edges": [], "flip": [], "facelets": {}}),
        ("mirrored", 1),
        ("seconds", []),
    ],
)
def test_a_kept_answer_with_a_value_of_another_kind_is_told(key: str, value: object, tmp_path: Path) -> None:
    path = tmp_path / "answers.jsonl"
    kept = KeptAnswers(path, {})
    kept.keep(ANSWERS[0], "one")
    kept.keep(ANSWERS[1], "two")
    first, second = path.read_text().splitlines()
    path.write_text(f"{first}\n{json.dumps({**json.loads(second), key: value})}\n")
    before = path.read_bytes()
    with pytest.raises(LastlookError, match=f"line 2 is no answer .*{key}.*; delete the line") as caught:
        KeptAnswers(path, {})
    assert path.read_bytes() == before and "\n" not in str(caught.value)
