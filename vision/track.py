"""Follow a found cube from frame to frame, at a fraction of what finding it costs.

Each visible face keeps a small picture of itself, taken when the face was last seen well. In a new frame the
points of the lattice are followed by optical flow from the frame before, which gives the coarse motion; then
the kept pictures are laid over the new frame by Gauss-Newton steps on the six numbers of the motion, so that
errors do not add up from frame to frame. What does not fit (a finger, a turning layer, glare) is outvoted
(Huber and Tukey weights; Baker and Matthews, "Lucas-Kanade 20 years on", IJCV 2004, for the inverse steps).

Work is done on a small copy of the cube's surroundings, in which the cube's edge is about 64 pixels long.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.coarse import flowed, shifted
from vision.laying import Surface, soften, texels
from vision.looks import Cover, FaceLook, Laid, is_plausible, is_stirred, is_trusted
from vision.motion import orthonormal, project, read_off
from vision.pose import CubePose, face_cosines
from vision.seams import layer_gaps, seat
from vision.window import Image, Window

Floats = NDArray[np.float32]

LEAST_COSINE: Final = 0.22
FRESH_COSINE: Final = 1.25
LEAST_FIT: Final = 0.45
HELD_FIT: Final = 0.45
HELD_FREE: Final = 0.15
"""While something passes the pose stays where it is below this fit, or share of stickers that are free."""
SIGHT_FIT: Final = 0.75
BETTER_FIT: Final = 0.05
CHECK_EVERY: Final = 4
MOST_ASTRAY: Final = 0.10
STALE_FIT: Final = 0.88
STRAIGHT_CELLS: Final = 0.06
ASTRAY_FACTOR: Final = 1.2
"""A layer stands while its seams lie off the lattice by less than so many stickers on average, or by less
than so many times as much as those of the other layers do."""
WHOLE_FIT: Final = 0.8
"""From this fit on the track is the whole cube's, and what the other layers do is the measure."""


@dataclass(frozen=True, eq=False)
class Tracked:
    """Where the cube is in a frame.

    ``pose`` keeps the labelling that the track began with. ``fit`` is the share of the kept surface that
    the frame bears out, 0..1. ``misfit`` (6, n, n) is how far each sticker's look is from the kept one, as
    a share of what is usual between different stickers: about 0 the same, about 1 another one; nan where
    nothing is known. ``slice_turns_rad`` and ``slice_explained`` (3, n): by how much each layer along x, y, z
    is turned about that axis against the rest of the cube (right-handed, since the kept look was taken;
    meaningful for small angles), and which share of the layer's change this turn explains, 0..1.
    """

    pose: CubePose
    fit: float
    misfit: Floats
    slice_turns_rad: Floats
    slice_explained: Floats


