"""Point out faces by hand: click the four corners of a face, then press the key of its colour."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.profile import COLOURS
from models.errors import LastlookError
from vision.display import character, display_problem, is_open, small_letter
from vision.lettering import BOLD, Lettering
from vision.panel import INK, PAPER, QUIET, STICKER_RGB
from vision.picked_faces import PickedFace

Image = NDArray[np.uint8]
TITLE: Final = "lastlook calibrate"
ROOM_WH: Final = (1100, 760)
"""The picture's room: with the keys below it the window fits a screen of 1280 x 960 pixels."""
LEAST_WIDTH: Final = 480
_ROW_PX: Final = 30
_PLATE_WIDTH: Final = 160  # of a colour's name, in pixels
_HEADS: Final = tuple(Lettering(size, BOLD, INK) for size in (20, 17, 14))


@dataclass
class Picking:
    """Corners clicked so far (pixels of the picture) and the faces that are done."""

    names: Sequence[str]
    corners: list[tuple[float, float]] = field(default_factory=list)
    faces: list[PickedFace] = field(default_factory=list)
    message: str = ""

    def click(self, x: float, y: float) -> None:
        """Take a corner; a fifth one starts over."""
        self.message = ""
        if len(self.corners) == 4:
            self.corners = []
        self.corners.append((x, y))

    def key(self, key: int) -> bool:
        """Take a key; True when the person is done."""
        key = small_letter(key)
        if key in (10, 13):
            if self.faces:
                return True
            self.message = "point out a face first"
        elif key in (8, 127, ord("u")):
            if self.corners:
                self.corners.pop()
            elif self.faces:
                self.faces.pop()
        elif ord("1") <= key <= ord("6"):
            name = self.names[key - ord("1")]
            if len(self.corners) < 4:
                self.message = "click all four corners first"
            elif any(face.colour == name for face in self.faces):
                self.message = f"{name} was pointed out already"
            else:
                self.faces.append(PickedFace(name, np.array(self.corners)))
                self.corners = []
        return False


def zoom_of(image: Image) -> float:
    """Screen pixels a pixel of the picture: so that all of it has room, small ones up to twice as large."""
    height, width = image.shape[:2]
    return float(min(2.0, ROOM_WH[0] / width, ROOM_WH[1] / height))


def compose(image: Image, picking: Picking, scale: float) -> Image:
    """The picture in the upper left corner with corners and faces on it, the keys below."""
    import cv2

    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    photo = np.asarray(cv2.resize(image, None, fx=scale, fy=scale, interpolation=how), np.uint8)
    shown = np.full((photo.shape[0], max(photo.shape[1], LEAST_WIDTH), 3), PAPER[::-1], np.uint8)
    shown[:, : photo.shape[1]] = photo
    for face in picking.faces:
        points = np.round(face.corners_xy * scale).astype(np.int32)
        cv2.polylines(shown, [points], True, (20, 20, 20), 5, cv2.LINE_AA)
        cv2.polylines(shown, [points], True, (255, 255, 255), 2, cv2.LINE_AA)
        _plate(shown, face.colour, *points.mean(axis=0))
    for x, y in picking.corners:
        at = (round(x * scale), round(y * scale))
        cv2.circle(shown, at, 7, (20, 20, 20), -1, cv2.LINE_AA)
        cv2.circle(shown, at, 5, (255, 255, 255), -1, cv2.LINE_AA)
    return np.concatenate([shown, _keys(picking, shown.shape[1])])


def _plate(shown: Image, name: str, x: float, y: float) -> None:
    """A name that can be read on any picture."""
    import cv2

    how = Lettering(18, BOLD, INK)
    name = how.shortened(name, _PLATE_WIDTH)
    reach = how.width(name) / 2 + 6
    low, high = (round(x - reach), round(y - 13)), (round(x + reach), round(y + 13))
    cv2.rectangle(shown, low, high, PAPER[::-1], -1)
    how.put_centred(shown, name, x, y)


def _keys(picking: Picking, width: int) -> Image:
    """What to do next, and the keys, in as many rows as they need."""
    import cv2

    plain, quiet = Lettering(18, colour=INK), Lettering(17, colour=QUIET)
    told = picking.message or (
        f"corner {len(picking.corners) + 1} of 4: click round the face"
        if len(picking.corners) < 4
        else "which colour is it? press its number"
    )
    rows, x = 0, 14
    places: list[tuple[str, int, int]] = []
    for k, name in enumerate(picking.names):
        text = f"{k + 1} {plain.shortened(name, _PLATE_WIDTH)}"
        wide = 26 + plain.width(text)
        if x > 14 and x + wide > width - 14:
            rows, x = rows + 1, 14
        places.append((text, x, rows))
        x += wide + 18
    strip = np.full((40 + _ROW_PX * (rows + 2), width, 3), PAPER[::-1], np.uint8)
    head = next((how for how in _HEADS if how.width(told) <= width - 28), _HEADS[-1])
    head.put(strip, head.shortened(told, width - 28), 14, 30)
    looks = list(STICKER_RGB.values())
    for (text, left, row), look in zip(places, looks, strict=True):
        top = 44 + _ROW_PX * row
        cv2.rectangle(strip, (left, top), (left + 20, top + 20), look[::-1], -1)
        cv2.rectangle(strip, (left, top), (left + 20, top + 20), QUIET[::-1], 1)
        plain.put(strip, text, left + 26, top + 17)
    quiet.put(strip, "u takes back · Enter finishes · Esc leaves", 14, 40 + _ROW_PX * (rows + 1) + 20)
    return strip


def pick_faces(picture: str, names: Sequence[str] | None) -> list[PickedFace]:
    """Let the person point out faces in a window. Raises LastlookError without a display or when left."""
    import cv2

    from vision.sources import load_photo

    image = load_photo(picture).image_bgr
    problem = display_problem()
    if problem is not None:
        raise LastlookError(
            f"no window can be opened: {problem}; give each face with --face 'white 10,20 90,22 88,95 12,90'"
        )
    picking = Picking(tuple(names or COLOURS))
    scale = zoom_of(image)

    def on_mouse(event: int, x: int, y: int, *_: Any) -> None:
        inside = x < image.shape[1] * scale and y < image.shape[0] * scale
        if event == cv2.EVENT_LBUTTONDOWN and inside:
            picking.click(x / scale, y / scale)

    os.environ.setdefault("QT_LOGGING_RULES", "*=false")
    cv2.namedWindow(TITLE, cv2.WINDOW_AUTOSIZE | cv2.WINDOW_GUI_NORMAL)
    cv2.setMouseCallback(TITLE, on_mouse)
    try:
        while True:
            cv2.imshow(TITLE, compose(image, picking, scale))
            typed = character(cv2.waitKeyEx(30))
            if typed == "\x1b" or not is_open(TITLE):
                raise LastlookError("calibration was left; nothing was kept")
            if typed and picking.key(ord(typed)):
                return picking.faces
    finally:
        cv2.destroyAllWindows()
