"""What the camera saw of each sticker: the one thing that vision hands to calibration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats32 = NDArray[np.float32]

LEAST_COVERAGE: Final = 0.05
"""A sticker of which no more was seen has no colour that could be read."""
SEEN_FROM: Final = 0.3
"""Coverage from which on a sticker counts as seen, for a person and where a colour is asked for its name."""

CLIPPED_FROM: Final = 253
"""Value of a pixel's channel, of 255, from which it is at the sensor's end."""

BURNT_FROM: Final = 0.97
"""Linear light of a channel, 0..1, that a curve has pushed to its end: how bright it was cannot be told."""

MAX_SAMPLES: Final = 20_000
"""Stickers that a profile may keep."""


@dataclass(frozen=True, eq=False)
class StickerSamples:
    """Colour statistics of the stickers of one cube in one picture, in the labelling of its pose.

    All arrays run [face in URFDLB, row, column] as printed on paper. Where ``coverage`` is 0 (hidden
    face, outside the frame) the other arrays are 0 and mean nothing.

    linear_rgb  (6, n, n, 3) robust mean of the sticker's clean pixels, linear light 0..1 (sRGB decoded)
    spread_rgb  (6, n, n, 3) robust standard deviation of those pixels, same unit
    coverage    (6, n, n)    share of the sticker really seen, 0..1
    clipped     (6, n, n)    share of its pixels at the sensor's end, 0..1
    """

    linear_rgb: Floats32
    spread_rgb: Floats32
    coverage: Floats32
    clipped: Floats32

    def __post_init__(self) -> None:
        shape = self.coverage.shape
        if len(shape) != 3 or shape[0] != 6 or shape[1] != shape[2] or shape[1] < 2:
            raise ValueError(f"coverage has shape {shape}; it must be (6, n, n) with n >= 2")
        for name in ("linear_rgb", "spread_rgb"):
            if getattr(self, name).shape != (*shape, 3):
                raise ValueError(f"{name} has shape {getattr(self, name).shape}; it must be {(*shape, 3)}")
        if self.clipped.shape != shape:
            raise ValueError(f"clipped has shape {self.clipped.shape}; it must be {shape}")
        for name in ("linear_rgb", "spread_rgb", "coverage", "clipped"):
            if not np.isfinite(getattr(self, name)).all():
                raise ValueError(f"{name} holds values that are not finite")

    @property
    def size(self) -> int:
        """n of the n x n x n cube."""
        return int(self.coverage.shape[1])

    @property
    def visible_faces(self) -> tuple[int, ...]:
        """Indices (URFDLB) of the faces of which something was seen."""
        return tuple(int(face) for face in range(6) if (self.coverage[face] > 0).any())

    @property
    def burnt_out(self) -> NDArray[np.bool_]:
        """Which stickers (6, n, n) have two channels or more at their end.

        A pale orange and a white look alike there; one channel is at its end in many a plain yellow or blue.
        """
        return np.asarray((self.linear_rgb >= BURNT_FROM).sum(axis=-1) >= 2)

    @classmethod
    def empty(cls, size: int) -> StickerSamples:
        """No sticker seen at all; a canvas for tests and for samplers."""
        return cls(
            linear_rgb=np.zeros((6, size, size, 3), np.float32),
            spread_rgb=np.zeros((6, size, size, 3), np.float32),
            coverage=np.zeros((6, size, size), np.float32),
            clipped=np.zeros((6, size, size), np.float32),
        )
