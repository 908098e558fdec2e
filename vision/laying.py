"""Lay the kept looks of a cube's faces over a new frame: the fine motion of a track.

Gauss-Newton steps on the six numbers of the motion, with the slopes of the kept pictures instead of the
frame's, so that they are worked out once for all steps of a frame. What a motion does to a point of a face
is written in the cube's axes: there the faces' directions are unit vectors, and most of the work depends
on the kept look alone and is done once for all frames that it serves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.looks import Cover, FaceLook, Floats, Image, Laid, compared
from vision.motion import Lens, middle, moved, project
from vision.pose import FACE_COLUMNS, FACE_NORMALS, FACE_ROWS, CubePose, face_cosines, face_points

TEXELS: Final = 24
"""About so many texels along a face's edge; a multiple of the cube's size is used."""
LEAST_TEXELS: Final = 30
_STEPS: Final = 4
_SMALL_STEP: Final = 8e-4
_ALONG: Final = np.stack([FACE_COLUMNS, FACE_ROWS], axis=1).astype(np.float32)
"""Directions (6, 2, 3) of the columns and rows of each face."""


class Texels:
    """The points at which a cube of ``size`` layers is looked at.

    ``grid`` (6, side * side, 3): all of a face, in cube axes, row by row. ``many`` are the places of the half
    of them for the last look, sticker by sticker; ``few`` of the half of those for the steps, ``few_of_many``
    their places among the many. ``layers`` (6, 3, n, few): 1 where a point belongs to a layer along x, y, z.
    """

    def __init__(self, size: int) -> None:
        per_cell = max(4, 2 * round(TEXELS / size / 2))
        self.size = size
        self.side = side = size * per_cell
        steps = (np.arange(side) + 0.5) / side
        cols, rows = np.meshgrid(steps, steps)
        self.grid = np.array([face_points(face, cols.ravel(), rows.ravel()) for face in range(6)], np.float32)
        of_sticker = np.arange(size).repeat(per_cell)
        sticker = (of_sticker[:, None] * size + of_sticker[None, :]).ravel()
        diagonal = np.add.outer(np.arange(side), np.arange(side)).ravel()
        even = np.flatnonzero(diagonal % 2 == 0)
        self.many = even[np.argsort(sticker[even], kind="stable")]
        self.few_of_many = np.arange(0, len(even), 2)
        self.few = self.many[self.few_of_many]
        self.many_points: NDArray[Any] = self.grid[:, self.many]
        self.few_points: NDArray[Any] = self.grid[:, self.few]
        layer_of = np.clip(np.floor((self.grid[:, self.few] + 0.5) * size), 0, size - 1)
        layer_of = layer_of.transpose(0, 2, 1)[:, :, None, :]
        self.layers: Floats = (layer_of == np.arange(size)[:, None]).astype(np.float32)


@lru_cache(maxsize=8)
def texels(size: int) -> Texels:
    """The points for cubes of ``size`` layers."""
    return Texels(size)


def soften(work: Image) -> Image:
    """A window's picture as looks are taken from it and held against it."""
    return np.asarray(cv2.GaussianBlur(work, (0, 0), 1.0), np.uint8)


