"""Asking about a picture in a window: the photo with what was read, the candidates, the stickers as a net.

:func:`compose` draws, :class:`Desk` turns keys into verdicts; neither needs a display. Only
:class:`WindowPrompt` opens a window; ask :func:`vision.display.display_problem` before.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.cases import CASES
from models.errors import LastlookError
from vision.diagram import Ink, case_image
from vision.display import is_open, small_letter
from vision.lettering import BOLD, Lettering, letter_on
from vision.naming import NOT_SEEN
from vision.panel import INK, PAPER, QUIET, RULE, STICKER_RGB, diagram_lit
from vision.review_entry import Entry, Place, Seen, Verdict, sticker_in_words
from vision.wording import percent

Image = NDArray[np.uint8]
PHOTO_WH: Final = (760, 500)
WIDTH, HEIGHT = 1240, 800
_NEGATIVE_KEYS: Final = {ord("n"): "no_cube", ord("h"): "occluded_top", ord("l"): "not_last_layer"}
# waitKeyEx codes of the arrow keys: Qt and GTK under X11, Win32, macOS
_LEFT, _UP, _RIGHT, _DOWN = (
    frozenset({65361, 0x250000, 63234}),
    frozenset({65362, 0x260000, 63232}),
    frozenset({65363, 0x270000, 63235}),
    frozenset({65364, 0x280000, 63233}),
)
_ENTER, _BACK, _ESCAPE, _SPACE = (10, 13), (8, 127, 65288), 27, 32


@dataclass
class Desk:
    """One picture on the desk: what is seen of it, and where the cursor stands while stickers are set.

    ``cursor`` is (face, row, column) or None while a case is being chosen.
    """

    entry: Entry
    size: int = 0
    seen: Seen = field(default_factory=dict)
    cursor: Place | None = None

    def __post_init__(self) -> None:
        self.size = self.entry.size or 4
        read = self.entry.seen if self.entry.size else {}
        n = self.size
        self.seen = {face: [[None] * n for _ in range(n if face == "U" else 1)] for face in "UFRBL"}
        self.seen.update(read)

    def press(self, key: int) -> Verdict | None:
        """Take one key (a code of ``waitKeyEx``); a verdict when it is the last word on this picture."""
        key = small_letter(key)
        if self.cursor is not None:
            return self._set_sticker(key)
        if key == ord("q"):
            return Verdict("quit")
        if key == _SPACE:
            return Verdict("later")
        if key in _BACK:
            return Verdict("back")
        if key in _NEGATIVE_KEYS:
            return Verdict("negative", negative=_NEGATIVE_KEYS[key])
        if key == ord("s"):
            self.cursor = ("U", 0, 0)
        elif ord("1") <= key <= ord("9") and key - ord("1") < len(self.entry.codes):
            return Verdict("code", code=self.entry.codes[key - ord("1")])
        return None

    def _set_sticker(self, key: int) -> Verdict | None:
        assert self.cursor is not None
        face, row, col = self.cursor
        if key == _ESCAPE:
            self.__post_init__()
            self.cursor = None
        elif key in _ENTER:
            seen: Seen = {f: rows for f, rows in self.seen.items() if any(map(any, rows))}
            return Verdict("stickers", seen={"U": self.seen["U"], **seen}, size=self.size)
        elif not self.entry.size and ord("2") <= key <= ord("7"):
            self.size = key - ord("0")
            n = self.size
            self.seen = {f: [[None] * n for _ in range(n if f == "U" else 1)] for f in "UFRBL"}
            self.cursor = ("U", 0, 0)
        elif 0 <= key < 128 and chr(key) in (*self.entry.naming.keys, *NOT_SEEN):
            self.seen[face][row][col] = self.entry.naming.keys.get(chr(key))
            self._step(1)
        elif key in _RIGHT or key == 9:
            self._step(1)
        elif key in _LEFT:
            self._step(-1)
        elif key in _DOWN:
            self._step(self.size)
        elif key in _UP:
            self._step(-self.size)
        return None

    def _step(self, by: int) -> None:
        assert self.cursor is not None
        places = [
            (face, row, col)
            for face in "UFRBL"
            for row in range(len(self.seen[face]))
            for col in range(self.size)
        ]
        self.cursor = places[(places.index(self.cursor) + by) % len(places)]


def compose(photo: Image, desk: Desk, place: tuple[int, int], message: str = "") -> Image:
    """The whole window, uint8 (800, 1240, 3), blue green red."""
    canvas = np.full((HEIGHT, WIDTH, 3), PAPER[::-1], np.uint8)
    plain, quiet = Lettering(18, colour=INK), Lettering(18, colour=QUIET)
    head = Lettering(20, BOLD, INK)
    name = Path(str(desk.entry.answer["image"])).name
    count = f"{place[0]} of {place[1]}   "
    head.put(canvas, count + head.shortened(name, WIDTH - 40 - head.width(count)), 20, 34)
    _place_photo(canvas, photo)
    _net(canvas, desk, 20, 566)
    _candidates(canvas, desk, 800)
    keys = (
        f"Arrows move · {desk.entry.naming.keys_in_words} set a colour · x not seen · Enter done · Esc back"
        if desk.cursor is not None
        else "1-9 choose · s stickers · n no cube · h top hidden · l not last layer · space later"
        " · Backspace back · q quit"
    )
    if desk.cursor is not None and not desk.entry.size:
        keys += " · 2-7 layers"
    for i, line in enumerate(quiet.wrapped(keys, 480)):
        quiet.put(canvas, line, 290, 708 + i * 26)
    if message:
        warning = Lettering(17, BOLD, (168, 60, 0))
        for i, line in enumerate(warning.wrapped(message, 480)):
            warning.put(canvas, line, 290, 590 + i * 24)
    elif desk.cursor is not None:
        plain.put(canvas, sticker_in_words(desk.cursor), 290, 590)
    return canvas


def _place_photo(canvas: Image, photo: Image) -> None:
    import cv2

    scale = min(PHOTO_WH[0] / photo.shape[1], PHOTO_WH[1] / photo.shape[0])
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(photo, None, fx=scale, fy=scale, interpolation=how), np.uint8)
    rows, cols = small.shape[:2]
    canvas[50 : 50 + rows, 20 : 20 + cols] = small


def _net(canvas: Image, desk: Desk, left: int, top: int) -> None:
    """U with the sides' top rows round it; the cursor as a thick frame."""
    import cv2

    n = desk.size
    cell = 206 // (n + 2)
    at: dict[tuple[str, int, int], tuple[int, int]] = {}
    for row in range(n):
        for col in range(n):
            at["U", row, col] = (col + 1, row + 1)
    for k in range(n):
        at["F", 0, k] = (k + 1, n + 1)
        at["R", 0, k] = (n + 1, n - k)
        at["B", 0, k] = (n - k, 0)
        at["L", 0, k] = (0, k + 1)
    gap = 5
    frame: tuple[tuple[int, int], tuple[int, int]] | None = None
    for (face, row, col), (x, y) in at.items():
        x0 = left + x * cell + gap * ((x > 0) + (x > n))
        y0 = top + y * cell + gap * ((y > 0) + (y > n))
        corner = (x0 + cell - 2, y0 + cell - 2)
        name = desk.seen[face][row][col]
        if name is None:
            cv2.rectangle(canvas, (x0, y0), corner, RULE[::-1], 1)
        else:
            look = desk.entry.naming.rgb.get(name) or STICKER_RGB[name]
            cv2.rectangle(canvas, (x0, y0), corner, look[::-1], -1)
            cv2.rectangle(canvas, (x0, y0), corner, QUIET[::-1], 1)
            letter = Lettering(max(9, cell - 9), BOLD, letter_on(look))
            letter.put_centred(
                canvas, desk.entry.naming.key_of[name].upper(), x0 + cell / 2 - 1, y0 + cell / 2 - 1
            )
        if desk.cursor == (face, row, col):
            frame = (x0 - 3, y0 - 3), (corner[0] + 3, corner[1] + 3)
    if frame is not None:
        cv2.rectangle(canvas, *frame, (0, 0, 0), 3)
        cv2.rectangle(canvas, *frame, (0, 200, 255), 1)


