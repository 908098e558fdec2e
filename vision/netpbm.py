"""Netpbm pictures at the levels that they mean: a sample is a part of the file's own largest one, its maxval.

OpenCV hands over what is stored (only plain files of 8 bits it brings to 0..255), so that a picture with a
maxval of 100 or 1023 would come out too dark. Of a PAM (P7) it takes red for blue, and alpha for colour; such
a one is read here. From the formats' own documents, Netpbm pgm(5), ppm(5) and pam(5).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST: Final = 65535
_GAP: Final = rb"(?:\s|#[^\r\n]*[\r\n])+"
"""White space and comments; a comment ends with the line."""
_CHANNELS: Final = {1: (0, 0, 0), 2: (0, 0, 0, 1), 3: (2, 1, 0), 4: (2, 1, 0, 3)}
"""By a PAM's depth: where blue, green, red and alpha stand among its samples."""
_TUPLES: Final = re.compile(r"(BLACKANDWHITE|GRAYSCALE|RGB)(_ALPHA)?|")
_HEADER: Final = re.compile(rb"P[2356]" + (_GAP + rb"\d{1,9}") * 2 + _GAP + rb"(\d{1,9})\s")


def at_full_range(data: bytes) -> tuple[bytes, NDArray[np.uint8]] | None:
    """A grey or colour picture (P2, P3, P5, P6) that claims the full range of its 8 or 16 bits, and what its
    samples stand for: uint8 (256,) or (65536,), by the sample, 0 black and 255 white.

    None where it has that range already, and for a bitmap (P1, P4), which has no such header.
    Raises ValueError that says what is wrong with its maxval.
    """
    if data[1:2] not in b"2356":
        return None
    found = _HEADER.match(data[:4096])
    if found is None:
        raise ValueError("its header tells no largest sample")
    maxval = _checked(int(found[1]))
    most = _most(maxval)
    if maxval == most:
        return None
    begin, end = found.span(1)
    return b"%b%d%b" % (data[:begin], most, data[end:]), _levels(maxval)


def _checked(maxval: int) -> int:
    if not 0 < maxval <= MOST:
        raise ValueError(f"its largest sample is to be {maxval}, which is none of 1 to {MOST}")
    return maxval


def _most(maxval: int) -> int:
    return 255 if maxval < 256 else MOST  # below 256 a sample is one byte, else two


def _levels(maxval: int) -> NDArray[np.uint8]:
    """What samples stand for, 0 black and 255 white, by the sample."""
    levels = np.arange(_most(maxval) + 1) * (255.0 / maxval) + 0.5
    return np.asarray(np.minimum(levels, 255.0), np.uint8)


@dataclass(frozen=True, slots=True)
class PamHeader:
    """Width and height in pixels, how many samples a pixel has, and the largest that one may be.

    ``kind`` is what it calls them ("" for nothing); the samples begin at byte ``end``.
    """

    width: int
    height: int
    depth: int
    maxval: int
    kind: str
    end: int


def pam_header(data: bytes) -> PamHeader:
    """The header of a PAM (P7), its lines in any order. Raises ValueError that says what is wrong with it."""
    head, ended, _ = data[:4096].partition(b"\nENDHDR\n")
    if not ended:
        raise ValueError("its header has no end")
    told: dict[str, str] = {}
    for line in head.decode("latin-1").split("\n")[1:]:
        name, *value = line.split(None, 1) or [""]
        if name and not name.startswith("#"):
            told[name] = "".join(value).strip()
    numbers = []
    for name in ("WIDTH", "HEIGHT", "DEPTH", "MAXVAL"):
        if not re.fullmatch(r"[0-9]{1,9}", told.get(name, "")):
            raise ValueError(f"its header tells no {name}")
        numbers.append(int(told[name]))
    width, height, depth, maxval = numbers
    return PamHeader(width, height, depth, maxval, told.get("TUPLTYPE", ""), len(head) + len(ended))


def pam_picture(data: bytes) -> NDArray[np.uint8]:
    """A PAM as blue, green, red and alpha where it has that: uint8 (height, width, 3 or 4).

    Raises ValueError that says what is wrong with it.
    """
    header = pam_header(data)
    maxval = _checked(header.maxval)
    channels = _CHANNELS.get(header.depth)
    if channels is None or not _TUPLES.fullmatch(header.kind):
        kind = f" of {header.kind}" if header.kind else ""
        raise ValueError(f"its {header.depth} samples a pixel{kind} are neither grey nor red, green and blue")
    shape = (header.height, header.width, header.depth)
    sample = np.dtype(np.uint8 if maxval < 256 else ">u2")
    count = math.prod(shape)
    if len(data) - header.end < count * sample.itemsize:
        raise ValueError("it is cut short")
    raw = np.frombuffer(data, sample, count, header.end).reshape(shape)
    return np.ascontiguousarray(_levels(maxval)[raw][:, :, channels])
