"""From faces pointed out by hand in a picture to a profile: the road of ``calibrate --pick``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.collect import Collected, untaught
from calibration.colour import SRGB8_TO_LINEAR, log_light
from calibration.kept import picture_name
from calibration.labelling import LabelledShot, Shot, fit, label_shot, samples_of, teaching
from calibration.profile import COLOURS, default_profile
from calibration.samples import CLIPPED_FROM, StickerSamples
from models.errors import UsageError

Image = NDArray[np.uint8]
OUTSIDE: Final = 0.01
"""Share of the picture's longer side by which a corner may be pointed out beside the picture."""
ANOTHER_COLOUR: Final = 0.6
"""Log units from a face's median colour at which a sticker is of another colour."""


@dataclass(frozen=True, eq=False)
class PickedFace:
    """A face pointed out by hand: its colour's name and corners (4, 2) in pixels, going round."""

    colour: str
    corners_xy: NDArray[np.float64]


def parse_face(text: str) -> PickedFace:
    """``"white 10,20 90,22 88,95 12,90"``: a colour and four corners. Raises UsageError."""
    match = re.fullmatch(r"\s*(\S.*?)\s+((?:-?[\d.]+,-?[\d.]+\s*){4})", text)
    if match is None:
        raise UsageError(f"{text!r}: give a colour and four corners, such as 'white 10,20 90,22 88,95 12,90'")
    try:
        corners = np.array([[float(v) for v in xy.split(",")] for xy in match[2].split()])
    except ValueError as error:
        raise UsageError(f"{text!r}: a corner is no pair of numbers") from error
    return PickedFace(match[1], corners)


def sample_face(image_bgr: Image, corners_xy: NDArray[np.float64], size: int) -> tuple[Any, Any, Any]:
    """Linear light (n, n, 3), its spread (n, n, 3) and the clipped share (n, n) of a face's stickers.

    The middle half of each sticker is looked at. Raises UsageError for corners that span no face, and for one
    that lies more than a hundredth of the picture's longer side outside it.
    """
    import cv2

    quad = np.asarray(corners_xy, np.float64)
    height, width = image_bgr.shape[:2]
    margin = OUTSIDE * max(height, width)
    for x, y in quad:
        if not (-margin <= x <= width + margin and -margin <= y <= height + margin):
            raise UsageError(
                f"the corner {x:g},{y:g} lies outside the picture of {width} x {height} pixels"
                "; give one inside it"
            )
    along = np.roll(quad, -1, axis=0) - quad
    after = np.roll(along, -1, axis=0)
    crossing = along[:, 0] * after[:, 1] - along[:, 1] * after[:, 0]
    if not ((crossing > 4).all() or (crossing < -4).all()):
        raise UsageError("the four corners do not go round a face; click them one after the other round it")
    side = 24 * size
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    matrix = cv2.getPerspectiveTransform(quad.astype(np.float32), square)
    flat = cv2.warpPerspective(image_bgr, matrix, (side, side), flags=cv2.INTER_LINEAR)
    cells = np.asarray(flat)[..., ::-1].reshape(size, 24, size, 24, 3).transpose(0, 2, 1, 3, 4)
    pixels = cells[:, :, 6:18, 6:18].reshape(size, size, -1, 3)
    linear = SRGB8_TO_LINEAR[pixels]
    middle = np.median(linear, axis=2)
    spread = np.median(np.abs(linear - middle[:, :, None]), axis=2) * 1.4826
    return middle, spread, (pixels.max(axis=-1) >= CLIPPED_FROM).mean(axis=2)


def _like_the_rest(linear: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which stickers (n, n) of a face have its usual colour; others are last-layer pieces, or glare."""
    features = log_light(linear, default_profile().model.floor)
    off = np.abs(features - np.median(features.reshape(-1, 3), axis=0)).max(axis=-1)
    return np.asarray(off < ANOTHER_COLOUR)


def profile_from_faces(
    name: str,
    picture: str,
    faces: Sequence[PickedFace],
    size: int,
    *,
    colours: Sequence[str] | None = None,
) -> Collected:
    """The road by hand: whole faces of one colour each, pointed out in one picture.

    ``colours`` are the six names; a face's colour is one of them. Raises UsageError for other names, a
    colour given twice or no face.
    """
    from vision.sources import load_photo

    names = tuple(colours or COLOURS)
    base = default_profile()
    if not faces:
        raise UsageError("no face was pointed out")
    if len({one.colour for one in faces}) < len(faces):
        raise UsageError("a colour was given to two faces; every face of a solved cube has its own")
    image = load_photo(picture).image_bgr
    samples = StickerSamples.empty(size)
    labels = np.full((6, size, size), -1, np.intp)
    for one in faces:
        if one.colour not in names:
            raise UsageError(f"{one.colour!r} is none of the cube's colours: {', '.join(names)}")
        k = names.index(one.colour)
        face = base.scheme.index(k)
        linear, spread, clipped = sample_face(image, one.corners_xy, size)
        samples.linear_rgb[face], samples.spread_rgb[face] = linear, spread
        samples.coverage[face], samples.clipped[face] = 1.0, clipped
        labels[face] = np.where(_like_the_rest(linear), k, -1)
    shot = Shot(picture_name(Path(picture).name[-60:]), samples)
    reading = label_shot(shot, base).reading
    kept = LabelledShot(shot, labels, reading)
    if not teaching(samples, labels).any():
        raise UsageError(f"{picture}: the faces are burnt out by light; take a darker picture")
    profile = replace(
        base,
        name=name,
        note="",
        held_out={},
        sizes=(size,),
        colours=names,
        model=fit([kept], base.model),
        samples=tuple(samples_of(kept, base.model)),
    )
    return Collected(profile, (kept,), (), tuple([*_left_out(kept, faces, names), *untaught([kept], names)]))


def _left_out(kept: LabelledShot, faces: Sequence[PickedFace], names: Sequence[str]) -> list[str]:
    """How many stickers of which faces teach nothing, and why, in a line for each reason."""
    taught = teaching(kept.shot.samples, kept.labels)
    every = kept.size**2
    odd, burnt = list[str](), list[str]()
    for one in faces:
        face = default_profile().scheme.index(names.index(one.colour))
        alike = int((kept.labels[face] >= 0).sum())
        bright = alike - int(taught[face].sum())
        odd += [f"{one.colour} {every - alike} of {every}"] if alike < every else []
        burnt += [f"{one.colour} {bright} of {every}"] if bright else []
    out = (
        [f"stickers left out, unlike the rest of their face (other pieces, glare): {', '.join(odd)}"]
        if odd
        else []
    )
    return out + ([f"stickers left out, burnt out by light: {', '.join(burnt)}"] if burnt else [])