def _candidates(canvas: Image, desk: Desk, left: int) -> None:
    plain, quiet = Lettering(18, colour=INK), Lettering(17, colour=QUIET)
    answer = desk.entry.answer
    codes = desk.entry.codes[:9]
    reason = str(answer.get("reason") or "named").replace("-", " ")  # in the words of the keys
    title = "Which case is it?" if codes else f"No candidates ({reason})"
    ink = Ink(paper=PAPER, lit=diagram_lit(desk.entry.top, desk.entry.naming.rgb))
    Lettering(19, BOLD, INK).put(canvas, title, left, 76)
    chances = [float(one["probability"]) for one in answer.get("candidates", ())]
    side = 100 if len(codes) <= 6 else 68
    column_width = 215 if len(codes) > 4 else 430
    rows = -(-len(codes) // (2 if len(codes) > 4 else 1))
    for i, code in enumerate(codes):
        x = left + column_width * (i // rows)
        y = 96 + (i % rows) * (side + 62)
        if code in CASES:
            drawn = case_image(*desk.entry.lying(code), ink=ink, width_px=side)
            canvas[y : y + side, x : x + side] = drawn
        Lettering(26, BOLD, INK).put(canvas, str(i + 1), x + side + 14, y + side // 2)
        quiet.put(canvas, percent(chances[i]), x + side + 14, y + side // 2 + 24)
        plain.put(canvas, code, x + 2, y + side + 20)


class WindowPrompt:
    """Asks in an OpenCV window."""

    title: Final = "lastlook review"

    def __init__(self) -> None:
        # the window library's own remarks do not belong on a user's screen
        os.environ.setdefault("QT_LOGGING_RULES", "*=false")
        import cv2

        cv2.namedWindow(self.title, cv2.WINDOW_NORMAL | cv2.WINDOW_KEEPRATIO | cv2.WINDOW_GUI_NORMAL)
        cv2.resizeWindow(self.title, WIDTH, HEIGHT)
        self._desk: Desk | None = None

    def ask(
        self, entry: Entry, place: tuple[int, int], message: str, sticker: Place | None = None
    ) -> Verdict:
        """Show the picture until a key settles it; closing the window quits.

        Asked again about the same picture, what was set stays set, with the cursor on ``sticker``.
        """
        import cv2

        desk = self._desk
        if desk is None or desk.entry is not entry or not message:
            self._desk = desk = Desk(entry)
        if sticker is not None:
            desk.cursor = sticker
        photo = drawn_photo(entry)
        while True:
            cv2.imshow(self.title, compose(photo, desk, place, message))
            key = cv2.waitKeyEx(100)
            if not is_open(self.title):
                return Verdict("quit")
            if key == -1:
                continue
            message = ""
            verdict = desk.press(key)
            if verdict is not None:
                return verdict

    def close(self) -> None:
        """Close the window."""
        import cv2

        cv2.destroyAllWindows()


def drawn_photo(entry: Entry) -> Image:
    """The photo with the grid on it where one was found; a grey field where the picture cannot be read."""
    from vision.answer_json import answer_from_json
    from vision.overlay import overlaid
    from vision.sources import load_photo

    try:
        photo = load_photo(str(entry.picture), min_long_side=1200)
    except LastlookError:
        return np.full((PHOTO_WH[1], PHOTO_WH[0], 3), 128, np.uint8)
    try:
        answer = answer_from_json(dict(entry.answer)).scaled(1 / photo.reduction)
        answer = replace(answer, palette=entry.naming.rgb)
    except (KeyError, TypeError, ValueError):
        return photo.image_bgr
    part, left, top = photo.image_bgr, 0, 0
    if answer.top is not None:
        quad = np.array(answer.top.quad_xy)
        centre, reach = quad.mean(axis=0), 1.4 * float(max(quad.max(axis=0) - quad.min(axis=0)))
        half = np.array([reach * PHOTO_WH[0] / PHOTO_WH[1], reach])
        low, high = np.maximum(centre - half, 0).astype(int), (centre + half).astype(int)
        cut = part[low[1] : high[1], low[0] : high[0]]
        if min(cut.shape[:2]) >= 32:
            part, left, top = np.ascontiguousarray(cut), int(low[0]), int(low[1])
    # drawn at the size at which it is shown: badges keep their letters
    zoom = max(1.0, min(PHOTO_WH[0] / part.shape[1], PHOTO_WH[1] / part.shape[0]))
    return overlaid(part, answer.cropped(left, top), zoom=zoom)
