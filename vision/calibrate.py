"""From pictures on disk, or faces pointed out by hand, to a profile: the roads that ``calibrate`` offers."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.collect import Collected, collect
from calibration.colour import SRGB8_TO_LINEAR, log_light
from calibration.compare import predict
from calibration.kept import picture_name
from calibration.labelling import LabelledShot, Shot, fit, label_shot, labelled_picture, samples_of
from calibration.profile import COLOURS, default_profile
from calibration.samples import CLIPPED_FROM, StickerSamples
from models.errors import LastlookError, UsageError

if TYPE_CHECKING:
    from vision.one_cube import Read

Image = NDArray[np.uint8]
LONG_SIDE_PX: Final = 2000
OUTSIDE: Final = 0.01
"""Share of the picture's longer side by which a corner may be pointed out beside the picture."""
SMALL: Final = 32
"""Squares along each side of the grey copies by which a picture and its mirror image are found."""
ALIKE: Final = 0.99
"""Correlation of such copies from which on two pictures are one, saved once more perhaps."""
ANOTHER_COLOUR: Final = 0.6
"""Log units from a face's median colour at which a sticker is of another colour."""


def shots_of(
    names: Sequence[str],
    *,
    colours: Sequence[str] = COLOURS,
    read: Callable[..., Read] | None = None,
    on_picture: Callable[[str], None] = lambda name: None,
) -> tuple[list[Shot], list[tuple[str, str]]]:
    """Find the cube in each picture and sample it; pictures without one are returned with the reason.

    A truth file beside a picture says what its stickers are, in the names of ``colours``. ``read`` stands in
    for ``vision.pipeline.read_whole``; ``on_picture`` is told which picture is next.
    """
    from vision.pipeline import read_whole
    from vision.sources import load_photo
    from vision.told import told_labels, told_size

    read = read or read_whole
    shots: list[Shot] = []
    left_out: list[tuple[str, str]] = []
    seen: list[tuple[str, Read]] = []
    small: dict[str, NDArray[np.float32]] = {}
    for number, name in enumerate(names, 1):
        on_picture(f"{name}, picture {number} of {len(names)}")
        try:
            photo = load_photo(name, min_long_side=LONG_SIDE_PX)
        except LastlookError as error:
            left_out.append((name, str(error).removeprefix(f"{name}: ")))
        else:
            seen.append((name, read(photo.image_bgr, image=name)))
            small[name] = _small(photo.image_bgr)
    common = _common_size([whole for _, whole in seen])
    taken: dict[str, str] = {}
    for name, first in seen:
        whole = _of_size(first, name, told_size(Path(name), colours) or common, read)
        samples = whole.samples
        if samples is None or not (samples.coverage > 0.5).any():
            left_out.append((name, "no cube was found; show it larger, or use --pick"))
            continue
        try:
            told = told_labels(Path(name), whole, colours)
        except LastlookError as error:
            left_out.append((name, str(error)))
        else:
            short = _short(name, shots)
            twin = next((other for other, path in taken.items() if _mirrors(small[name], small[path])), "")
            taken[short] = name
            shots.append(Shot(short, samples, told=told, mirror_of=twin))
    return shots, left_out


def _small(image_bgr: Image) -> NDArray[np.float32]:
    """The picture as a few grey squares, mean 0 and length 1 together; all 0 where it is of one grey."""
    import cv2

    grey = cv2.resize(
        cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY), (SMALL, SMALL), interpolation=cv2.INTER_AREA
    )
    off = grey.astype(np.float32) - grey.mean()
    return np.asarray(off / max(float(np.linalg.norm(off)), 1.0))


def _mirrors(one: NDArray[np.float32], other: NDArray[np.float32]) -> bool:
    """Whether a picture is another one's mirror image as a whole, and not as much the same."""
    over = float((one * other[:, ::-1]).sum())
    return over > ALIKE and over - float((one * other).sum()) > 1.0 - ALIKE


def _common_size(wholes: Sequence[Read]) -> int | None:
    """The one number of layers that a cube in every picture has, where the nearest cubes differ."""
    nearest = {whole.cube.pose.size for whole in wholes if whole.cube is not None}
    sizes = [{cube.pose.size for cube in whole.found.cubes} for whole in wholes if whole.found.cubes]
    common = set.intersection(*sizes) if len(nearest) > 1 else set()
    return common.pop() if len(common) == 1 else None


