"""The window of a watch: OpenCV's own, with the live picture, the found grid, and the panel beside it.

The panel is painted in a thread when what it says has changed; a frame itself costs a resize, some lines and
one copy.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections import deque
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from models.turns import FACES
from vision.display import character, display_problem, is_open
from vision.frame_report import FrameReport
from vision.holding import labelled
from vision.lettering import BOLD, Lettering
from vision.live_page import DARK, LIGHT, Theme
from vision.live_panel import Shown, painted
from vision.pose import CubePose, face_points

Image = NDArray[np.uint8]

TITLE: Final = "lastlook"
OPENING_WH: Final = (1280, 720)
LEAST_WH: Final = (480, 320)
MOST_GROWN: Final = 4.0
"""A window smaller than LEAST_WH shows a larger picture, shrunk; by no more than this, whatever its shape."""
PANEL_SHARE: Final = 0.38
USUAL_SHAPE: Final = 4 / 3
_CASING: Final = (20, 22, 26)
_LINE: Final = (255, 255, 255)
_SURE: Final = (255, 176, 64)  # blue, green, red: the theme's blue, lighter
_SHIFT: Final = 4


def window_problem() -> str | None:
    """What stands in the way of opening a window here, or None.

    Asked before any window call: without a usable display OpenCV's window library ends the whole process,
    so the last test is to open one in a process of its own.
    """
    problem = display_problem()
    if problem is not None:
        return problem
    trial = [sys.executable, "-c", "import cv2; cv2.namedWindow('t'); cv2.destroyAllWindows()"]
    try:
        done = subprocess.run(trial, capture_output=True, timeout=30, env=window_environment())
    except (OSError, subprocess.SubprocessError):
        return "the display does not answer"
    return None if done.returncode == 0 else "the display refuses a window"


def window_environment() -> dict[str, str]:
    """The environment in which OpenCV's window library keeps its remarks to itself."""
    quiet = {"QT_LOGGING_RULES": "*=false", "OPENCV_LOG_LEVEL": "SILENT"}
    return {**quiet, **os.environ}


class PanelPainter:
    """Keeps the panel's newest picture; paints in a thread unless ``at_once``."""

    def __init__(self, *, at_once: bool = False) -> None:
        self._at_once = at_once
        self._wanted: tuple[Shown, int, int, Theme] | None = None
        self._have: tuple[Shown, int, int, Theme] | None = None
        self._image: Image | None = None
        self._stop = False
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None

    def panel(self, shown: Shown, width: int, height: int, theme: Theme) -> Image:
        """The panel at this size, perhaps still with the words of a moment ago."""
        wanted = (shown, width, height, theme)
        if wanted != self._have:
            same_size = self._image is not None and self._image.shape[:2] == (height, width)
            if self._at_once or not same_size or self._have is None or self._have[3] is not theme:
                self._image, self._have = painted(*wanted), wanted
            else:
                self._ask(wanted)
        assert self._image is not None
        return self._image

    def close(self) -> None:
        """End the thread."""
        with self._changed:
            self._stop = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(2.0)

    def _ask(self, wanted: tuple[Shown, int, int, Theme]) -> None:
        with self._changed:
            self._wanted = wanted
            self._changed.notify()
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="lastlook-panel", daemon=True)
            self._thread.start()

    def _run(self) -> None:
        while True:
            with self._changed:
                while self._wanted is None and not self._stop:
                    self._changed.wait()
                if self._stop:
                    return
                wanted, self._wanted = self._wanted, None
            assert wanted is not None
            image = painted(*wanted)
            if self._image is not None and self._image.shape == image.shape:
                self._image, self._have = image, wanted


