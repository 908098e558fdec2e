"""Whose colour each sticker of the top layer carries, and which are covered: a network's second opinion.

The colour model reads one colour a sticker. Glare, haze, blur and thin faces are easier to judge from the
pixels themselves, all stickers beside each other. A sticker is a token: 8 x 8 pixels across its cell, 8 x 8
coarser ones that show half of its neighbours, and a few numbers on where it lies; attention among the
stickers of the top and of up to two sides does the rest. Trained on traced pictures whose top layers are
coloured at random (tests/studio/train_whose.py), so that it knows looks and not which cases exist. A 2x2x2
has weights of its own: no middle shows its top's colour. Runs in numpy.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.samples import LEAST_COVERAGE, StickerSamples
from calibration.second_opinion import BOTTOM, SIDES, TOP, TOP_SHARE
from models.cube import frozen
from vision.attention import attended, linear, normalised, prepared, stored_weights
from vision.patches import JUST_HIDDEN, OPENED, RIM_HIDDEN, cell_patches, middles, opened_rows, ray_frame
from vision.pose import FACE_NORMALS, FACE_ROWS, SEEN_COSINE, CubePose, face_cosines

Floats = NDArray[np.float32]

PATCH: Final = 8
"""Pixels along a sticker's patches."""
MARGINS: Final = (0.1, 0.6)
"""What its two patches show beyond the sticker's cell, in cells."""
BELIEVED: Final = 2.0
"""A sticker counts as covered, at least in part, where the network sees less than one in this of it."""
UNSAID: Final = -30.0
"""Logit of what is never meant."""
_HEADS: Final = 4
_COLOURS: Final = 4
OVERSEEN: Final = 4.0
"""By so much a network that does not know rims overrates the odds that a sticker of an opened side is in
view: of 2,600 on traced pictures it gave 0.6 to some of which 0.22 were, 0.8 to 0.55, 0.95 to 0.92."""
UNSEEN_SHARES: Final = np.full(6, (1.0 - TOP_SHARE) / len(SIDES), np.float32)
"""Of a sticker that is not seen, the probability to have the colour of each face of the pose."""
UNSEEN_SHARES[[TOP, BOTTOM]] = TOP_SHARE, np.exp(UNSAID)


@dataclass(frozen=True, eq=False)
class Look:
    """What the network makes of one cube whose pose names the top face U.

    log_shares  (6, n, n, 6) log probability that a sticker has the colour of each face of the pose; all 0
                where that is not open: only the rim of U and the first rows of the two sides seen best are
    seen        (6, n, n) share 0..1 of each sticker that nothing covers; 1 where it did not look
    opened      the sides that were opened, as they are seen at a slant or the pose has them out of view
    knows_rims  whether the network was asked in training about stickers of opened sides that are out of view:
                then its word on them is taken as it is
    """

    log_shares: Floats
    seen: Floats
    opened: tuple[int, ...] = ()
    knows_rims: bool = False

    def uncovered(self, samples: StickerSamples) -> StickerSamples:
        """The samples, with less of what the network takes for a hand or another thing in the way."""
        return replace(samples, coverage=np.minimum(samples.coverage, BELIEVED * self.seen))

    def told(self, samples: StickerSamples) -> Floats:
        """``log_shares`` of the stickers that were sampled and of opened sides, all 0 elsewhere. What is said
        of a sticker of an opened side holds as far as it is seen at all."""
        counts = samples.coverage > LEAST_COVERAGE
        opened = list(self.opened)
        counts[opened] = True
        told: Floats = np.where(counts[..., None], self.log_shares, np.float32(0))
        if self.knows_rims:
            return told
        shares, said = np.exp(self.log_shares[opened, 0]), self.seen[opened, 0, :, None]
        seen = said / (said + OVERSEEN * (1 - said))
        told[opened, 0] = np.log(seen * shares + (1 - seen) * UNSEEN_SHARES)
        return told


@lru_cache(maxsize=2)
def _weights(has_middle: bool) -> dict[str, Floats]:
    name = "whose_colour.npz" if has_middle else "whose_colour_of_2.npz"
    return prepared(stored_weights(Path(__file__).parent / "data" / name), _HEADS)


