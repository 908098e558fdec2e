"""From pictures on disk to a profile: the road of ``calibrate --photos``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from calibration.collect import Collected, collect
from calibration.compare import predict
from calibration.kept import picture_name
from calibration.labelling import Shot, fit, labelled_picture
from calibration.profile import COLOURS, default_profile
from models.errors import LastlookError

if TYPE_CHECKING:
    from vision.one_cube import Read

Image = NDArray[np.uint8]
LONG_SIDE_PX: Final = 2000
SMALL: Final = 32
"""Squares along each side of the grey copies by which a picture and its mirror image are found."""
ALIKE: Final = 0.99
"""Correlation of such copies from which on two pictures are one, saved once more perhaps."""


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
    from vision.truth_file import truth_path

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
            path = truth_path(Path(name))
            left_out.append((name, str(error).replace(str(path), path.name)))
        else:
            short = _short(name, names)
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


def _short(name: str, names: Sequence[str]) -> str:
    """The file's name; the whole path where two of the files bear the same name."""
    file = Path(name).name[-60:]
    alike = [one for one in names if Path(one).name[-60:] == file]
    return picture_name(file if len(alike) == 1 else name)


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
