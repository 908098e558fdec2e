"""The sitting before a camera: which looks are taken, what the window shows, and how it is left."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from sticker_maker import albedo, make_samples

import vision.calibrate_live
import vision.stream
from calibration.profile import COLOURS, SCHEME, default_profile
from models.errors import LastlookError
from vision.calibrate_live import PANEL_WIDTH, compose, profile_from_camera
from vision.sitting import Sitting
from vision.stream import StreamEvent


def a_look(light: str, turn: int, shift: float = 0.0) -> SimpleNamespace:
    """What the pipeline gives for one frame, as far as the sitting uses it."""
    rng = np.random.default_rng(turn)
    samples, _ = make_samples(albedo("usual"), light, rng, turn=turn)
    quad = tuple(
        (x + shift, y + shift) for x, y in ((100.0, 100.0), (300.0, 90.0), (320.0, 280.0), (110.0, 290.0))
    )
    return SimpleNamespace(samples=samples, answer=SimpleNamespace(top=SimpleNamespace(quad_xy=quad)))


def nothing() -> SimpleNamespace:
    return SimpleNamespace(samples=None, answer=SimpleNamespace(top=None))


def test_a_sitting_takes_what_is_steady_and_new() -> None:
    from test_calibration_collect import turn_with

    top, bottom = turn_with(0, 1, 2), turn_with(3, 4, 5)
    sitting = Sitting(default_profile())
    assert "no cube" in sitting.offer(nothing())
    assert "still" in sitting.offer(a_look("noon", top))
    assert "still" in sitting.offer(a_look("noon", top, shift=60))  # it moved
    assert "taken" in sitting.offer(a_look("noon", top, shift=61))
    assert "turn the cube" in sitting.offer(a_look("noon", top, shift=61))
    assert sitting.seen_in() == [1, 0, 1, 0, 0, 1] and not sitting.complete
    assert "taken" in sitting.offer(a_look("lamp", top, shift=61)) and sitting.lights() == 2
    assert "yellow" in sitting.missing(COLOURS)
    for light in ("noon", "lamp"):
        assert "taken" in sitting.offer(a_look(light, bottom, shift=61))
    assert sitting.complete and "finish" in sitting.missing(COLOURS)
    assert "taken back" in sitting.undo() and not sitting.complete
    for _ in range(3):  # the same view would be taken again at once
        assert "taken back" in sitting.offer(a_look("lamp", bottom, shift=61))
        sitting.offer(nothing())
    assert "still" in sitting.offer(a_look("lamp", bottom, shift=130))
    assert "taken: " in sitting.offer(a_look("lamp", bottom, shift=131))
    made = sitting.finish("mine", None, SCHEME)
    assert len(made.kept) == 4 and made.profile.held_out["stickers right, picture left out"] > 0.95
    with pytest.raises(LastlookError, match="no picture"):
        Sitting(default_profile()).finish("mine", None, None)


def test_taking_two_pictures_back_asks_for_a_move_as_well() -> None:
    sitting = Sitting(default_profile())
    assert "nothing" in sitting.undo()
    for light in ("noon", "noon", "lamp"):
        sitting.offer(a_look(light, 0))
    assert len(sitting.taken) == 2
    sitting.undo()
    sitting.undo()
    for _ in range(3):
        sitting.offer(a_look("noon", 0))
    assert not sitting.taken


class FakeWindow:
    """Stands in for OpenCV's window: presses the keys in their order, one a frame."""

    def __init__(self, *keys: str | type[BaseException]) -> None:
        self.keys = list(keys)
        self.closed = 0

    def __enter__(self) -> FakeWindow:
        return self

    def __exit__(self, *_: object) -> None:
        self.closed += 1

    def show(self, canvas: np.ndarray) -> str:
        key = self.keys.pop(0)
        if isinstance(key, str):
            return key
        raise key


class FakeStream:
    """Frames without end, of nothing."""

    ended = False

    def __init__(self, source: object, **_: object) -> None:
        pass

    def events(self) -> list[StreamEvent]:
        return []

    def __enter__(self) -> FakeStream:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def next_frame(self, wait_s: float) -> SimpleNamespace:
        return SimpleNamespace(image_bgr=np.zeros((48, 64, 3), np.uint8))