class Screen:
    """Composes the window's picture. No window in here: a test looks at the pixels."""

    def __init__(self, *, theme: Theme = DARK, at_once: bool = False) -> None:
        self.theme = theme
        self.painter = PanelPainter(at_once=at_once)
        self._canvas: Image | None = None
        self._layout: object = None
        self._digits: dict[tuple[str, int], Image] = {}

    def turn_theme(self) -> None:
        """From light to dark or back."""
        self.theme = LIGHT if self.theme is DARK else DARK

    def compose(
        self, report: FrameReport | None, shown: Shown, wh: tuple[int, int], *, still: bool = False
    ) -> Image:
        """The whole picture of the window, uint8 (height, width, 3); the same array is used again. ``still``:
        the report is no longer the newest, so no clock runs."""
        grown = min(max(1.0, LEAST_WH[0] / wh[0], LEAST_WH[1] / wh[1]), MOST_GROWN)
        width, height = (max(round(one * grown), least) for one, least in zip(wh, LEAST_WH, strict=True))
        shape = USUAL_SHAPE if report is None else report.image_bgr.shape[1] / report.image_bgr.shape[0]
        if width >= height:  # the panel has what the picture leaves beside it
            usual = max(min(round(width * PANEL_SHARE), round(height * 0.75)), 200)
            panel_w = max(usual, min(width - round(height * shape), round(height * 1.5)))
            panel_wh, place, room = (panel_w, height), (width - panel_w, 0), (width - panel_w, height)
        else:
            usual = round(height * 0.55)
            panel_h = max(usual, min(height - round(width / shape), round(height * 0.7)))
            panel_wh, place, room = (width, panel_h), (0, height - panel_h), (width, height - panel_h)
        layout = (width, height, None if report is None else report.image_bgr.shape)
        if self._canvas is None or layout != self._layout:
            self._canvas = np.full((height, width, 3), 14, np.uint8)
            self._layout = layout
        canvas = self._canvas
        if report is not None:
            self._picture(canvas[: room[1], : room[0]], report, still=still)
        panel = self.painter.panel(shown, *panel_wh, self.theme)
        canvas[place[1] : place[1] + panel_wh[1], place[0] : place[0] + panel_wh[0]] = panel
        return canvas

    def _picture(self, room: Image, report: FrameReport, *, still: bool) -> None:
        source = report.image_bgr
        zoom = min(room.shape[1] / source.shape[1], room.shape[0] / source.shape[0])
        wide, high = max(1, round(source.shape[1] * zoom)), max(1, round(source.shape[0] * zoom))
        left, top = (room.shape[1] - wide) // 2, (room.shape[0] - high) // 2
        part = room[top : top + high, left : left + wide]
        cv2.resize(source, (wide, high), dst=part, interpolation=cv2.INTER_LINEAR)
        if report.pose is not None:
            draw_cube(part, report.pose, zoom, report)
        if report.running_s is not None:
            self._timer(part, report.running_s, running=report.phase == "running" and not still)

    def _timer(self, part: Image, seconds: float, *, running: bool) -> None:
        """Large digits at the lower left, on a dark plate; each digit is painted once and kept."""
        size = max(16, part.shape[0] // 9)
        tiles = [self._digit(letter, size) for letter in f"{seconds:.1f} s"]
        wide, high = sum(tile.shape[1] for tile in tiles) + size, tiles[0].shape[0]
        if wide > part.shape[1] or high > part.shape[0]:
            return
        base = part[part.shape[0] - high :, :wide]
        cv2.addWeighted(base, 0.25, np.zeros_like(base), 0.75, 0, dst=base)
        x = size // 3
        for tile in tiles:
            spot = base[:, x : x + tile.shape[1]]
            np.maximum(spot, tile, out=spot)
            x += tile.shape[1]
        if running:
            middle = (wide - size // 3, high // 2)
            cv2.circle(
                part, (middle[0], part.shape[0] - high // 2), size // 9, (92, 196, 255), -1, cv2.LINE_AA
            )

    def _digit(self, letter: str, size: int) -> Image:
        key = (letter, size)
        if key not in self._digits:
            if len(self._digits) > 200:
                self._digits.clear()
            how = Lettering(size, BOLD, (255, 255, 255))
            wide = max(how.width("0") if letter.isdigit() else how.width(letter), size // 4)
            tile = np.zeros((round(size * 1.35), wide, 3), np.uint8)
            how.put(tile, letter, max(0, (wide - how.width(letter)) // 2), round(size * 1.03))
            self._digits[key] = tile
        return self._digits[key]


def draw_cube(picture: Image, pose: CubePose, zoom: float, report: FrameReport) -> None:
    """The found lattice on the picture: all seams, the top face's outline heavier, a bar on its front edge.

    A settled cube has a thick bar, one in question a thin one, a turning one its outer edges alone: the look
    tells without colour.
    """
    n = pose.size
    stroke = max(1, round(min(picture.shape[:2]) / 480))
    steps = np.arange(n + 1) / n
    for face in reversed(pose.visible_faces(0.1)):
        index = FACES.index(face)
        cols, rows = np.meshgrid(steps, steps)
        grid = pose.project(face_points(index, cols, rows).reshape(-1, 3)).reshape(n + 1, n + 1, 2)
        nodes = np.round((grid * zoom - 0.5) * (1 << _SHIFT)).astype(np.int32)
        across = np.ascontiguousarray(nodes.transpose(1, 0, 2))
        inner = [] if report.turning else [*nodes[1:-1], *across[1:-1]]
        if inner:
            cv2.polylines(picture, inner, False, _CASING, stroke + 1, cv2.LINE_8, _SHIFT)
            cv2.polylines(picture, inner, False, _LINE, stroke, cv2.LINE_AA, _SHIFT)
        outline = np.concatenate([nodes[0], nodes[1:, -1], nodes[-1, -2::-1], nodes[-2::-1, 0]])
        heavy = 2 * stroke + 1 if report.top == index and not report.turning else stroke
        cv2.polylines(picture, [outline], True, _CASING, heavy + 2 * stroke, cv2.LINE_8, _SHIFT)
        colour = _SURE if report.settled and report.top == index else _LINE
        cv2.polylines(picture, [outline], True, colour, heavy, cv2.LINE_AA, _SHIFT)
    if report.top is not None and not report.turning:
        quad = labelled(pose, report.top, report.front).face_quad_xy("U") * zoom - 0.5
        right, left = quad[2], quad[3]
        ends = [left + (right - left) * share for share in (0.3, 0.7)]
        bar = np.round(np.array(ends) * (1 << _SHIFT)).astype(np.int32)
        thick = 5 * stroke if report.settled else 2 * stroke
        cv2.polylines(picture, [bar], False, _CASING, thick + 4 * stroke, cv2.LINE_AA, _SHIFT)
        cv2.polylines(picture, [bar], False, _LINE, thick, cv2.LINE_AA, _SHIFT)


class Window:
    """OpenCV's window. Open it where :func:`window_problem` knows of none; use it in a ``with`` block.

    ``any_shape``: pictures are composed for ``wh`` and fill the window; else they keep their shape in it.
    """

    def __init__(self, *, any_shape: bool = False) -> None:
        os.environ.update(window_environment())
        shape = cv2.WINDOW_FREERATIO if any_shape else cv2.WINDOW_KEEPRATIO
        cv2.namedWindow(TITLE, cv2.WINDOW_NORMAL | cv2.WINDOW_GUI_NORMAL | shape)
        cv2.resizeWindow(TITLE, *OPENING_WH)
        self._shown = False
        self.latencies_s: deque[float] = deque(maxlen=20_000)

    def __enter__(self) -> Window:
        return self

    def __exit__(self, *_: object) -> None:
        cv2.destroyAllWindows()
        cv2.pollKey()

    @property
    def wh(self) -> tuple[int, int]:
        """Width and height of the picture area in pixels."""
        if not self._shown:
            return OPENING_WH
        _, _, width, height = cv2.getWindowImageRect(TITLE)
        return (width, height) if width > 0 and height > 0 else OPENING_WH

    def show(self, canvas: Image, arrived_s: float | None = None) -> str:
        """Put a picture up; returns the key pressed since ("" for none, "closed" when the window is gone)."""
        cv2.imshow(TITLE, canvas)
        self._shown = True
        key = cv2.pollKey()
        if not is_open(TITLE):
            return "closed"
        if arrived_s is not None:
            self.latencies_s.append(time.monotonic() - arrived_s)
        typed = character(key)
        return "escape" if typed == "\x1b" else typed
