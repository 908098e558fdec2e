"""Photos in: one bounded decoder for paths, folders and standard input.

The size is read from the header and held against the limits before a single pixel is decoded. Every
kind of picture comes out alike: upright (Exif tag 0x0112 applied), 8 bits, three channels in the order
blue, green, red, sRGB. What cannot be read is one :class:`PictureError` line; nothing here is fatal to
the other pictures of a call. Recordings and cameras are ``vision.stream``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from models.errors import LastlookError, UsageError
from vision.headers import Header, is_animation, may_have_alpha, read_header, turned_by
from vision.netpbm import at_full_range, pam_picture
from vision.paths import NothingThereError, is_file, is_folder, kind_at
from vision.streams import hushed

MAX_BYTES: Final = 256 * 1024 * 1024
MAX_PIXELS: Final = 120_000_000
MAX_SIDE: Final = 32_766
"""The longest side that OpenCV's remap takes (below SHRT_MAX, modules/imgproc/src/imgwarp.cpp)."""
MIN_SIDE: Final = 32
SUFFIXES: Final = frozenset(
    {".jpg", ".jpeg", ".png", ".webp", ".bmp", ".tif", ".tiff", ".gif", ".heic", ".heif", ".avif"}
    | {".pgm", ".ppm", ".pnm", ".pam"}
)
_NO_FILE: Final = {
    "nothing": "no such file; check the path",
    "folder": "a folder, not a picture; name the pictures inside",
    "other": "neither a file nor a folder; save the picture as a file, or give it to standard input as -",
}
KINDS_IN_WORDS: Final = "JPEG, PNG, WebP, BMP, TIFF, GIF, AVIF, Netpbm, HEIC"


class PictureError(LastlookError):
    """A picture that cannot be read; the line names it and says what to do."""


class NoPictureError(PictureError, UsageError):
    """No picture file is where one was named: nothing, or something else."""


class NoPicturesError(PictureError, NothingThereError):
    """No picture is in a folder that was named."""


