"""Finds the faces of a cube by thresholds, edges and lattices alone: what the networks must beat.

Nothing here is learned. Of the blobs of tests/classical_blobs.py three neighbours propose a lattice, all
blobs vote for it, a robust homography over whole lattice places grows it outwards, and the n x n window that
holds most of it gives the face and n. Cells without a blob count in part when edges run where the lattice
says that their sides are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from classical_blobs import Blobs, Floats, blobs_of
from numpy.typing import NDArray

#: longer side of the picture that is worked on, in pixels; smaller pictures are enlarged
WORK_PX = 1280
#: sizes that a face may have
SIZES = (2, 3, 4, 5)
#: a blob lies in its cell when its middle is off by less (cells), and its box is of such a size and so full
OFF_CELLS, BOX_CELLS, FULL = 0.2, (0.5, 1.12), 0.68
#: and where its box is as large as most boxes of the lattice, up to this difference of logarithms
ALIKE = 0.25
#: lattices grown at most; cells each way that are looked at from the first; blobs from which on a lattice
#: that gives no face is a pattern, none of whose blobs is asked again
MOST_SEEDS, REACH, PATTERN = 300, 5, 12
#: what a window gains by a blob, an empty cell with edges on all sides, an empty one, a blob left outside
BLOB, EDGED, EMPTY, OUTSIDE = 1.0, 0.3, -1.0, -0.5
#: least sum, and least share of the best, from which a face is reported
LEAST_SUM, LEAST_OF_BEST = 3.9, 0.35
#: pixels per cell of the squared-up picture in which edges are looked for
CELL_PX = 16


@dataclass(frozen=True, eq=False)
class ClassicalFace:
    """``quad_xy`` (4, 2) pixels of the face's corners going round, ``size`` 2..5, ``total`` the support."""

    quad_xy: Floats
    size: int
    total: float


def fits_cell(outlines: Floats) -> NDArray[np.bool_]:
    """Whether outlines (..., OUTLINE, 2) in cells are about one upright cell large and fill their box."""
    box = outlines.max(-2) - outlines.min(-2)
    x, y = outlines[..., 0], outlines[..., 1]
    area = 0.5 * np.abs((x * np.roll(y, -1, -1) - y * np.roll(x, -1, -1)).sum(-1))
    sized = (box > BOX_CELLS[0]) & (box < BOX_CELLS[1])
    return np.asarray(sized.all(-1) & (area > FULL * box.prod(-1)))


def seeds(blobs: Blobs) -> list[tuple[int, Floats]]:
    """(blob, step matrix (2, 2) with the two lattice steps as columns), the most voted first."""
    found: list[tuple[int, int, Floats]] = []
    for i, (centre, area) in enumerate(zip(blobs.centres, blobs.areas, strict=True)):
        away = blobs.centres - centre
        far = np.hypot(*away.T)
        alike = (far > 0) & (far < 3.5 * np.sqrt(area)) & (blobs.areas > area / 2) & (blobs.areas < area * 2)
        near = np.flatnonzero(alike)
        near = near[np.argsort(far[near])][:12]
        first, second = np.triu_indices(len(near), 1)
        steps = np.stack([away[near[first]], away[near[second]]], 2)
        cells = np.abs(np.linalg.det(steps)) / area
        steps = steps[(cells > 0.9) & (cells < 2.2)]
        if not len(steps):
            continue
        back = np.linalg.inv(steps)
        own = np.einsum("sij,pj->spi", back, blobs.outlines[i] - centre)
        fits = fits_cell(own)
        steps, back = steps[fits], back[fits]
        at = np.einsum("sij,bj->sbi", back, away)
        whole = np.round(at)
        votes = (np.abs(at - whole).max(2) < OFF_CELLS) & (np.abs(whole).max(2) <= 2) & alike[None]
        for s in range(len(steps)):
            places = len(np.unique(whole[s][votes[s]], axis=0))
            if places >= 3:
                found.append((places, i, steps[s]))
    found.sort(key=lambda one: -one[0])
    return [(i, steps) for _, i, steps in found]


