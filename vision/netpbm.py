"""Netpbm pictures at the levels that they mean: a sample is a part of the file's own largest one, its maxval.

OpenCV hands over what is stored (only plain files of 8 bits it brings to 0..255), so that a picture with a
maxval of 100 or 1023 would come out too dark. From the formats' own documents, Netpbm pgm(5) and ppm(5).
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST: Final = 65535
_GAP: Final = rb"(?:\s|#[^\r\n]*[\r\n])+"
"""White space and comments; a comment ends with the line."""
_HEADER: Final = re.compile(rb"P[2356]" + (_GAP + rb"\d{1,9}") * 2 + _GAP + rb"(\d{1,9})\s")


def at_full_range(data: bytes) -> tuple[bytes, NDArray[np.uint8]] | None:
    """A grey or colour picture (P2, P3, P5, P6) that claims the full range of its 8 or 16 bits, and what its
    samples stand for: uint8 (256,) or (65536,), by the sample, 0 black and 255 white.

    None where it has that range already, and for a bitmap (P1, P4) or a PAM (P7), which have no such header.
    Raises ValueError that says what is wrong with its maxval.
    """
    if data[1:2] not in b"2356":
        return None
    found = _HEADER.match(data[:4096])
    if found is None:
        raise ValueError("its header tells no largest sample")
    maxval = int(found[1])
    if not 0 < maxval <= MOST:
        raise ValueError(f"its largest sample is to be {maxval}, which is none of 1 to {MOST}")
    most = 255 if maxval < 256 else MOST  # below 256 a sample is one byte, else two
    if maxval == most:
        return None
    begin, end = found.span(1)
    levels = np.minimum(np.arange(most + 1) * (255.0 / maxval) + 0.5, 255.0).astype(np.uint8)
    return b"%b%d%b" % (data[:begin], most, data[end:]), levels
