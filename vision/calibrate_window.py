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
from vision.calibrate import PickedFace
from vision.display import character, display_problem, is_open, small_letter
from vision.lettering import BOLD, Lettering
from vision.panel import INK, PAPER, QUIET, STICKER_RGB

Image = NDArray[np.uint8]
TITLE: Final = "lastlook calibrate"
LONG_SIDE_PX: Final = 1100


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


def compose(image: Image, picking: Picking, scale: float) -> Image:
    """The picture with corners and faces on it, the keys below."""
    import cv2

    shown = np.asarray(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    for face in picking.faces:
        points = np.round(face.corners_xy * scale).astype(np.int32)
        cv2.polylines(shown, [points], True, (20, 20, 20), 5, cv2.LINE_AA)
        cv2.polylines(shown, [points], True, (255, 255, 255), 2, cv2.LINE_AA)
        centre = points.mean(axis=0)
        Lettering(18, BOLD, (255, 255, 255)).put_centred(
            shown, face.colour[:12], centre[0] + 1, centre[1] + 1
        )
        Lettering(18, BOLD, INK).put_centred(shown, face.colour[:12], centre[0], centre[1])
    for x, y in picking.corners:
        at = (round(x * scale), round(y * scale))
        cv2.circle(shown, at, 7, (20, 20, 20), -1, cv2.LINE_AA)
        cv2.circle(shown, at, 5, (255, 255, 255), -1, cv2.LINE_AA)
    strip = np.full((96, shown.shape[1], 3), PAPER[::-1], np.uint8)
    plain, quiet = Lettering(16, colour=INK), Lettering(15, colour=QUIET)
    told = picking.message or (
        f"corner {len(picking.corners) + 1} of 4: click round the face"
        if len(picking.corners) < 4
        else "which colour is it? press its number"
    )
    Lettering(18, BOLD, INK).put(strip, told, 14, 28)
    x = 14
    for k, name in enumerate(picking.names):
        cv2.rectangle(strip, (x, 44), (x + 20, 64), list(STICKER_RGB.values())[k][::-1], -1)
        cv2.rectangle(strip, (x, 44), (x + 20, 64), QUIET[::-1], 1)
        text = f"{k + 1} {name[:10]}"
        plain.put(strip, text, x + 26, 60)
        x += 44 + plain.width(text)
    quiet.put(strip, "u takes back · Enter finishes · Esc leaves", 14, 86)
    return np.concatenate([shown, strip])


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
    scale = min(1.0, LONG_SIDE_PX / max(image.shape[:2]))

    def on_mouse(event: int, x: int, y: int, *_: Any) -> None:
        if event == cv2.EVENT_LBUTTONDOWN and y < image.shape[0] * scale:
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