def look_at(image_bgr: NDArray[np.uint8], pose: CubePose) -> Look | None:
    """Look at the top layer of a cube in a BGR picture.

    None where there is nothing to go by: more layers than it knows, a top seen edge on, and a 2x2x2 of which
    no side is in view, so that all that is seen is asked for.
    """
    n = pose.size
    cosines = face_cosines(pose)
    ranked = sorted(SIDES, key=lambda face: -cosines[face])
    if n > 5 or cosines[0] <= SEEN_COSINE or (n == 2 and cosines[ranked[0]] <= SEEN_COSINE):
        return None
    knows_rims = n > 2
    least = RIM_HIDDEN if knows_rims else JUST_HIDDEN
    opened = {face: opened_rows(pose, face, float(cosines[face]), least) for face in ranked}
    best, others = (
        [face for face in pair if cosines[face] > SEEN_COSINE or opened[face] is not None]
        for pair in (ranked[:2], ranked[2:])
    )
    log_shares, seen = np.zeros((6, n, n, 6), np.float32), np.ones((6, n, n), np.float32)
    looks = [([0, *best], [0, *best])]
    if others and knows_rims:  # from straight above these show as rims as well, and are asked about alone
        looks.append(([0, *others], others))
    shown = [0, *best, *(others if len(looks) > 1 else [])]
    pixels = _pixels(image_bgr, pose, shown, cosines, opened)
    tokens = [
        _tokens(pixels[[shown.index(face) for face in faces]], pose, faces, cosines) for faces, _ in looks
    ]
    for (faces, asked), told in zip(looks, _told(tokens, _weights(has_middle=n > 2)), strict=True):
        logits = told.reshape(len(faces), n, n, _COLOURS + 1)
        of_asked = logits[len(faces) - len(asked) :]
        log_shares[asked] = _by_face(of_asked[..., :_COLOURS], faces)
        seen[asked] = 1.0 / (1.0 + np.exp(-np.clip(of_asked[..., -1], -30.0, 30.0)))
    log_shares[~_is_open(n)] = 0.0
    sides = tuple(face for _, asked in looks for face in asked if opened.get(face) is not None)
    return Look(log_shares, seen, sides, knows_rims)


def _by_face(logits: Floats, faces: list[int]) -> Floats:
    """Log probabilities (..., 6) of each face's colour from logits (..., 4): top, side seen best, other side,
    neither. What is left is shared by the sides out of view; the bottom's colour is never meant."""
    out = np.full((*logits.shape[:-1], 6), UNSAID, np.float32)
    hidden = [face for face in SIDES if face not in faces]
    left = np.logaddexp.reduce(logits[..., len(faces) :], axis=-1) - np.log(len(hidden))
    out[..., faces] = logits[..., : len(faces)]
    out[..., hidden] = left[..., None]
    return np.asarray(out - np.logaddexp.reduce(logits, axis=-1)[..., None])


@lru_cache(maxsize=8)
def _is_open(n: int) -> NDArray[np.bool_]:
    """Which stickers (6, n, n) of the top layer are not known beforehand."""
    out = np.zeros((6, n, n), dtype=bool)
    out[0] = True
    out[0, 1 : n - 1, 1 : n - 1] = False
    out[list(SIDES), 0] = True
    return frozen(out)


def _pixels(
    image_bgr: NDArray[np.uint8],
    pose: CubePose,
    faces: list[int],
    cosines: NDArray[np.float64],
    opened: dict[int, NDArray[np.float64] | None],
) -> Floats:
    """Pixels -0.5..0.5 in BGR of the stickers of F faces, (F, n, n, patches, PATCH, PATCH, 3)."""
    rows, seen_under = FACE_ROWS[faces], []
    for slot, face in enumerate(faces):
        turned = opened.get(face)
        seen_under.append(float(cosines[face]) if turned is None else OPENED)
        if turned is not None:
            rows[slot] = turned
    patches = (cell_patches(image_bgr, pose, faces, seen_under, PATCH, margin, rows) for margin in MARGINS)
    return np.stack(list(patches), axis=3)


def _tokens(pixels: Floats, pose: CubePose, faces: list[int], cosines: NDArray[np.float64]) -> Floats:
    """(F n n, 396): the pixels of F faces, then place and normal along the ray, and six numbers."""
    n = pose.size
    turned = ray_frame(pose) @ pose.rotation
    numbers = np.empty((len(faces), n, n, 12), np.float32)
    known = ~_is_open(n)
    for slot, face in enumerate(faces):
        numbers[slot, ..., 0:3] = middles(face, n) @ turned.T
        numbers[slot, ..., 3:6] = turned @ FACE_NORMALS[face]
        numbers[slot, ..., 6] = face == 0
        numbers[slot, ..., 7] = known[face]
        numbers[slot, ..., 8] = cosines[face]
        numbers[slot, ..., 11] = slot == 2
    numbers[..., 9] = np.log2(pose.edge_px / n / 16)
    numbers[..., 10] = 4 / n - 1
    count = len(faces) * n * n
    return np.concatenate([pixels.reshape(count, -1), numbers.reshape(count, -1)], axis=1)


def _told(tokens: list[Floats], weights: dict[str, Floats]) -> list[Floats]:
    """Of each look's tokens (T, 396) the logits (T, 5) of the four colours and of being seen."""
    if len({len(one) for one in tokens}) > 1:
        return [_forward(one, weights) for one in tokens]
    return np.split(_forward(np.concatenate(tokens), weights, len(tokens)), len(tokens))


def _forward(tokens: Floats, weights: dict[str, Floats], looks: int = 1) -> Floats:
    """The network: tokens (looks T, 396) to logits (looks T, 5)."""
    x = linear(np.maximum(linear(tokens, weights, "first"), 0), weights, "second")
    return linear(normalised(attended(x, weights, _HEADS, looks)), weights, "out")
