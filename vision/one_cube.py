"""One cube of a picture, from its pose to an answer: sample, tell which face is the top, classify, decode."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibration.own import read_by_profile, top_by_profile
from calibration.profile import Profile
from calibration.reading import Reading
from calibration.samples import LEAST_COVERAGE, StickerSamples
from models.turns import FACES
from vision.answer import Answer, Candidate, ShownSequence, quad_of
from vision.found import Found, FoundCube
from vision.pose import FACE_COLUMNS, FACE_ORIGINS, FACE_ROWS, CubePose
from vision.sample import sample_stickers
from vision.verdict import (
    LEAST_TOP_SEEN,
    contradiction_nats,
    judged,
    left_permutation,
    refusal,
)
from vision.whose_colour import look_at
from vision.wording import little_seen

if TYPE_CHECKING:
    from models.library import Library
    from models.posterior import Posterior

#: what cannot be read counts as a cube from this probability of the finder on
SURE_CUBE = 0.5
#: a sticker speaks against the state that was read when another colour is likelier by this many nats: then
#: another face is asked whether it is the last layer's (of traced pictures 26 in 100; 20 at 3 nats)
AGAINST_NATS = 1.5
#: an uppermost face turned to the camera by this much, and yet not seen, has something lying over it
WELL_TURNED_COSINE = 0.2
#: how much likelier the uppermost face is to be the last layer's before anything is read: 20 to 1; 1000 to 1
#: where it is covered, and so tells nothing of itself
UPPERMOST_NATS, COVERED_NATS = 3.0, 7.0


@dataclass(frozen=True, eq=False)
class Read:
    """Everything that one picture gave: the answer, and what it was made of (None where it ended before).
    ``is_open`` where several cases fit what was seen."""

    answer: Answer
    found: Found
    cube: FoundCube | None = None
    samples: StickerSamples | None = None
    reading: Reading | None = None
    is_open: bool = False


@dataclass(frozen=True, eq=False)
class Settings:
    """What a picture is read with; as :func:`vision.pipeline.read_whole` takes it.

    ``colourless`` is whether the picture as it came has no colour: where stray light is taken off, what its
    compression left of one grows to what may be read. ``mirrored``: it is known to be a mirror image.
    """

    profile: Profile
    front: str | None
    library: Library | None
    image: str
    colourless: bool = False
    mirrored: bool = False


def read_cube(
    image_bgr: NDArray[np.uint8],
    found: Found,
    cube: FoundCube,
    settings: Settings,
    seconds: dict[str, float],
) -> Read:
    """Read one of the cubes that were found; which side to show next is left open: it takes long, and
    not every reading becomes the answer."""
    began = time.perf_counter()
    pose = cube.pose.turned_to(0, settings.front)
    samples, second = sampled(image_bgr, cube, pose)
    upper_seen = float(samples.coverage[0].mean())
    seconds["sample"] = time.perf_counter() - began
    if not (samples.coverage > LEAST_COVERAGE).any():
        base = _base(settings.image, pose, found, cube)
        answer = Answer(
            **base, ok=False, reason="top-hidden", seconds=seconds, detail="no sticker can be seen"
        )
        return Read(answer, found, cube, samples)
    if settings.colourless:
        base = _base(settings.image, pose, found, cube)
        answer = Answer(
            **base, ok=False, reason="unreadable", seconds=seconds, detail="the picture has no colour"
        )
        return Read(answer, found, cube, samples)
    began = time.perf_counter()
    told = _by_likeliest_top(image_bgr, cube, _Told(pose, samples, second, settings), settings)
    pose, samples, reading = told.pose, told.samples, told.reading
    seconds["classify"] = time.perf_counter() - began
    began = time.perf_counter()
    fields = judged(reading, samples, settings.profile, pose, told.top_share, told.elsewise, told.refused)
    is_open = fields.get("reason") == "ambiguous"
    if not fields["ok"] and upper_seen < LEAST_TOP_SEEN and fields["reason"] != "top-hidden":
        fields |= {"reason": "top-hidden", "detail": little_seen(upper_seen, "upper face")}
    seconds["decode"] = time.perf_counter() - began
    if fields["ok"] and settings.library is not None:
        fields |= _suggested(reading.posterior, settings.library, fields["permutation"])
    base = _base(settings.image, pose, found, cube)
    answer = Answer(**{**base, **fields}, told_mirrored=settings.mirrored, seconds=seconds)
    return Read(answer, found, cube, samples, reading, is_open)


def _suggested(posterior: Posterior, library: Library, left: Candidate | None) -> dict[str, Any]:
    """Sequences, and what is left after the first of them; none for oriented pieces whose permutation
    (``left``) is not settled: they would be for a guess."""
    state = posterior.state
    if state.is_oriented and left is None:
        return {}
    shown = library.suggest(state, posterior.size)
    if shown and not state.is_oriented:
        left = left_permutation(posterior, f"{shown[0].first} {shown[0].turns}")
    return {
        "sequences": tuple(ShownSequence.from_suggestion(one) for one in shown),
        "permutation": left,
    }


def sampled(
    image_bgr: NDArray[np.uint8], cube: FoundCube, pose: CubePose
) -> tuple[StickerSamples, NDArray[np.float32] | None]:
    """The stickers under a pose, and a second opinion (6, n, n, 6) on whose colours they carry."""
    samples = sample_stickers(image_bgr, pose, cube.surface)
    look = look_at(image_bgr, pose)
    if look is None:
        return samples, None
    samples = look.uncovered(samples)
    return samples, look.told(samples)


class _Told:
    """One cube's stickers read with face U of ``pose`` as the last layer's; ``top_share`` is the probability
    that it is, ``elsewise`` that of each case if it is not, ``refused`` what speaks against it."""

    def __init__(
        self, pose: CubePose, samples: StickerSamples, second: NDArray[np.float32] | None, settings: Settings
    ) -> None:
        self.pose, self.samples, self.top_share = pose, samples, 1.0
        self.elsewise: Mapping[str, float] = {}
        self.reading = read_by_profile(
            samples, settings.profile, tops=(0,), second=second, mirrored=settings.mirrored
        )
        self.top_seen = float(samples.coverage[0].mean())
        self.refused = refusal(self.reading.posterior, self.top_seen)


def _by_likeliest_top(
    image_bgr: NDArray[np.uint8], cube: FoundCube, upper: _Told, settings: Settings
) -> _Told:
    """The reading by the uppermost face, or by another one where that reads better as the last layer's."""
    reason = upper.refused[0]
    is_covered = reason == "top-hidden" and "U" in upper.pose.visible_faces(WELL_TURNED_COSINE)
    contradicted = contradiction_nats(upper.reading, upper.samples) > AGAINST_NATS
    if reason is None and (not contradicted or _shows_solved(upper)):
        return upper
    top = top_by_profile(upper.samples, settings.profile, mirrored=settings.mirrored)
    if top == 0:
        return upper
    pose = upper.pose.turned_to(top, settings.front)
    other = _Told(pose, *sampled(image_bgr, cube, pose), settings)
    if reason == "not-last-layer":
        return other
    gain = other.reading.log_evidence - upper.reading.log_evidence
    gain -= COVERED_NATS if is_covered else UPPERMOST_NATS
    chosen, left = (other, upper) if gain > 0 and other.refused[0] is None else (upper, other)
    chosen.elsewise = left.reading.posterior.case_probabilities
    chosen.top_share = float(1.0 / (1.0 + np.exp(-abs(gain))))
    return chosen