class MissingExtraError(PictureError):
    """A picture that this installation cannot read; nothing is wrong with the picture."""


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright picture.

    ``image_bgr`` is uint8 (height, width, 3). ``reduction`` is 1, 2, 4 or 8: how many times smaller it was
    decoded. ``is_first``: of an animation, whose other pictures are left alone.
    """

    name: str
    image_bgr: NDArray[np.uint8]
    reduction: int = 1
    is_first: bool = False


def pictures_named(arguments: Iterable[str]) -> Iterator[str | PictureError]:
    """Paths as the user wrote them, folders opened into the pictures right inside, by name.

    A folder that holds no picture, or cannot be listed, comes out as a :class:`PictureError` value so
    that the rest of the call goes on.
    """
    for argument in arguments:
        if argument == "-" or not is_folder(argument):
            yield argument
            continue
        try:
            inside = sorted(
                p for p in Path(argument).iterdir() if p.suffix.lower() in SUFFIXES and is_file(p)
            )
        except OSError as error:
            yield PictureError(
                f"{argument}: cannot list this folder ({error.strerror}); check its permissions"
            )
            continue
        if not inside:
            yield NoPicturesError(
                f"{argument}: no picture in this folder; name one that holds pictures ({KINDS_IN_WORDS})"
            )
        yield from (str(path) for path in inside)


def load_photo(name: str, *, min_long_side: int | None = None) -> Photo:
    """Read and decode the file ``name``, or standard input for "-".

    ``min_long_side`` lets a large picture be decoded 2, 4 or 8 times smaller as long as its longer side
    keeps that many pixels. Raises :class:`PictureError`, :class:`NoPictureError` where there is no such file.
    """
    return decode_photo(_read_bytes(name), name=name, min_long_side=min_long_side)


def decode_photo(data: bytes, *, name: str, min_long_side: int | None = None) -> Photo:
    """Decode the bytes of one picture file; arguments and errors as in :func:`load_photo`."""
    header = _checked_header(data, name)
    assert header.width is not None and header.height is not None
    reduction = 1
    if min_long_side is not None:
        while reduction < 8 and max(header.width, header.height) >= 2 * reduction * min_long_side:
            reduction *= 2
    if header.kind == "HEIC":
        image_bgr = _decode_heic(data, name)
    elif header.kind == "Netpbm":
        image_bgr = _decode_netpbm(data, name)
    else:
        image_bgr = _decode_with_opencv(data, name, header.kind, reduction)
    rows, cols = image_bgr.shape[:2]
    reduced_already = header.kind == "JPEG" and reduction > 1
    if reduction > 1 and not reduced_already:
        import cv2

        small = (-(-cols // reduction), -(-rows // reduction))
        image_bgr = np.asarray(cv2.resize(image_bgr, small, interpolation=cv2.INTER_AREA), np.uint8)
    return Photo(name, image_bgr, reduction, is_animation(header.kind, data))


def _read_bytes(name: str) -> bytes:
    try:
        if name == "-":
            data = _at_most(sys.stdin.buffer)
        else:
            _require_file(name)
            with Path(name).open("rb") as file:
                data = _at_most(file)
    except OSError as error:
        raise PictureError(f"{name}: cannot be read ({error.strerror or error})") from None
    except PictureError:
        raise
    except LastlookError as error:  # standard input tells by itself what is wrong with it
        raise PictureError(str(error)) from None
    if not data:
        where = "standard input: nothing came" if name == "-" else f"{name}: the file is empty"
        raise PictureError(f"{where}; give a picture")
    if len(data) > MAX_BYTES:
        raise PictureError(f"{name}: over {MAX_BYTES >> 20} MB; save it smaller first")
    return data


def _require_file(name: str) -> None:
    try:
        kind = kind_at(name)
    except LastlookError as error:
        raise NoPictureError(str(error)) from None
    if kind != "file":
        raise NoPictureError(f"{name}: {_NO_FILE[kind]}")


def _at_most(file: BinaryIO) -> bytes:
    return file.read(MAX_BYTES + 1)


def _checked_header(data: bytes, name: str) -> Header:
    header = read_header(data)
    if header is None:
        raise PictureError(
            f"{name}: no picture of a kind that lastlook reads; save it as one of {KINDS_IN_WORDS}"
        )
    if header.kind == "recording":
        raise PictureError(
            f"{name}: a recording, not a photo; give it to 'lastlook label' or 'lastlook watch'"
        )
    if header.width is None or header.height is None:
        raise PictureError(f"{name}: this {header.kind} is cut short or damaged; copy or save it again")
    width, height = header.width, header.height
    if width * height > MAX_PIXELS:
        raise PictureError(
            f"{name}: {width} x {height} pixels is over the limit of {MAX_PIXELS // 10**6} megapixels;"
            " scale it down first"
        )
    if max(width, height) > MAX_SIDE:
        raise PictureError(
            f"{name}: {width} x {height} pixels is over the limit of {MAX_SIDE:,} a side;"
            " cut out the part that shows the cube"
        )
    if min(width, height) < MIN_SIDE:
        raise PictureError(
            f"{name}: {width} x {height} pixels is too small to show a cube;"
            f" give a picture of {MIN_SIDE} or more a side"
        )
    return header


def _decode_netpbm(data: bytes, name: str) -> NDArray[np.uint8]:
    """With its samples as parts of the largest one that it may hold, which OpenCV leaves as they are."""
    try:
        if data[:2] == b"P7":
            pixels = pam_picture(data)
            return _over_grey(np.ascontiguousarray(pixels[:, :, :3]), pixels)
        stretched = at_full_range(data)
    except ValueError as error:
        raise PictureError(f"{name}: this Netpbm cannot be read: {error}; save it again as PNG") from None
    if stretched is None:
        return _decode_with_opencv(data, name, "Netpbm", 1)
    full, levels = stretched
    raw = _decode_with_opencv(full, name, "Netpbm", 1, deep=True)
    return np.asarray(levels[raw], np.uint8)


def _decode_with_opencv(
    data: bytes, name: str, kind: str, reduction: int, *, deep: bool = False
) -> NDArray[Any]:
    import cv2

    reduced = {2: cv2.IMREAD_REDUCED_COLOR_2, 4: cv2.IMREAD_REDUCED_COLOR_4, 8: cv2.IMREAD_REDUCED_COLOR_8}
    flags = reduced[reduction] if kind == "JPEG" and reduction > 1 else cv2.IMREAD_COLOR
    if deep:  # a sample of 16 bits stays one
        flags |= cv2.IMREAD_ANYDEPTH
    packed = np.frombuffer(data, np.uint8)
    level = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        with hushed():  # libpng and libjpeg tell on descriptor 2 what they think of a picture
            image = cv2.imdecode(packed, flags)
            if image is None and kind == "TIFF":
                image = _from_float(cv2.imdecode(packed, cv2.IMREAD_UNCHANGED))
            elif image is not None and may_have_alpha(kind, data):
                # a picture that Exif turned is left without its alpha
                as_stored = cv2.imdecode(packed, flags | cv2.IMREAD_IGNORE_ORIENTATION)
                if as_stored is not None and np.array_equal(image, as_stored):
                    image = _over_grey(image, cv2.imdecode(packed, cv2.IMREAD_UNCHANGED))
    except cv2.error:
        image = None
    finally:
        cv2.utils.logging.setLogLevel(level)
    if image is None:
        raise PictureError(
            f"{name}: this {kind} is cut short, damaged or of a rare sort; save it again as PNG"
        )
    if deep:
        return np.asarray(image)
    return _shown_way_up(np.asarray(image, np.uint8), data) if kind == "AVIF" else np.asarray(image, np.uint8)


def _shown_way_up(image: NDArray[np.uint8], data: bytes) -> NDArray[np.uint8]:
    """Turn and mirror an AVIF as its boxes say; OpenCV gives it as it is stored."""
    turns, mirror = turned_by(data)
    image = np.rot90(image, turns)
    if mirror is not None:
        image = np.flip(image, axis=mirror)
    return np.ascontiguousarray(image)


def _from_float(raw: NDArray[Any] | None) -> NDArray[np.uint8] | None:
    """A floating-point TIFF holds 0..1; anything else that only decodes unchanged is not for us."""
    if raw is None or raw.dtype.kind != "f" or raw.ndim not in (2, 3):
        return None
    image = np.clip(np.nan_to_num(raw) * 255.0 + 0.5, 0, 255).astype(np.uint8)
    if image.ndim == 2 or image.shape[2] == 1:
        image = np.repeat(image.reshape(*image.shape[:2], 1), 3, axis=2)
    return np.ascontiguousarray(image[:, :, :3])


def _over_grey(image: NDArray[Any], raw: NDArray[Any] | None) -> NDArray[np.uint8]:
    """Lay a picture with an alpha channel over middle grey; an alpha of all zeros was never meant."""
    if raw is None or raw.ndim != 3 or raw.shape[2] != 4 or raw.dtype.kind != "u":
        return np.asarray(image, np.uint8)
    alpha = raw[:, :, 3:].astype(np.float32) / float(np.iinfo(raw.dtype).max)
    if alpha.min() == 1.0 or alpha.max() == 0.0 or raw.shape[:2] != image.shape[:2]:
        return np.asarray(image, np.uint8)
    return np.asarray(image * alpha + 118.0 * (1.0 - alpha) + 0.5, np.uint8)


def _decode_heic(data: bytes, name: str) -> NDArray[np.uint8]:
    try:
        import pillow_heif
    except ImportError:
        raise MissingExtraError(
            f"{name}: HEIC needs the extra 'heic'; run: pip install -e '.[heic]'"
        ) from None
    from io import BytesIO

    try:
        photo = pillow_heif.open_heif(BytesIO(data), convert_hdr_to_8bit=True, bgr_mode=True)
        width, height = photo.size
        if width * height > MAX_PIXELS:
            raise PictureError(f"{name}: {width} x {height} pixels is over the limit; scale it down first")
        pixels = np.asarray(photo)
        if pixels.ndim == 2:  # grey
            pixels = np.repeat(pixels[:, :, None], 3, axis=2)
    except PictureError:
        raise
    except Exception as error:  # the library raises many kinds on damaged data
        raise PictureError(f"{name}: this HEIC is cut short or damaged; export it as JPEG") from error
    return _over_grey(np.ascontiguousarray(pixels[:, :, :3]), pixels)
