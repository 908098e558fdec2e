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

from vision.looks import (
    FaceLook,
    Laid,
    compared,
    face_cosines,
    is_plausible,
    is_stirred,
    is_trusted,
    is_whole,
    lattice_points,
)
from vision.motion import Lens, inverse_2x2, middle, motion_rows, moved, orthonormal, project, read_off
from vision.pose import (
    FACE_COLUMNS,
    FACE_ROWS,
    FACES,
    VERTICES,
    CubePose,
    face_points,
)
from vision.seams import seat
from vision.window import Image, Window

Floats = NDArray[np.float32]

TEXELS: Final = 24
"""About so many texels along a face's edge; a multiple of the cube's size is used."""
LEAST_COSINE: Final = 0.22
FRESH_COSINE: Final = 1.25
LEAST_FIT: Final = 0.45
FLOW_WINDOW: Final = (13, 13)
CHECK_EVERY: Final = 4
MOST_ASTRAY: Final = 0.10
STALE_FIT: Final = 0.88
_STEPS: Final = 4


@dataclass(frozen=True, eq=False)
class Tracked:
    """Where the cube is in a frame.

    ``pose`` keeps the labelling that the track began with. ``fit`` is the share of the kept surface that
    the frame bears out, 0..1. ``misfit`` (6, n, n) is how far each sticker's look is from the kept one, as
    a share of what is usual between different stickers: about 0 the same, about 1 another one; nan where
    nothing is known. ``whole`` says that the cube lies wholly inside the frame. ``slice_turns_rad`` and
    ``slice_explained`` (3, n): by how much each layer along x, y, z is turned about that axis against the
    rest of the cube (right-handed, since the kept look was taken; meaningful for small angles), and which
    share of the layer's change this turn explains, 0..1.
    """

    pose: CubePose
    fit: float
    misfit: Floats
    whole: bool
    slice_turns_rad: Floats
    slice_explained: Floats