class Tracker:
    """Follows one cube from the frame in which it was found.

    ``fluid``, while a layer turns: the faces are compared with the frame before instead of with how they
    looked when the track was last renewed. ``free`` (6, n, n), while something passes before the cube: which
    stickers are in view; the kept looks stay as they are, and where too little is seen so does the pose.
    """

    def __init__(self, image_bgr: Image, pose: CubePose) -> None:
        self.pose = pose
        n = pose.size
        self._texels = texels(n)
        self._looks: dict[int, FaceLook] = {}
        self._unheld: tuple[CubePose, dict[int, FaceLook]] | None = None
        self._surfaces: dict[tuple[int, ...], Surface] = {}
        self._window = Window(pose, image_bgr.shape)
        self._frame = image_bgr
        self._work = self._window.cut(image_bgr)
        self._soft: Image | None = None
        self._grey: Any = None
        self._next_grey: Any = None
        self._motion = np.eye(3), np.zeros(3)
        self._fit = 1.0
        self._age = 0
        self._usual_off = float("inf")
        self.fluid = False
        self.free: NDArray[np.bool_] | None = None
        self.renew(pose)

    def follow(self, image_bgr: Image) -> Tracked | None:
        """The cube in the next frame, or None when it is lost there; a lost track can be tried again."""
        if image_bgr.shape != self._frame.shape or not self._window.usable:
            return None
        if not self._window.holds(self.pose) and not self._move_window():
            return None
        work = self._window.cut(image_bgr)
        soft = soften(work)
        self._next_grey = None
        best: Laid | None = None
        for start, enough in self._starts(work):
            laid = self._settle(soft, start)
            if laid is not None and (best is None or laid.fit > best.fit):
                best = laid
            if best is not None and best.fit > enough:
                break
        if self.free is not None and not self._may_move(best):
            best = Laid.nothing(self.pose)
        elif best is None or best.fit < LEAST_FIT or not is_plausible(best.pose):
            return None
        self._unheld = best.pose, dict(self._looks)
        pose = best.pose
        self._motion = pose.rotation @ self.pose.rotation.T, pose.translation - self.pose.translation
        self.pose, self._fit, self._frame = pose, best.fit, image_bgr
        self._work, self._soft, self._grey = work, soft, self._next_grey
        self._age += 1
        if self.free is None:
            self._keep_up(best)
        return Tracked(self.pose, best.fit, best.misfit, best.turns, best.explained)

    def _move_window(self) -> bool:
        """Look at the last frame round where the cube is now; False where that cannot be."""
        self._window = Window(self.pose, self._frame.shape)
        if self._window.usable:
            self._work, self._soft, self._grey = self._window.cut(self._frame), None, None
        return self._window.usable

    def _keep_up(self, laid: Laid) -> None:
        """With nothing before the cube: put the track back where it has slid, and look at faces anew."""
        if laid.fit > WHOLE_FIT and not self.fluid:
            self._usual_off = laid.typical_off
        due = self._age % CHECK_EVERY == 0 or laid.fit < STALE_FIT
        if due and not self.fluid and laid.fit > 0.6 and not is_stirred(laid):
            self._check_seat(stale=laid.fit < STALE_FIT)
        if self.fluid:
            self._forget_looks()
        self._capture(refresh=laid.fit > 0.8)

    def _may_move(self, laid: Laid | None) -> bool:
        """Whether so much of the cube is free that it says where the cube has gone."""
        assert self.free is not None
        free = self.free[list(self._looks)]
        return (
            laid is not None and laid.fit > HELD_FIT and free.mean() > HELD_FREE and is_plausible(laid.pose)
        )

    def renew(self, pose: CubePose | None = None) -> None:
        """Take the looks of all visible faces anew from the last frame, for the cube has changed; ``pose``
        replaces the tracked one (in the same labelling)."""
        if pose is not None:
            self.pose = pose
            if not self._move_window():
                return
        seated = seat(self._work, self._window.lens(self.pose), self.pose, zoom=True)
        if seated is not None and is_trusted(seated):
            self.pose = seated.pose
        self._forget_looks()
        self._capture(refresh=True)

    def hold(self, free: NDArray[np.bool_]) -> None:
        """Something passes before the cube and leaves these stickers (6, n, n) in view: keep to the looks
        that the last frame was held against, whatever was made of it since."""
        if self.free is None and self._unheld is not None:
            self.pose, self._looks = self._unheld
            self._surfaces.clear()
        self.free = free

    @property
    def in_sight(self) -> bool:
        """Whether enough of the cube was seen in the last frame to say where it is."""
        return self.free is None or self._fit > SIGHT_FIT

    def laid_from(self, start: CubePose, free: NDArray[np.bool_]) -> Tracked | None:
        """While something passes: the kept looks laid over the last frame from another pose on, in the same
        labelling, from which these stickers are in view. None, and nothing has changed, where they fit no
        better than they did."""
        if self._soft is None or self.free is None or not self._window.usable:
            return None
        before, self.free = self.free, free
        laid = self._settle(self._soft, start)
        if laid is None or laid.fit < self._fit + BETTER_FIT or not is_plausible(laid.pose):
            self.free = before
            return None
        self.pose, self._fit, self._motion = laid.pose, laid.fit, (np.eye(3), np.zeros(3))
        return Tracked(laid.pose, laid.fit, laid.misfit, laid.turns, laid.explained)

    def seams_straight(self) -> bool:
        """Whether no layer stands off: all seams of the last frame run through where the pose has them."""
        if not self._window.usable:
            return False
        seated = seat(self._work, self._window.lens(self.pose), self.pose, rounds=1)
        return seated is not None and is_trusted(seated) and seated.astray < MOST_ASTRAY

    def layer_stands(self, axis: int, layer: int) -> bool:
        """Whether a layer 0..n-1 along x, y, z (``axis``) stands where the pose has it in the last frame: the
        seams within it lie on the lattice, or off it no farther than those of the other layers."""
        gaps, layers = layer_gaps(self._work, self._window.lens(self.pose), self.pose, axis)
        own, others = gaps[layers == layer], gaps[layers != layer]
        if not len(own):
            return False
        # a track that is torn between layers lies beside all seams alike
        usual = float(others.mean()) if len(others) and self._fit > WHOLE_FIT else 0.0
        return float(own.mean()) < max(STRAIGHT_CELLS, ASTRAY_FACTOR * usual)

    def seam_score(self) -> float:
        """How well the last frame's seams lie where the pose has them, up to 1; to compare two poses."""
        seated = seat(self._work, self._window.lens(self.pose), self.pose, rounds=0)
        if seated is None:
            return 0.0
        return seated.support * (1.0 - seated.astray) - 3.0 * seated.spread_cells

    def _check_seat(self, *, stale: bool) -> None:
        """Now and then: has the track slid off the seams? Then put it back and look at the cube anew."""
        seated = seat(self._work, self._window.lens(self.pose), self.pose, rounds=2, zoom=True)
        if seated is None or not is_trusted(seated):
            return
        zoomed = abs(seated.pose.focal_px / self.pose.focal_px - 1.0) > 0.02
        if stale or zoomed or seated.moved_cells > 0.03:
            self.pose = seated.pose
            self._forget_looks()

    # coarse motion

    def _starts(self, work: Image) -> Iterator[tuple[CubePose, float]]:
        """Where to begin the fine motion, the cheapest first, and the fit with which it is enough: as it
        moved before; by optical flow; where it was; where its look fits best."""
        turn, shift = self._motion
        # a turn taken from two rotations and applied again doubles their rounding errors with every frame
        rotation = orthonormal(turn @ self.pose.rotation)
        moved_on = replace(self.pose, rotation=rotation, translation=self.pose.translation + shift)
        yield moved_on, max(0.6, self._fit - 0.03)
        flowed = self._flow(work)
        if flowed is not None:
            yield flowed, 0.6
        yield self.pose, LEAST_FIT
        yield shifted(self.pose, self._window.lens(self.pose), self._work, work), LEAST_FIT

    def _flow(self, work: Image) -> CubePose | None:
        before = self._grey if self._grey is not None else cv2.cvtColor(self._work, cv2.COLOR_BGR2GRAY)
        after = self._next_grey = cv2.cvtColor(work, cv2.COLOR_BGR2GRAY)
        return flowed(self.pose, self._window.lens(self.pose), before, after)

    # fine motion

    def _settle(self, soft: Image, start: CubePose) -> Laid | None:
        """The kept looks laid over a frame from ``start`` on; None where too little of the cube is seen."""
        cosines = face_cosines(start)
        faces = tuple(face for face in self._looks if cosines[face] > 0.12)
        if not faces:
            return None
        if faces not in self._surfaces:
            self._surfaces[faces] = Surface(start.size, {face: self._looks[face] for face in faces})
        cover = Cover(self.free, self._usual_off) if self.free is not None else None
        return self._surfaces[faces].laid(soft, start, self._window.lens(start), cover)

    # the kept looks

    def _capture(self, *, refresh: bool) -> None:
        cosines = face_cosines(self.pose)
        wanted = [
            face
            for face in range(6)
            if cosines[face] > LEAST_COSINE
            and (
                face not in self._looks
                or (
                    refresh and not 1 / FRESH_COSINE < cosines[face] / self._looks[face].cosine < FRESH_COSINE
                )
            )
        ]
        if not wanted or not self._window.usable:
            return
        if self._soft is None:
            self._soft = soften(self._work)
        self._surfaces.clear()
        limit = self._soft.shape[1] - 1, self._soft.shape[0] - 1
        lens = self._window.lens(self.pose)
        side = self._texels.side
        for face in wanted:
            flat = project(self.pose.rotation, self.pose.translation, self._texels.grid[face], lens)
            if ((flat < 0) | (flat > limit)).any(1).mean() > 0.25:
                continue
            colours = read_off(self._soft, flat).reshape(side, side, 3)
            by_row = np.gradient(colours, 1.0 / side, axis=0)
            by_col = np.gradient(colours, 1.0 / side, axis=1)
            self._looks[face] = FaceLook(colours, np.stack([by_col, by_row], -1), float(cosines[face]))

    def _forget_looks(self) -> None:
        self._looks.clear()
        self._surfaces.clear()
