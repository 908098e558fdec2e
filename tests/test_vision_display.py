"""Windows and the display: none is opened without one, and a window that was closed is noticed, not asked on.

No window here is a real one: ``button`` stands in for OpenCV's window calls, which raise once the last window
has been closed (seen with OpenCV 5 and Qt).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.errors import LastlookError
from vision.calibrate_window import pick_faces
from vision.display import display_problem, is_open
from vision.live import Window
from vision.review_entry import Entry, Verdict
from vision.review_window import WindowPrompt


class Button:
    """A window whose close button is pressed while the program waits for a key the third time."""

    def __init__(self) -> None:
        self.open = False
        self.waits = 0

    def show(self, *_: object) -> None:
        self.open = True

    def wait(self, *_: object) -> int:
        self.waits += 1
        assert self.waits < 10, "nobody noticed that the window is gone"
        self.open = self.open and self.waits < 3
        return -1

    def visible(self, *_: object) -> float:
        self.asked()
        return 1.0

    def rect(self, *_: object) -> tuple[int, int, int, int]:
        self.asked()
        return 0, 0, 640, 480

    def asked(self) -> None:
        if not self.open:
            raise cv2.error("NULL guiReceiver (please create a window)")


@pytest.fixture
def button(monkeypatch: pytest.MonkeyPatch) -> Button:
    one = Button()
    for name in ("namedWindow", "resizeWindow", "setMouseCallback", "destroyAllWindows"):
        monkeypatch.setattr(cv2, name, lambda *_: None)
    monkeypatch.setattr(cv2, "imshow", one.show)
    for name in ("waitKey", "waitKeyEx", "pollKey"):
        monkeypatch.setattr(cv2, name, one.wait)
    monkeypatch.setattr(cv2, "getWindowProperty", one.visible)
    monkeypatch.setattr(cv2, "getWindowImageRect", one.rect)
    for module in ("vision.calibrate_window", "vision.live"):
        monkeypatch.setattr(f"{module}.display_problem", lambda: None)
    return one


def test_a_window_that_was_never_shown_or_has_gone_is_not_open(button: Button) -> None:
    assert not is_open("lastlook")
    button.show()
    assert is_open("lastlook")


def test_the_watch_window_says_that_it_was_closed(button: Button) -> None:
    canvas = np.zeros((48, 64, 3), np.uint8)
    keys = []
    with Window() as window:
        while "closed" not in keys:
            assert min(window.wh) > 0
            keys.append(window.show(canvas))
    assert keys == ["", "", "closed"]


def test_closing_the_review_quits_it(button: Button, tmp_path: Path) -> None:
    entry = Entry({"image": "x.jpg", "ok": False}, tmp_path / "x.jpg", tmp_path / "x.json")
    assert WindowPrompt().ask(entry, (1, 1), "") == Verdict("quit")


def test_closing_the_window_of_corners_keeps_nothing(button: Button, tmp_path: Path) -> None:
    picture = tmp_path / "x.png"
    cv2.imwrite(str(picture), np.full((60, 80, 3), 99, np.uint8))
    with pytest.raises(LastlookError, match="calibration was left"):
        pick_faces(str(picture), None)


# X11's keysymdef.h: Home, the four arrows, both Pages, End, Insert, Shift; Qt's for other letters; none
SILENT = (0xFF50, 0xFF51, 0xFF52, 0xFF53, 0xFF54, 0xFF55, 0xFF56, 0xFF57, 0xFF63, 0xFFE1, 0, -1)
TYPED = {
    ord("q"): "q",
    ord("Q"): "q",
    ord(" "): " ",
    27: "\x1b",
    0x100000 | ord("N"): "n",
    0xFF08: "\b",
    8: "\b",
}


def test_no_arrow_is_taken_for_the_letter_in_its_last_byte(
    button: Button, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Left had quit the watch and Right had saved moments; capitals mean what small letters mean."""
    keys = [*SILENT, *TYPED]
    asked = iter(keys)

    def wait(*_: object) -> int:
        button.open = True
        return next(asked)

    monkeypatch.setattr(cv2, "pollKey", wait)
    window = Window()
    got = [window.show(np.zeros((48, 64, 3), np.uint8)) for _ in keys]
    assert got == [""] * len(SILENT) + ["escape" if key == "\x1b" else key for key in TYPED.values()]


def test_no_arrow_picks_or_takes_back(
    button: Button, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    picture = tmp_path / "x.png"
    cv2.imwrite(str(picture), np.full((60, 80, 3), 99, np.uint8))
    mouse: list[Callable[..., None]] = []
    monkeypatch.setattr(cv2, "setMouseCallback", lambda _, called: mouse.append(called))
    asked = iter((-1, *SILENT, ord("2"), 13))
    monkeypatch.setattr(cv2, "waitKey", lambda *_: next(asked) & 0xFF)

    def wait(*_: object) -> int:
        key = next(asked)
        if key == -1:
            for x, y in ((9, 9), (40, 9), (40, 40), (9, 40)):
                mouse[0](cv2.EVENT_LBUTTONDOWN, x, y)
        return key

    monkeypatch.setattr(cv2, "waitKeyEx", wait)
    faces = pick_faces(str(picture), None)
    assert [face.colour for face in faces] == ["yellow"] and len(faces[0].corners_xy) == 4


def test_no_display_is_found_out_before_a_window_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    for display in ("", ":987654", "nonsense", "host.invalid:99"):
        monkeypatch.setenv("DISPLAY", display)
        assert display_problem()
