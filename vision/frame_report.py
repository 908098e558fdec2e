"""What is known of the cube at one frame of a watch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.evidence import Verdict
from vision.holding import labelled
from vision.naming import USUAL, Naming
from vision.pose import CubePose
from vision.timing import Phase, State, Timed

Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class SettledState:
    """A settled case. ``labels`` counts how often the faces were named anew; looks compare within one."""

    code: str
    labels: int
    look: tuple[int, ...]
    top_colour: int

    def same_as(self, other: State) -> bool:
        """Whether the two can be one and the same state of the cube."""
        if not isinstance(other, SettledState) or self.code != other.code:
            return False
        return self.labels != other.labels or self.look == other.look


@dataclass(frozen=True, eq=False)
class FrameReport:
    """What is known at one frame. ``image_bgr`` is put right where the source is mirrored or its pixels are
    not square, ``source_wh`` how large the source's own frame is; ``pose`` in the track's labelling, ``top``
    and ``front`` faces of it, ``front_side`` which of ``holding.FRONTS`` the verdict calls front;
    ``turned_over``: with this frame the watcher took the source for mirrored by itself, or no longer;
    ``reshaped``: likewise for squeezed, or squeezed otherwise than before; ``ended`` an attempt that ended in
    this frame; ``naming`` the names of the colours; ``begun`` the last settled verdict while the turns that
    followed it are under way, None else; ``open_sizes`` the numbers of layers that the cube may have, while
    that is open: then nothing comes to be settled."""

    number: int
    time_s: float
    image_bgr: Image
    source_wh: tuple[int, int]
    mirrored: bool
    pose: CubePose | None
    verdict: Verdict | None
    settled: bool
    turning: bool
    top: int | None
    front: int
    next_view: str | None
    phase: Phase
    running_s: float | None
    ended: Timed | None
    newly_settled: bool
    arrived_s: float
    front_side: str | None = None
    turned_over: bool = False
    reshaped: bool = False
    naming: Naming = USUAL
    begun: Verdict | None = None
    open_sizes: tuple[int, ...] = ()

    @property
    def case(self) -> str | None:
        """The best code, None while a picture is refused or nothing was read yet."""
        return self.verdict.case if self.verdict is not None and self.pose is not None else None

    @property
    def probability(self) -> float:
        """Of ``case``; 0 without one."""
        return self.verdict.probability if self.case is not None and self.verdict is not None else 0.0

    def quad_xy(self) -> NDArray[np.float64] | None:
        """Corners (4, 2) of the top face, back-left, back-right, front-right, front-left, in pixels of the
        source's own frame."""
        if self.pose is None or self.top is None:
            return None
        quad = labelled(self.pose, self.top, self.front).face_quad_xy("U")
        wide_high = np.array(self.image_bgr.shape[1::-1])
        if self.mirrored:
            quad = quad.copy()
            quad[:, 0] = wide_high[0] - quad[:, 0]
        return np.asarray(quad * (self.source_wh / wide_high))
