"""What is wrong with a person's own files is told by every command that reads them, and the rest goes on."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.cli import run

PHOTO = Path(__file__).parent.parent / "sample_images" / "15-no-cube.jpg"
GOOD = '[[sequence]]\ncode = "e0-sune"\nturns = "R U R\' U R U2 R\'"\n'
SOLVES_NOTHING = '[[sequence]]\ncode = "e0-sune"\nturns = "R"\n'

READERS = [
    ["read", "{photos}/a.jpg"],
    ["label", "{photos}", "--jobs", "2"],
    ["score", "{photos}"],
    ["watch", "{frames}", "--no-window", "--no-journal"],
    ["cases"],
    ["case", "e0-sune"],
    ["sequence", "export"],
    ["sequence", "add", "e0-sune", "R' U2 R U R' U R"],
    ["sequence", "remove", "e0-sune", "R U R' U R U2 R'"],
    ["find", "e0-antisune", "--core", "R U R' U R U2 R'", "--inverted", "--depth", "1", "--add"],
]


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two pictures without a cube, one with its truth, and frames without one."""
    folder = tmp_path_factory.mktemp("places")
    places = {"photos": folder / "photos", "frames": folder / "frames"}
    for one in places.values():
        one.mkdir()
    for name in ("a.jpg", "b.jpg"):
        shutil.copy(PHOTO, places["photos"] / name)
    (places["photos"] / "a.json").write_text('{"negative": "no_cube"}')
    for number in range(3):
        cv2.imwrite(str(places["frames"] / f"{number}.png"), np.full((120, 160, 3), 128, np.uint8))
    return places


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LASTLOOK_DATA", str(tmp_path / "data"))
    monkeypatch.setenv("LASTLOOK_CACHE", str(tmp_path / "cache"))
    monkeypatch.setenv("LASTLOOK_PROFILES", str(tmp_path / "profiles"))
    (tmp_path / "data").mkdir()
    return tmp_path / "data"


def told(
    capsys: pytest.CaptureFixture[str], places: dict[str, Path], command: list[str]
) -> tuple[int, list[str]]:
    """Exit status, and the lines on standard error that begin with the program's name."""
    status = run([part.format(**places) for part in command])
    return status, [line for line in capsys.readouterr().err.splitlines() if line.startswith("lastlook: ")]


@pytest.mark.parametrize("command", READERS, ids=" ".join)
def test_a_broken_entry_is_told_once_and_the_rest_is_used(
    command: list[str], data: Path, places: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    library = data / "library.toml"
    library.write_text(GOOD)
    good = told(capsys, places, command)
    assert good[1] == []
    library.write_text(GOOD + SOLVES_NOTHING)
    status, lines = told(capsys, places, command)
    assert status == good[0]
    (line,) = lines
    assert line.startswith(f"lastlook: {library}:4: ")
    assert line.endswith("; passed over, all other sequences are used")


@pytest.mark.parametrize(
    "command",
    [*(one for one in READERS if "add" not in one), ["check", "R U R' U R U2 R'"]],
    ids=" ".join,
)
def test_broken_weights_are_told_once_and_the_built_in_ones_are_used(
    command: list[str], data: Path, places: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """They only put sequences in order: nothing that a picture says depends on them."""
    library = data / "library.toml"
    library.write_text(GOOD)
    good = run([part.format(**places) for part in command]), capsys.readouterr().out
    library.write_text(GOOD)
    (data / "hidden.toml").unlink(missing_ok=True)
    weights = data / "effort.toml"
    weights.write_text("[turn]\nside = 1\nR = -5\n")
    status = run([part.format(**places) for part in command])
    out, err = capsys.readouterr()
    assert status == good[0]
    if command[0] not in ("label", "score", "read"):  # these tell how long it took
        assert out == good[1]
    (line,) = (line for line in err.splitlines() if line.startswith("lastlook: "))
    assert line.startswith(f"lastlook: {weights}:3: unknown weight R in [turn]; known are ")
    assert line.endswith("; passed over, the built-in weights are used")
    assert weights.read_text().endswith("R = -5\n")


@pytest.mark.parametrize("content", [b"\xff", b"x = [", None])
def test_weights_that_are_no_text_stop_nothing(
    content: bytes | None, data: Path, places: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    weights = data / "effort.toml"
    weights.mkdir() if content is None else weights.write_bytes(content)
    for command in (["check", "R"], ["case", "e0-sune"]):
        status, (line,) = told(capsys, places, command)
        assert status == 0 and str(weights) in line and line.endswith("the built-in weights are used")


@pytest.mark.parametrize(
    ("name", "content", "where", "goes_on"),
    [
        ("library.toml", b"\xff", "library.toml: ", "the built-in sequences are used"),
        ("library.toml", b"rubbish = [\n", "library.toml:1: ", "all other sequences are used"),
        ("library.toml", 2 * SOLVES_NOTHING.encode(), "library.toml:1: ", "all other sequences are used"),
        ("hidden.toml", b"\xff", "hidden.toml: ", "the built-in sequences are used"),
        ("hidden.toml", b"\n[[sequence]]\ncode = [\n", "hidden.toml:2: ", "all other sequences are used"),
    ],
)
def test_whatever_is_broken_is_told_in_one_line(
    name: str,
    content: bytes,
    where: str,
    goes_on: str,
    data: Path,
    places: dict[str, Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    (data / name).write_bytes(content)
    status, lines = told(capsys, places, ["cases"])
    (line,) = lines
    assert status == 0 and where in line and line.endswith(goes_on)
    assert ("1 more" in line) == (content.count(b"turns") == 2)
    assert run(["sequence", "list"]) == 0
    left_out = [one for one in capsys.readouterr().err.splitlines() if one.startswith("left out: ")]
    assert len(left_out) == max(1, content.count(b"turns")) and where in left_out[0]


@pytest.mark.parametrize(
    "command", [*READERS, ["check", "R"], ["find", "e0-sune"], ["sequence", "list"]], ids=" ".join
)
def test_a_data_folder_that_is_a_file_is_one_line(
    command: list[str], data: Path, places: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    data.rmdir()
    data.write_text("not a folder")
    assert run([part.format(**places) for part in command]) == 1
    err = capsys.readouterr().err
    assert err == f"lastlook: LASTLOOK_DATA names {data}, which is no folder; name a folder, or unset it\n"
    assert data.read_text() == "not a folder"


@pytest.mark.parametrize("command", [["profile", "list"], ["read", "{photos}/a.jpg"]], ids=" ".join)
def test_a_folder_of_profiles_that_is_a_file_is_one_line(
    command: list[str], data: Path, places: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    profiles = data.parent / "profiles"
    profiles.write_text("not a folder")
    status, lines = told(capsys, places, command)
    assert (status, len(lines)) == (1, 1) and "LASTLOOK_PROFILES" in lines[0] and str(profiles) in lines[0]
