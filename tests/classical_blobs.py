"""Sticker-like blobs of a picture, from many threshold and edge maps: the classical finder's raw material.

Nothing here is learned. The more maps show a blob, the more it counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: sides of the windows of local thresholds in pixels; groups of colours
BLOCKS_PX, GROUPS = (31, 71, 151), 12
#: a blob's least width in pixels, its most as a share of the picture's longer side
LEAST_PX, MOST_SHARE = 7.0, 0.2
#: least share of its hull and of its smallest box that it fills, and how much longer than wide it may be
LEAST_SOLID, FILLS, SLIM = 0.86, 0.42, 6.0
#: blobs kept at most; points of each outline
MOST_BLOBS, OUTLINE = 1000, 16


@dataclass(frozen=True, eq=False)
class Blobs:
    """``centres`` (B, 2), ``areas`` (B,), ``outlines`` (B, OUTLINE, 2), all in working pixels."""

    centres: Floats
    areas: Floats
    outlines: Floats


def maps(work_bgr: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    """Binary pictures in which stickers come out as islands."""
    smooth: Any = cv2.bilateralFilter(cv2.medianBlur(work_bgr, 3), 7, 40, 5)
    lab: Any = cv2.cvtColor(smooth, cv2.COLOR_BGR2LAB)
    most, least = smooth.max(2), smooth.min(2)
    kind, mean = cv2.THRESH_BINARY, cv2.ADAPTIVE_THRESH_GAUSSIAN_C
    for channel in (most, most - least, lab[..., 0], *cv2.split(smooth)):
        for block in BLOCKS_PX:
            for below in (-2, -8):
                yield cv2.adaptiveThreshold(channel, 255, mean, kind, block, below)
    for channel in (least, lab[..., 1], lab[..., 2]):
        for one in (kind, cv2.THRESH_BINARY_INV):
            yield cv2.adaptiveThreshold(channel, 255, mean, one, 71, 0)
    for sigma, levels in ((1.0, (15, 30, 60)), (2.0, (10, 20, 40))):
        blurred: Any = cv2.GaussianBlur(smooth, (0, 0), sigma)
        for level in levels:
            edges = np.zeros(work_bgr.shape[:2], np.uint8)
            for c in range(3):
                edges |= cv2.Canny(blurred[..., c], level, 2.5 * level)
            for wide in (3, 5):
                yield np.asarray(255 - cv2.dilate(edges, np.ones((wide, wide), np.uint8)), np.uint8)
    yield from colour_groups(lab)


def colour_groups(lab: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    """One map for each group of alike colours in the picture."""
    some = lab[::8, ::8].reshape(-1, 3).astype(np.float32)
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.5)
    cv2.setRNGSeed(1)
    _, _, middles = cv2.kmeans(some, GROUPS, None, until, 1, cv2.KMEANS_PP_CENTERS)
    soft = cv2.GaussianBlur(lab, (0, 0), 1.0).astype(np.float32)
    gaps = np.stack([((soft - middle) ** 2).sum(2) for middle in middles])
    nearest = gaps.argmin(0)
    for group in range(GROUPS):
        alike = np.where(nearest == group, 255, 0).astype(np.uint8)
        yield np.asarray(cv2.morphologyEx(alike, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)


def blobs_of(work_bgr: NDArray[np.uint8]) -> Blobs:
    """Convex islands of sticker size from all maps, each once, those that most maps show."""
    largest = (MOST_SHARE * max(work_bgr.shape[:2])) ** 2
    rows, outlines = [], []
    for binary in maps(work_bgr):
        contours, _ = cv2.findContours(binary, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            if len(contour) < 3 * LEAST_PX:
                continue
            area = cv2.contourArea(contour)
            if not LEAST_PX**2 <= area <= largest:
                continue
            hull = cv2.convexHull(contour)
            solid = area / max(cv2.contourArea(hull), 1.0)
            thin, long = sorted(cv2.minAreaRect(hull)[1])
            if solid < LEAST_SOLID or thin < LEAST_PX or long > SLIM * thin or area < FILLS * thin * long:
                continue
            m = cv2.moments(hull)
            rows.append((m["m10"] / m["m00"], m["m01"] / m["m00"], area, solid))
            outlines.append(evenly(hull[:, 0].astype(np.float64)))
    if not rows:
        return Blobs(np.zeros((0, 2)), np.zeros(0), np.zeros((0, OUTLINE, 2)))
    table, shapes = np.array(rows), np.array(outlines)
    kept, votes, free = [], [], np.ones(len(table), bool)
    for i in np.argsort(-table[:, 3]):
        if not free[i]:
            continue
        near = np.hypot(*(table[:, :2] - table[i, :2]).T) < 0.2 * np.sqrt(table[i, 2])
        near &= (table[:, 2] > table[i, 2] / 1.6) & (table[:, 2] < table[i, 2] * 1.6)
        kept.append(np.flatnonzero(near)[np.argsort(table[near, 2])[int(near.sum()) // 2]])
        votes.append(int(near.sum()))
        free &= ~near
    chosen = np.array(kept)[np.argsort(-np.array(votes), kind="stable")[:MOST_BLOBS]]
    return Blobs(table[chosen, :2], table[chosen, 2], shapes[chosen])


def evenly(hull_xy: Floats) -> Floats:
    """OUTLINE points along a closed outline (P, 2), as far from each other along it."""
    closed = np.concatenate([hull_xy, hull_xy[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, along[-1], OUTLINE, endpoint=False)
    return np.stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])], 1)