def _of_size(whole: Read, name: str, size: int | None, read: Callable[..., Read]) -> Read:
    """``whole``, or where the cube read has another size, the picture read by a cube of ``size`` in it: what
    stands nearest may be a chequered box."""
    from vision.sources import load_photo

    if size is None or whole.cube is None or whole.cube.pose.size == size:
        return whole
    found = replace(whole.found, cubes=tuple(one for one in whole.found.cubes if one.pose.size == size))
    if not found.cubes:
        return whole
    image_bgr = load_photo(name, min_long_side=LONG_SIDE_PX).image_bgr
    return read(image_bgr, image=name, find=lambda image, size=None: found)


def _short(name: str, known: Sequence[Shot]) -> str:
    """The file's name; the whole path where two files bear the same name."""
    short = picture_name(Path(name).name[-60:])
    return picture_name(name) if any(one.name == short for one in known) else short


def profile_from_photos(
    name: str,
    pictures: Sequence[str],
    *,
    colours: Sequence[str] | None = None,
    scheme: Sequence[int] | None = None,
    read: Callable[..., Read] | None = None,
    on_step: Callable[[str], None] = lambda words: None,
) -> Collected:
    """The photos road. Raises LastlookError when no profile comes of it."""
    shots, unread = shots_of(pictures, colours=colours or COLOURS, read=read, on_picture=on_step)
    if not shots:
        raise LastlookError(
            "; ".join(f"{one}: {reason}" for one, reason in unread[:3]) or "no pictures given"
        )
    made = collect(shots, name, colours=colours, scheme=scheme, on_step=on_step)
    on_step("reading each picture with what the others teach")
    return replace(with_held_out(made), left_out=(*unread, *made.left_out))


def with_held_out(made: Collected) -> Collected:
    """The profile with its own held-out score: each picture read with a model of the others."""
    if len(made.kept) < 2:
        return made
    base = default_profile().model
    shares = []
    for i, one in enumerate(made.kept):
        others = fit([other for j, other in enumerate(made.kept) if j != i], base)
        picture = labelled_picture(one.shot.samples, one.labels, base)
        shares.append(float((predict(others, picture) == picture.labels).mean()))
    scores = {"stickers right, picture left out": float(np.mean(shares)), "worst picture": min(shares)}
    return replace(made, profile=replace(made.profile, held_out=scores))


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
    shot = Shot(_short(picture, []), samples)
    reading = label_shot(shot, base).reading
    kept = LabelledShot(shot, labels, reading)
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
    missing = [names[k] for k in range(6) if k not in labels]
    warnings = (f"never seen: {', '.join(missing)}",) if missing else ()
    return Collected(profile, (kept,), (), warnings)


def colour_names(changes: str | None) -> tuple[str, ...] | None:
    """Six names out of ``"white=black, green=mint"``; None where nothing was said. Raises UsageError."""
    if not changes:
        return None
    names: dict[str, str] = {name: name for name in COLOURS}
    for change in changes.split(","):
        usual, _, own = (part.strip() for part in change.partition("="))
        if usual not in names or not own or len(own) > 40:
            raise UsageError(f"{change.strip()!r}: write USUAL=OWN with one of {', '.join(COLOURS)}")
        if not own.isprintable():
            raise UsageError(f"{own!r}: holds a character that cannot be printed; leave it out")
        names[usual] = own
    chosen = tuple(names[name] for name in COLOURS)
    if len(set(chosen)) < 6:
        raise UsageError(f"two colours would be called alike: {', '.join(chosen)}")
    return chosen


def scheme_named(text: str | None, colours: Sequence[str] | None) -> tuple[int, ...] | None:
    """Colour indices of URFDLB out of six names in that order; None where nothing was said."""
    if not text:
        return None
    names = list(colours or COLOURS)
    words = [word.strip() for word in re.split(r"[,\s]+", text.strip())]
    if sorted(words) != sorted(names):
        raise UsageError(f"--scheme takes the colours of U R F D L B, each of {', '.join(names)} once")
    return tuple(names.index(word) for word in words)