class Tracker:
    """Follows one cube from the frame in which it was found.

    ``fluid``, while a layer turns: the faces are compared with the frame before instead of with how they
    looked when the track was last renewed.
    """

    def __init__(self, image_bgr: Image, pose: CubePose) -> None:
        self.pose = pose
        n = pose.size
        self._per_cell = max(4, 2 * round(TEXELS / n / 2))
        side = n * self._per_cell
        steps = (np.arange(side) + 0.5) / side
        cols, rows = np.meshgrid(steps, steps)
        self._grid = [face_points(face, cols.ravel(), rows.ravel()).astype(np.float32) for face in range(6)]
        self._texel = 1.0 / side
        self._side = side
        diagonal = np.add.outer(np.arange(side), np.arange(side))
        of_sticker = np.arange(n).repeat(self._per_cell)
        sticker = (of_sticker[:, None] * n + of_sticker[None, :]).ravel()
        even = np.flatnonzero((diagonal % 2 == 0).ravel())
        # half of the texels for the last look, sticker by sticker; half of those for the steps
        self._many = even[np.argsort(sticker[even], kind="stable")]
        self._few_of_many = np.arange(0, len(even), 2)
        self._few = self._many[self._few_of_many]
        self._looks: dict[int, FaceLook] = {}
        layer_of = np.clip(np.floor((np.array(self._grid)[:, self._few] + 0.5) * n), 0, n - 1)
        self._layers = layer_of.astype(np.intp)
        self._flow_points = lattice_points(n)
        self._window = Window(pose, image_bgr.shape)
        self._frame = image_bgr
        self._work = self._window.cut(image_bgr)
        self._grey: Any = None
        self._next_grey: Any = None
        self._motion = np.eye(3), np.zeros(3)
        self._fit = 1.0
        self._age = 0
        self.fluid = False
        self.renew(pose)

    def follow(self, image_bgr: Image) -> Tracked | None:
        """The cube in the next frame, or None when it is lost there; a lost track can be tried again."""
        if image_bgr.shape != self._frame.shape or not self._window.usable:
            return None
        if not self._window.holds(self.pose):
            self._window = Window(self.pose, image_bgr.shape)
            if not self._window.usable:
                return None
            self._work, self._grey = self._window.cut(self._frame), None
        work = self._window.cut(image_bgr)
        self._next_grey = None
        best: Laid | None = None
        for start, enough in self._starts(work):
            laid = self._settle(work, start)
            if laid is not None and (best is None or laid.fit > best.fit):
                best = laid
            if best is not None and best.fit > enough:
                break
        if best is None or best.fit < LEAST_FIT or not is_plausible(best.pose):
            return None
        pose, fit, misfit = best.pose, best.fit, best.misfit
        self._motion = pose.rotation @ self.pose.rotation.T, pose.translation - self.pose.translation
        self._fit = fit
        self.pose, self._frame, self._work, self._grey = pose, image_bgr, work, self._next_grey
        self._age += 1
        due = self._age % CHECK_EVERY == 0 or fit < STALE_FIT
        if due and not self.fluid and fit > 0.6 and not is_stirred(best):
            self._check_seat(stale=fit < STALE_FIT)
        if self.fluid:
            self._looks.clear()
        self._capture(self.pose, refresh=fit > 0.8)
        return Tracked(
            self.pose, fit, misfit, is_whole(self.pose, image_bgr.shape), best.turns, best.explained
        )

    def renew(self, pose: CubePose | None = None) -> None:
        """Take the looks of all visible faces anew from the last frame, for the cube has changed; ``pose``
        replaces the tracked one (in the same labelling)."""
        if pose is not None:
            self.pose = pose
            self._window = Window(pose, self._frame.shape)
            if not self._window.usable:
                return
            self._work, self._grey = self._window.cut(self._frame), None
        seated = seat(self._work, self._window.lens(self.pose), self.pose, zoom=True)
        if seated is not None and is_trusted(seated):
            self.pose = seated.pose
        self._looks.clear()
        self._capture(self.pose, refresh=True)

    def seams_straight(self) -> bool:
        """Whether no layer stands off: all seams of the last frame run through where the pose has them."""
        if not self._window.usable:
            return False
        seated = seat(self._work, self._window.lens(self.pose), self.pose, rounds=1)
        return seated is not None and is_trusted(seated) and seated.astray < MOST_ASTRAY

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
            self._looks.clear()

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
        yield self._shifted(work), LEAST_FIT

    def _flow(self, work: Image) -> CubePose | None:
        """The motion that optical flow of the lattice's points speaks for."""
        pose = self.pose
        seen = [FACES.index(face) for face in pose.visible_faces(0.15)]
        points = np.concatenate([self._flow_points[face] for face in seen])
        lens = self._window.lens(pose)
        flat = project(pose.rotation, pose.translation, points, lens)
        before = self._grey if self._grey is not None else cv2.cvtColor(self._work, cv2.COLOR_BGR2GRAY)
        after = self._next_grey = cv2.cvtColor(work, cv2.COLOR_BGR2GRAY)
        there, good, _ = cv2.calcOpticalFlowPyrLK(
            before,
            after,
            flat.astype(np.float32),
            flat.astype(np.float32),
            winSize=FLOW_WINDOW,
            maxLevel=2,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 12, 0.03),
        )
        keep = good.ravel() == 1
        if keep.sum() < 6:
            return None
        points, target = points[keep], there[keep].astype(np.float64)
        rotation, translation = pose.rotation, pose.translation
        for _ in range(3):
            flat = project(rotation, translation, points, lens)
            off = target - flat
            lengths = np.sqrt((off * off).sum(1))
            spread = max(1.5 * middle(lengths), 0.3)
            weights = 1.0 / np.maximum(lengths / spread, 1.0)
            weights[lengths > 4 * spread] = 0.0
            jacobian = motion_rows(rotation, translation, points, lens)
            rows = (jacobian * weights[:, None, None]).reshape(-1, 6)
            normal = rows.T @ jacobian.reshape(-1, 6)
            normal[np.diag_indices(6)] += 1e-6 * np.trace(normal) + 1e-9
            step = np.linalg.solve(normal, rows.T @ off.ravel())
            rotation, translation = moved(rotation, translation, step)
        return replace(pose, rotation=rotation, translation=translation)

    def _shifted(self, work: Image) -> CubePose:
        """The pose moved in the picture to where the cube's look of the frame before fits best: a last
        resort for jumps that are too large for optical flow."""
        pose = self.pose
        lens = self._window.lens(pose)
        outline = project(pose.rotation, pose.translation, VERTICES, lens) / 2
        before, after = (cv2.resize(one, None, fx=0.5, fy=0.5) for one in (self._work, work))
        low = np.clip(np.floor(outline.min(0)), 0, None).astype(int)
        high = np.minimum(np.ceil(outline.max(0)), (before.shape[1], before.shape[0])).astype(int)
        if (high - low < 6).any():
            return pose
        look = before[low[1] : high[1], low[0] : high[0]]
        at = cv2.minMaxLoc(cv2.matchTemplate(after, look, cv2.TM_CCOEFF_NORMED))[3]
        shift = (np.array(at) - low) * 2.0 * pose.translation[2] / lens.focal_px
        return replace(pose, translation=pose.translation + np.array([shift[0], shift[1], 0.0]))

    # fine motion

    def _settle(self, work: Image, start: CubePose) -> Laid | None:
        """Gauss-Newton from ``start``; None where too little of the cube can be compared."""
        n = start.size
        misfit = np.full((6, n, n), np.nan, np.float32)
        cosines = face_cosines(start)
        faces = [face for face in self._looks if cosines[face] > 0.12]
        if not faces:
            return None
        soft = np.asarray(cv2.GaussianBlur(work, (0, 0), 1.0), np.uint8)
        lens = self._window.lens(start)
        rotation, translation = start.rotation, start.translation
        few = self._few
        points = np.concatenate([self._grid[face][few] for face in faces])
        kept = np.stack([self._looks[face].colours.reshape(-1, 3)[few] for face in faces])
        rows_per_motion = self._inverse_rows(rotation, translation, faces, points, lens)
        for _ in range(_STEPS):
            flat = project(rotation, translation, points, lens)
            off, size, inside = compared(soft, flat, kept)
            known = size[inside]
            if len(known) < 30:
                return None
            reach = 3.0 * max(1.5 * middle(known), 5.0)
            share = np.maximum(1.0 - (size * (1.0 / reach)) ** 2, 0.0)
            weights = share * share * inside
            rows = (rows_per_motion * weights[:, None, None]).reshape(-1, 6)
            normal = (rows.T @ rows_per_motion.reshape(-1, 6)).astype(np.float64)
            normal[np.diag_indices(6)] += 1e-4 * np.trace(normal) / 6 + 1e-9
            step = np.linalg.solve(normal, (rows.T @ off.ravel()).astype(np.float64))
            rotation, translation = moved(rotation, translation, -step)
            if float(np.abs(step).max()) < 8e-4:
                break
        many = self._many
        points = np.concatenate([self._grid[face][many] for face in faces])
        kept = np.stack([self._looks[face].colours.reshape(-1, 3)[many] for face in faces])
        flat = project(rotation, translation, points, lens)
        off, size, inside = compared(soft, flat, kept)
        usual = float(np.sqrt(((kept - kept.mean((0, 1))) ** 2).sum(2).mean())) + 1e-6
        misfit[faces] = self._by_sticker(size / usual, inside, len(faces))
        area = np.repeat(np.maximum(cosines[faces], 0.05), len(many))
        fit = float((((size < 0.45 * usual) & inside) * area).sum() / area.sum())
        chosen = (np.arange(len(faces))[:, None] * len(many) + self._few_of_many).ravel()
        turns, explained = self._slice_turns(faces, rows_per_motion, off[chosen], inside[chosen], rotation)
        return Laid(replace(start, rotation=rotation, translation=translation), fit, misfit, turns, explained)

    def _slice_turns(
        self,
        faces: list[int],
        rows_per_motion: Floats,
        off: Floats,
        inside: NDArray[np.bool_],
        rotation: NDArray[np.float64],
    ) -> tuple[Floats, Floats]:
        """Least-squares turn of each layer about each axis against the other layers, and what it explains."""
        n = self.pose.size
        about = np.matmul(rows_per_motion[..., :3], rotation.astype(np.float32))  # (P, 3 colours, 3 axes)
        pull = np.einsum("pca,pc->pa", about, off) * inside[:, None]
        push = np.einsum("pca,pca->pa", about, about) * inside[:, None]
        energy = np.einsum("pc,pc->p", off, off) * inside
        turns, explained = np.zeros((3, n), np.float32), np.zeros((3, n), np.float32)
        layers = np.concatenate([self._layers[face] for face in faces])
        for axis in range(3):
            layer = layers[:, axis]
            pulled = np.bincount(layer, pull[:, axis], n)
            pushed = np.bincount(layer, push[:, axis], n) + 1e-6
            here = np.bincount(layer, energy, n) + 1e-6
            angle = -pulled / pushed
            rest = -(pulled.sum() - pulled) / np.maximum(pushed.sum() - pushed, 1e-6)
            turns[axis] = angle - rest
            explained[axis] = np.clip(pulled**2 / (pushed * here), 0, 1) * (pushed > 0.03 * pushed.sum())
        return turns, explained

    def _by_sticker(self, size: Floats, inside: NDArray[np.bool_], faces: int) -> Floats:
        """Median over each sticker's texels, nan where most of it lies outside the window; (faces, n, n)."""
        n = self.pose.size
        by_sticker = size.reshape(faces, n, n, -1)
        half = by_sticker.shape[3] // 2
        out = np.partition(by_sticker, half, axis=3)[..., half].astype(np.float32)
        out[inside.reshape(faces, n, n, -1).mean(3) < 0.6] = np.nan
        return out

    def _inverse_rows(
        self,
        rotation: NDArray[np.float64],
        translation: NDArray[np.float64],
        faces: list[int],
        points: Floats,
        lens: Lens,
    ) -> Floats:
        """d colour / d motion (P, 3, 6) of the kept pictures at a pose."""
        motion = motion_rows(rotation, translation, points, lens)
        count = len(self._few)
        slopes = np.empty((len(points), 3, 2), np.float32)
        inverse = np.empty((len(points), 2, 2))
        camera = points @ rotation.T + translation
        depth = camera[:, 2:]
        flat = camera[:, :2] / depth
        for k, face in enumerate(faces):
            part = slice(k * count, (k + 1) * count)
            slopes[part] = self._looks[face].slopes.reshape(-1, 3, 2)[self._few]
            along = np.stack([rotation @ FACE_COLUMNS[face], rotation @ FACE_ROWS[face]], 1)  # (3, 2)
            across = (along[None, :2] - flat[part, :, None] * along[None, 2:]) * (
                lens.focal_px / depth[part, :, None]
            )
            inverse[part] = inverse_2x2(across)
        on_face = np.matmul(inverse, motion)
        return np.asarray(np.matmul(slopes, on_face.astype(np.float32)), np.float32)

    # the kept looks

    def _capture(self, pose: CubePose, *, refresh: bool) -> None:
        cosines = face_cosines(pose)
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
        soft = np.asarray(cv2.GaussianBlur(self._work, (0, 0), 1.0), np.uint8)
        lens = self._window.lens(pose)
        for face in wanted:
            flat = project(pose.rotation, pose.translation, self._grid[face], lens).astype(np.float32)
            outside = (flat < 0).any(1) | (flat[:, 0] > soft.shape[1] - 1) | (flat[:, 1] > soft.shape[0] - 1)
            if outside.mean() > 0.25:
                continue
            colours = read_off(soft, flat).reshape(self._side, self._side, 3)
            by_row = np.gradient(colours, self._texel, axis=0)
            by_col = np.gradient(colours, self._texel, axis=1)
            self._looks[face] = FaceLook(colours, np.stack([by_col, by_row], -1), float(cosines[face]))
