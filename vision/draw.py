"""The answer as a picture: the photo with what was read on it, an inset, and the panel."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.answer import Answer
from vision.lettering import DARK, LIGHT
from vision.overlay import face_grids, letter_px, overlaid_with_splits
from vision.panel import panel_image, stacked

SMALLEST_LONG_SIDE: Final = 960
ENLARGED_LONG_SIDE: Final = 1920
"""Pixels up to which a picture is drawn larger for the letters on a small cube."""
HIGHEST_CARD: Final = 1.25
"""Heights of the photo that the card beside it may have, before its text is set smaller."""
_LEAST_UNIT: Final = 15
"""Pixels of the card's plain text at least, and of letters on a cube that is drawn larger for them."""
_SMALL_LETTER: Final = 13
"""Pixels; a cube with smaller letters is drawn larger."""
_CARD_UNITS: Final = 27
"""Width of the card in units."""
_INSET_SHARES: Final = (0.45, 0.6)
"""Of the photo's shorter side, what a small cube drawn larger takes; the second where letters are small."""


def annotated(image_bgr: NDArray[np.uint8], answer: Answer) -> NDArray[np.uint8]:
    """Photo, overlay and panel as one picture: uint8 (height, width, 3) in blue, green, red.

    ``image_bgr`` is the upright picture that ``answer`` was read from; it is left as it is. It is drawn
    :func:`zoom_of` times larger.
    """
    zoom = zoom_of(image_bgr, answer)
    photo, has_splits = _marked_up(image_bgr, answer, zoom)
    rows, cols = photo.shape[:2]
    unit = max(_LEAST_UNIT, round(max(rows, cols) / 62))
    if cols < rows:
        unit = max(_LEAST_UNIT, min(max(unit, round(cols / 40)), cols // _CARD_UNITS))
        return stacked(photo, [panel_image(answer, cols, unit, has_splits=has_splits)], beside=False)

    def card(unit: int) -> NDArray[np.uint8]:
        return panel_image(answer, _CARD_UNITS * unit, unit, min_height=rows, has_splits=has_splits)

    panel = card(unit)
    if panel.shape[0] > HIGHEST_CARD * rows and unit > _LEAST_UNIT:
        panel = card(max(_LEAST_UNIT, int(unit * HIGHEST_CARD * rows / panel.shape[0])))
    return stacked(photo, [panel], beside=True)


def zoom_of(image_bgr: NDArray[np.uint8], answer: Answer) -> float:
    """How many times larger a picture is drawn: to 960 pixels of its longer side at least, so that text stays
    readable, and to 1920 at most where the letters on its cube would be small."""
    longer: int = max(image_bgr.shape[:2])
    zoom = max(1.0, SMALLEST_LONG_SIDE / longer)
    own_px = letter_px(answer)
    if own_px * zoom >= _SMALL_LETTER:
        return zoom
    return max(zoom, min(_LEAST_UNIT / max(own_px, 1.0), ENLARGED_LONG_SIDE / longer))


def marked_up(image_bgr: NDArray[np.uint8], answer: Answer, zoom: float) -> NDArray[np.uint8]:
    """The photo, ``zoom`` times larger, with the overlay, a small cube shown larger in a corner."""
    return _marked_up(image_bgr, answer, zoom)[0]


def _marked_up(image_bgr: NDArray[np.uint8], answer: Answer, zoom: float) -> tuple[NDArray[np.uint8], bool]:
    """:func:`marked_up`, and whether a split badge is on it."""
    photo, has_splits = overlaid_with_splits(image_bgr, answer, zoom)
    return photo, _inset(photo, image_bgr, answer, zoom) or has_splits


def _inset(photo: NDArray[np.uint8], image_bgr: NDArray[np.uint8], answer: Answer, zoom: float) -> bool:
    """A cube that is small in its picture, drawn larger in the corner farthest from it.

    Returns whether a split badge is on that.
    """
    import cv2

    grids = face_grids(answer)
    if not grids:
        return False
    points = np.concatenate([grid.reshape(-1, 2) for grid in grids.values()])
    lowest, highest = points.min(axis=0), points.max(axis=0)
    rows, cols = photo.shape[:2]
    reach = float((highest - lowest).max())
    shares = _INSET_SHARES if letter_px(answer) * zoom < _SMALL_LETTER else _INSET_SHARES[:1]
    sides = (round(share * min(rows, cols)) for share in shares)
    side = next((side for side in sides if reach * zoom * 1.5 <= side), None)
    if side is None or reach < 8:
        return False
    middle, half = (lowest + highest) / 2, 0.58 * reach
    left, upper = np.maximum(np.floor(middle - half), 0).astype(int)
    right, lower = np.ceil(middle + half).astype(int) + 1
    piece = np.ascontiguousarray(image_bgr[upper:lower, left:right])
    shown = answer.cropped(int(left), int(upper))
    larger, has_splits = overlaid_with_splits(piece, shown, side / max(piece.shape[:2]))
    high, wide = larger.shape[:2]
    edge = max(2, round(max(rows, cols) / 400))
    x = edge if middle[0] * zoom > cols / 2 else cols - wide - edge
    y = edge if middle[1] * zoom > rows / 2 else rows - high - edge
    box = np.array([x, y, x + wide, y + high])
    if (box[:2] < highest * zoom).all() and (box[2:] > lowest * zoom).all():
        return False  # it would hide the cube itself
    photo[y : y + high, x : x + wide] = larger
    cv2.rectangle(photo, (x - 1, y - 1), (x + wide, y + high), DARK[::-1], 2 * edge)
    cv2.rectangle(photo, (x - 1, y - 1), (x + wide, y + high), LIGHT[::-1], edge)
    return has_splits


def encoded(image_bgr: NDArray[np.uint8], suffix: str) -> bytes:
    """The picture as a file's bytes; ``suffix`` (".png", ".jpg", ".webp") says of which kind."""
    import cv2

    quality = [cv2.IMWRITE_JPEG_QUALITY, 92] if suffix.lower() in (".jpg", ".jpeg") else []
    done, packed = cv2.imencode(suffix.lower(), image_bgr, quality)
    if not done:
        raise ValueError(f"cannot write a picture as {suffix}")
    return packed.tobytes()