def sit(monkeypatch: pytest.MonkeyPatch, window: FakeWindow, looks: list[SimpleNamespace]) -> list[str]:
    """Calibrate in a window that shows ``looks`` and then no cube, until it is left; the words in it."""
    words: list[str] = []
    given = iter(looks)

    def composed(frame: np.ndarray, sitting: Sitting, told: str, colours: object) -> np.ndarray:
        words.append(told)
        return frame

    monkeypatch.setattr(vision.calibrate_live, "_window", lambda: window)
    monkeypatch.setattr(vision.calibrate_live, "compose", composed)
    monkeypatch.setattr(vision.stream, "FrameStream", FakeStream)
    with pytest.raises((LastlookError, KeyboardInterrupt)):
        profile_from_camera("mine", "0", read=lambda image: next(given, nothing()))
    return words


@pytest.mark.parametrize("key", ["q", "escape", "closed", KeyboardInterrupt])
def test_the_window_is_closed_however_the_sitting_is_left(
    key: str | type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    window = FakeWindow("", key)
    sit(monkeypatch, window, [])
    assert window.closed == 1


def stopped_after(looks: list[SimpleNamespace], monkeypatch: pytest.MonkeyPatch, **options: bool):
    """Calibrate without a window before a camera that shows ``looks``; then comes Ctrl-C."""
    given = iter(looks)

    def read(_: np.ndarray) -> SimpleNamespace:
        look = next(given, None)
        if look is None:
            raise KeyboardInterrupt
        return look

    monkeypatch.setattr(vision.stream, "FrameStream", FakeStream)
    return profile_from_camera("mine", "0", window=False, read=read, **options)


def test_ctrl_c_keeps_the_pictures_taken(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    from test_calibration_collect import turn_with

    top, bottom = (a_look("noon", turn_with(*faces)) for faces in ((0, 1, 2), (3, 4, 5)))
    made = stopped_after([top, top], monkeypatch)
    assert len(made.kept) == 1 and made.profile.name == "mine"
    assert "of 1 picture (" in capsys.readouterr().err
    with pytest.raises(KeyboardInterrupt):
        stopped_after([top], monkeypatch)
    with pytest.raises(LastlookError, match=r"without .*; the profile 'mine' stays as it was"):
        stopped_after([top, top], monkeypatch, replaces=True)
    assert len(stopped_after([top, top, bottom, bottom], monkeypatch, replaces=True).kept) == 2


def test_what_a_key_did_stays_to_be_read(monkeypatch: pytest.MonkeyPatch) -> None:
    look = a_look("noon", 0)
    words = sit(monkeypatch, FakeWindow("", "u", *[""] * 30, "q"), [look, look])
    assert words[1].startswith("taken:")
    assert all(told.startswith("taken back") for told in words[2:8]) and words[-1] == "no cube in view"


def test_a_finish_that_comes_too_early_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """No profile can be made of no picture: the window says so and goes on."""
    words = sit(monkeypatch, FakeWindow("f", *[""] * 20, "q"), [a_look("noon", 0)])
    assert "no picture was taken" in words[1] and words[-1] == "no cube in view"


class AwayStream:
    """A camera that is not there, and is given up in the end where somebody would wait for ever."""

    def __init__(self, source: object, *, give_up_s: float | None = None, **_: object) -> None:
        self.patient = give_up_s is None
        self.asked = 0

    @property
    def ended(self) -> bool:
        return not self.patient and self.asked > 3

    def __enter__(self) -> AwayStream:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def next_frame(self, wait_s: float) -> None:
        self.asked += 1
        assert self.asked < 50, "nobody can leave"

    def events(self) -> list[StreamEvent]:
        if self.asked == 1:
            return [StreamEvent("lost", "camera 0: not there; trying again in 1 s")]
        return [StreamEvent("gave-up", "camera 0: not there; given up")] if self.ended else []


def test_a_camera_that_is_not_there_is_told_and_can_be_left(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pictures: list[np.ndarray] = []

    class Watched(FakeWindow):
        def show(self, canvas: np.ndarray) -> str:
            pictures.append(canvas)
            return super().show(canvas)

    monkeypatch.setattr(vision.calibrate_live, "_window", lambda: Watched("", "", "q"))
    monkeypatch.setattr(vision.stream, "FrameStream", AwayStream)
    told: list[str] = []
    drawn = vision.calibrate_live.compose

    def composed(
        frame: np.ndarray | None, sitting: Sitting, words: str, colours: tuple[str, ...]
    ) -> np.ndarray:
        told.append(words)
        return drawn(frame, sitting, words, colours)

    monkeypatch.setattr(vision.calibrate_live, "compose", composed)
    with pytest.raises(LastlookError, match="calibration was left"):
        profile_from_camera("mine", "0", read=lambda image: nothing())
    assert len(pictures) == 3 and all("not there" in words for words in told)
    with pytest.raises(LastlookError, match="given up"):
        profile_from_camera("mine", "0", window=False, read=lambda image: nothing())
    told_once = capsys.readouterr().err  # that it was given up is the error line
    assert "trying again" in told_once and "given up" not in told_once


@pytest.mark.parametrize("wh", [(640, 480), (480, 640), (1920, 1080), (2000, 50)])
def test_the_panel_of_the_sitting_is_the_same_beside_a_frame_of_any_shape(wh: tuple[int, int]) -> None:
    """Letters do not shrink with a wide frame; the frame keeps its shape and is all there."""
    sitting = Sitting(default_profile())
    without = compose(None, sitting, "hold it still", COLOURS)
    drawn = compose(np.full((wh[1], wh[0], 3), (0, 255, 0), np.uint8), sitting, "hold it still", COLOURS)
    assert drawn.shape == without.shape
    rows, columns = np.nonzero((drawn != without).any(axis=2))
    assert columns.max() < drawn.shape[1] - PANEL_WIDTH
    shape = (np.ptp(columns) + 1) / (np.ptp(rows) + 1)
    assert shape == pytest.approx(wh[0] / wh[1], rel=0.03)


def test_a_name_that_is_cut_keeps_its_end_and_stays_off_the_counts() -> None:
    """Two that differ in their last letter alone look different; no letter reaches the counts."""
    sitting = Sitting(default_profile())
    long = [("m" * 28 + end, *COLOURS[1:]) for end in "xy"]
    one, other, short = (
        compose(None, sitting, "hold it still", names) for names in (*long, ("m", *COLOURS[1:]))
    )
    swatches = slice(190, 240)  # of the first colour; "still to show" below names it as well
    assert (one[swatches] != other[swatches]).any()
    columns = np.nonzero((one[swatches] != short[swatches]).any(axis=(0, 2)))[0]
    assert columns.max() < one.shape[1] - PANEL_WIDTH + 288


def test_no_words_run_into_the_colours_below_them() -> None:
    """Rows of the swatches, seen as what changes with nothing but the words."""
    sitting = Sitting(default_profile())
    short, long = (
        compose(None, sitting, words, COLOURS)
        for words in ("", "http://phone.local:8080/a-long-path/video: no picture from there; check that the "
                          "camera is on and the address is right; trying again in 8 s. " * 2)
    )  # fmt: skip
    rows = np.nonzero((short != long).any(axis=(1, 2)))[0]
    swatches = np.nonzero((short == np.array([40, 214, 250])).all(axis=2).any(axis=1))[0]
    assert len(rows) > 0 and rows.max() < swatches.min() - 62, (
        "the first of the six stands over the yellow one"
    )


def test_a_recording_does_not_run_away_while_a_picture_of_it_is_read(tmp_path: Path) -> None:
    """Every frame of it waits its turn where nobody looks on."""
    for number in range(6):
        cv2.imwrite(str(tmp_path / f"f{number}.png"), np.full((48, 64, 3), 40 * number, np.uint8))
    seen: list[int] = []

    def read(image: np.ndarray) -> SimpleNamespace:
        seen.append(int(image[0, 0, 0]))
        time.sleep(0.05)
        return nothing()

    with pytest.raises(LastlookError, match="no picture was taken"):
        profile_from_camera("mine", str(tmp_path), window=False, read=read)
    assert seen == [40 * number for number in range(6)]