def grown(blobs: Blobs, first: int, steps: Floats) -> tuple[Floats, dict[tuple[int, int], int]] | None:
    """The homography (3, 3) from lattice places to pixels, and the blob of each place that has one."""
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = steps, blobs.centres[first]
    taken: dict[tuple[int, int], int] = {}
    for reach in (1, 2, 3, REACH, REACH):
        if abs(np.linalg.det(matrix)) < 1e-9:
            return None
        back = np.linalg.inv(matrix)
        at = cv2.perspectiveTransform(blobs.centres[None], back)[0]
        whole = np.round(np.clip(at, -99, 99)).astype(int)
        off = np.abs(at - whole).max(1)
        near = np.flatnonzero((off < OFF_CELLS) & (np.abs(whole).max(1) <= reach))
        if not len(near):
            return None
        shapes = cv2.perspectiveTransform(blobs.outlines[near], back)
        fits = fits_cell(shapes)
        near, box = near[fits], (shapes.max(1) - shapes.min(1))[fits]
        if reach > 1 and len(near):  # the next face goes on along one axis, its stickers are seen otherwise
            fits = (np.abs(np.log(box / np.median(box, 0))) < ALIKE).all(1)
            near = near[fits]
        taken = {}
        for b in near[np.argsort(off[near])]:
            taken.setdefault((int(whole[b, 0]), int(whole[b, 1])), int(b))
        taken = joined(taken)
        fitted = plane(blobs, taken)
        if fitted is None:
            return None
        matrix = fitted
    return matrix, taken


def plane(blobs: Blobs, taken: dict[tuple[int, int], int]) -> Floats | None:
    """The homography (3, 3) from places to pixels that most of the blobs bear out; None for too few."""
    if len(taken) < 4 or min(np.ptp(list(taken), axis=0)) < 1:
        return None
    places, chosen = np.array(list(taken), np.float64), list(taken.values())
    pixels, cell_px = blobs.centres[chosen], float(np.sqrt(np.median(blobs.areas[chosen])))
    if len(taken) < 7 or min(np.ptp(places, axis=0)) < 2:  # too few to tell perspective
        affine, _ = cv2.estimateAffine2D(places, pixels, ransacReprojThreshold=0.2 * cell_px)
        return None if affine is None else np.concatenate([affine, [[0.0, 0.0, 1.0]]])
    matrix, _ = cv2.findHomography(places, pixels, cv2.RANSAC, 0.12 * cell_px)
    return None if matrix is None else np.asarray(matrix)


def joined(taken: dict[tuple[int, int], int]) -> dict[tuple[int, int], int]:
    """The places that hang together, a gap of one place bridged; those round the first."""
    if not taken:
        return {}
    start = min(taken, key=lambda place: abs(place[0]) + abs(place[1]))
    reached, edge = {start}, [start]
    while edge:
        x, y = edge.pop()
        for place in taken:
            if place not in reached and abs(place[0] - x) + abs(place[1] - y) <= 2:
                reached.add(place)
                edge.append(place)
    return {place: taken[place] for place in reached}


def edges_of_cells(strength: NDArray[np.float32], matrix: Floats) -> Floats:
    """Share 0..1 of each cell's four sides along which an edge runs, (places in x, places in y)."""
    count = 2 * REACH + 1
    side = (count + 1) * CELL_PX
    to_patch = np.array([[CELL_PX, 0, side / 2], [0, CELL_PX, side / 2], [0, 0, 1.0]])
    warp = np.linalg.inv(matrix @ np.linalg.inv(to_patch))
    patch = cv2.warpPerspective(strength, warp, (side, side))
    quarter, half = CELL_PX // 4, CELL_PX // 2
    cells = patch[half:-half, half:-half].reshape(count, CELL_PX, count, CELL_PX).transpose(0, 2, 1, 3)
    inside = np.median(cells[:, :, quarter:-quarter, quarter:-quarter], (2, 3))
    share = np.zeros((count, count))
    for turned, plain in ((patch, inside), (patch.T, inside.T)):
        # edges that run along rows: the strongest line near each, over the middle of the cell's width
        flat = turned[:, half:-half].reshape(side, count, CELL_PX)[:, :, quarter:-quarter].mean(2)
        lines = np.stack([flat[k * CELL_PX + quarter : (k + 1) * CELL_PX - quarter + 1].max(0)
                          for k in range(count + 1)])  # fmt: skip
        found = [(lines[k : k + count] > 1.6 * plain + 6.0) for k in (0, 1)]
        both = (found[0].astype(float) + found[1]) / 4
        share += both if turned is patch else both.T
    return np.asarray(share.T)