class Surface:
    """Kept looks of some faces of one cube, made ready to be laid over frame after frame."""

    def __init__(self, size: int, looks: Mapping[int, FaceLook]) -> None:
        self._texels = at = texels(size)
        self._faces = list(looks)
        self._few_points = at.few_points[self._faces].reshape(-1, 3)
        self._many_points = at.many_points[self._faces].reshape(-1, 3)
        self._few_kept, self._many_kept = (
            np.stack([look.colours.reshape(-1, 3)[some] for look in looks.values()])
            for some in (at.few, at.many)
        )
        off = self._many_kept - self._many_kept.mean((0, 1))
        self._usual = float(np.sqrt(np.einsum("fpc,fpc->fp", off, off).mean())) + 1e-6
        starts = np.arange(len(self._faces))[:, None] * len(at.many)
        self._few_of_many = (starts + at.few_of_many).ravel()
        self._layers = np.concatenate([at.layers[face] for face in looks], axis=2)
        # slopes (3 axes of the cube, points, 3 colours) along the faces, and how far they climb to each point
        slopes = [
            look.slopes.reshape(-1, 6)[at.few].reshape(-1, 2) @ _ALONG[face] for face, look in looks.items()
        ]
        self._slopes = np.ascontiguousarray(np.concatenate(slopes).T)
        self._arms = np.repeat(self._few_points.T, 3, axis=1)
        self._climb = (self._slopes * self._arms).sum(0)

    def laid(self, soft: Image, start: CubePose, lens: Lens, cover: Cover | None = None) -> Laid | None:
        """Laid over a softened window from ``start`` on; None where too little of it can be compared.

        With a ``cover`` the pose and the fit go by what is free of it, the misfit tells of all stickers.
        """
        home = start.rotation
        rotation, translation = start.rotation, start.translation
        rows = self._rows(start)
        few_free, many_free = (
            self._points_of(cover, points) for points in (self._few_points, self._many_points)
        )
        typical = 0.0
        for _ in range(_STEPS):
            flat = project(rotation, translation, self._few_points, lens)
            off, size, inside = compared(soft, flat, self._few_kept, few_free)
            counts = inside if few_free is None else inside & few_free
            known = size[counts]
            if len(known) < LEAST_TEXELS:
                return None
            typical = middle(known)
            reach = 3.0 * max(1.5 * (typical if cover is None else min(typical, cover.usual_off)), 5.0)
            share = np.maximum(1.0 - (size * np.float32(1.0 / reach)) ** 2, 0.0)
            weighted = rows * np.repeat(share * share * counts, 3)
            normal = (weighted @ rows.T).astype(np.float64)
            normal.flat[::7] += 1e-4 * np.trace(normal) / 6 + 1e-9
            step = np.linalg.solve(normal, (weighted @ off.ravel()).astype(np.float64))
            step = (step.reshape(2, 3) @ home.T).ravel()  # into the camera's axes
            rotation, translation = moved(rotation, translation, -step)
            if float(np.abs(step).max()) < _SMALL_STEP:
                break
        flat = project(rotation, translation, self._many_points, lens)
        off, size, inside = compared(soft, flat, self._many_kept, many_free)
        n, faces = start.size, self._faces
        misfit = np.full((6, n, n), np.nan, np.float32)
        misfit[faces] = self._by_sticker(size / self._usual, inside)
        area = np.maximum(face_cosines(start)[faces], 0.05)
        alike = ((size < 0.45 * self._usual) & inside).reshape(len(faces), -1)
        if many_free is None:
            fit = float(alike.mean(1) @ area / area.sum())
        else:
            free = many_free.reshape(len(faces), -1)
            fit = float(((alike & free).sum(1) @ area) / max(free.sum(1) @ area, 1e-6))
        few = self._few_of_many
        turns, explained = self._layer_turns(rows, off[few], inside[few])
        pose = replace(start, rotation=rotation, translation=translation)
        return Laid(pose, fit, misfit, turns, explained, typical)

    def _points_of(self, cover: Cover | None, points: Floats) -> NDArray[np.bool_] | None:
        """Which of the points (faces * stickers * P) belong to stickers that are free of a cover."""
        if cover is None:
            return None
        free = cover.free[self._faces].ravel()
        return np.repeat(free, len(points) // len(free))

    def _rows(self, pose: CubePose) -> Floats:
        """d colour / d motion (6, points * 3 colours) of the kept looks at a pose, the motion in the cube's
        axes. A point that leaves its face's plane is seen where its ray pierces the plane."""
        eye = pose.eye_xyz.astype(np.float32)
        rows = np.empty((6, self._slopes.shape[1]), np.float32)
        slope = rows[3:]
        slope[:] = self._slopes
        climb = self._climb - eye @ self._slopes
        part = len(climb) // len(self._faces)
        for k, face in enumerate(self._faces):
            here = slice(k * part, (k + 1) * part)
            normal = FACE_NORMALS[face]
            axis = int(np.abs(normal).argmax())
            slope[axis, here] = climb[here] * np.float32(-normal[axis] / (0.5 - normal @ pose.eye_xyz))
        x, y, z = self._arms
        rows[0] = y * slope[2] - z * slope[1]
        rows[1] = z * slope[0] - x * slope[2]
        rows[2] = x * slope[1] - y * slope[0]
        return rows

    def _layer_turns(self, rows: Floats, off: Floats, inside: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """Least-squares turn of each layer about each axis against the other layers, and what it explains."""
        about = rows[:3].reshape(3, -1, 3)
        pull = np.einsum("apc,pc->ap", about, off) * inside
        push = np.einsum("apc,apc->ap", about, about) * inside
        energy = np.einsum("pc,pc->p", off, off) * inside
        pulled, pushed = (np.matmul(self._layers, one[..., None])[..., 0] for one in (pull, push))
        pushed, here = pushed + 1e-6, self._layers @ energy + 1e-6
        pulled_all, pushed_all = pulled.sum(1, keepdims=True), pushed.sum(1, keepdims=True)
        rest = -(pulled_all - pulled) / np.maximum(pushed_all - pushed, 1e-6)
        turns = -pulled / pushed - rest
        explained = np.clip(pulled**2 / (pushed * here), 0, 1) * (pushed > 0.03 * pushed_all)
        return turns.astype(np.float32), explained.astype(np.float32)

    def _by_sticker(self, size: Floats, inside: NDArray[np.bool_]) -> Floats:
        """Median over each sticker's texels, nan where most of it lies outside the window; (faces, n, n)."""
        n = self._texels.size
        by_sticker = size.reshape(len(self._faces), n, n, -1)
        half = by_sticker.shape[3] // 2
        out = np.partition(by_sticker, half, axis=3)[..., half].astype(np.float32)
        out[inside.reshape(by_sticker.shape).mean(3) < 0.6] = np.nan
        return out