def _shows_solved(told: _Told) -> bool:
    """Whether each face in view was read as of one colour: then every one may be the last layer's, and none
    says so better than the uppermost."""
    settled = told.reading.posterior.marginals.argmax(-1)
    unlike = (settled != settled[:, -1:, -1:]) & (told.samples.coverage > LEAST_COVERAGE)
    return not unlike.any()


def is_colourless(image_bgr: NDArray[np.uint8]) -> bool:
    """Whether no pixel of a sparse sample has any colour to speak of (levels 0..255)."""
    for every in (56, 7):  # hardly a picture needs more than the first few to tell
        b, g, r = (np.ascontiguousarray(image_bgr[::every, ::every, k]) for k in range(3))
        spread = np.maximum(np.maximum(b, g), r) - np.minimum(np.minimum(b, g), r)
        if int(spread.max(initial=0)) > 3:
            return False
    return True


def _base(image: str, pose: CubePose, found: Found, cube: FoundCube) -> dict[str, Any]:
    """What is known of a picture before its stickers are read."""
    nodes = np.linspace(0, 1, pose.size + 1)
    faces = pose.in_view()
    planes = FACE_ORIGINS[faces], FACE_COLUMNS[faces], FACE_ROWS[faces]
    points = np.moveaxis(pose.project_planes(*planes, nodes, nodes), 0, -1).tolist()
    grids = {
        FACES[face]: tuple(tuple((x, y) for x, y in row) for row in grid)
        for face, grid in zip(faces, points, strict=True)
    }
    others = tuple(
        quad_of(other.pose.face_quad_xy("U").tolist()) for other in found.cubes if other is not cube
    )
    return {"image": image, "size": pose.size, "grids": grids, "others": others}