def best_window(taken: dict[tuple[int, int], int], edged: Floats) -> tuple[float, int, int, int]:
    """(sum, n, first place in x, first place in y) of the n x n window that the lattice speaks for most."""
    count = 2 * REACH + 1
    worth = np.where(edged > 0.9, EDGED, EMPTY)
    filled = np.zeros((count, count))
    for x, y in taken:
        worth[x + REACH, y + REACH] = BLOB
        filled[x + REACH, y + REACH] = 1
    best = (-np.inf, 0, 0, 0)
    for n in SIZES:
        for x in range(count - n + 1):
            for y in range(count - n + 1):
                inside = filled[x : x + n, y : y + n].sum()
                part = worth[x : x + n, y : y + n]
                if inside < max(4, 0.4 * n * n) or min(*part[[0, -1]].sum(1), *part[:, [0, -1]].sum(0)) < 0:
                    continue
                total = part.sum() + OUTSIDE * (len(taken) - inside)
                best = max(best, (float(total), n, x - REACH, y - REACH))
    return best


def find_faces(image_bgr: NDArray[np.uint8]) -> list[ClassicalFace]:
    """Faces seen in a BGR picture, the uppermost first; none where no lattice of 2 to 5 stands out."""
    scale = WORK_PX / max(image_bgr.shape[:2])
    work: Any = cv2.resize(
        image_bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    )
    blobs = blobs_of(work)
    soft = cv2.GaussianBlur(work, (0, 0), 1.5).astype(np.float32)
    strength = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)).max(2) / 4
    found: list[ClassicalFace] = []
    done: set[int] = set()
    tried = 0
    for first, steps in seeds(blobs):
        if first in done:
            continue
        tried += 1
        if tried > MOST_SEEDS:
            break
        lattice = grown(blobs, first, steps)
        if lattice is None:
            continue
        matrix, taken = lattice
        total, n, x, y = best_window(taken, edges_of_cells(strength, matrix))
        if total < LEAST_SUM:
            if len(taken) > PATTERN:
                done |= set(taken.values())
            continue
        held = {place: b for place, b in taken.items() if x <= place[0] < x + n and y <= place[1] < y + n}
        done |= set(held.values())
        better = plane(blobs, held)
        matrix = matrix if better is None else better
        corners = np.array([[[x, y], [x + n, y], [x + n, y + n], [x, y + n]]], np.float64) - 0.5
        quad = cv2.perspectiveTransform(corners, matrix)[0]
        found.append(ClassicalFace((quad + 0.5) / scale, n, total))
    found.sort(key=lambda face: -face.total)
    apart: list[ClassicalFace] = []
    for face in found:
        if face.total < LEAST_OF_BEST * found[0].total:
            break
        if all(overlap(face.quad_xy, other.quad_xy) < 0.3 for other in apart):
            apart.append(face)
    return sorted(apart, key=lambda face: float(face.quad_xy[:, 1].mean()))


def overlap(first_xy: Floats, second_xy: Floats) -> float:
    """Common area of two quads as a share of the smaller one."""
    a, b = first_xy.astype(np.float32), second_xy.astype(np.float32)
    common, _ = cv2.intersectConvexConvex(a, b)
    return float(common) / max(min(abs(cv2.contourArea(a)), abs(cv2.contourArea(b))), 1e-6)
