"""One picture in, one answer out: find, sample, classify, decode, and the words for what stays open."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibration.own import read_by_profile
from calibration.profile import Profile, default_profile
from calibration.reading import Reading
from calibration.samples import LEAST_COVERAGE, StickerSamples
from models.decode_view import next_view
from vision.answer import Answer, Candidate, ShownSequence
from vision.evidence import SOLVED
from vision.locate import Found, FoundCube, find_cubes, find_near
from vision.pose import FACE_COLUMNS, FACE_ORIGINS, FACE_ROWS, FACES, CubePose
from vision.sample import sample_stickers
from vision.shrink import Halved
from vision.veil import without_veil
from vision.verdict import (
    LEAST_TOP_SEEN,
    contradiction_nats,
    judged,
    left_permutation,
    quad_of,
    refusal,
)
from vision.whose_colour import look_at
from vision.wording import little_seen

if TYPE_CHECKING:
    from models.decode import Posterior
    from models.library import Library

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
#: where no case is named at first, the same cube is looked at in other crops: their middles off by so much of
#: an edge, and their scale; so many of them must name one and the same case
OTHER_CROPS, AGREEING = ((0.0, 0.0, 1.0), (0.06, 0.04, 1.08), (-0.05, 0.05, 0.93)), 2
#: a crop that names what the first look gave less than even odds must be so sure of it: of 46 traced pictures
#: that two crops named, it leaves out 4 of the 7 named otherwise and 1 of the 39; 0.96 and 0.98 are alike
OUTRIGHT = 0.97
#: by so much likelier than a last layer are stickers of any colours where no other crop is asked: of readings
#: that were made good none had more than 3, of those of pictures without a last layer three quarters
HOPELESS_NATS = 10.0


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


def read_whole(
    image_bgr: NDArray[np.uint8],
    *,
    profile: Profile | None = None,
    size: int | None = None,
    front: str | None = None,
    library: Library | None = None,
    image: str = "",
    find: Callable[..., Found] | None = None,
) -> Read:
    """Read the last-layer case of the cube in an upright BGR picture.

    ``profile`` is the cube's colours (the built-in one where None), ``size`` fixes n, ``front`` is one of
    :data:`vision.holding.FRONTS`, ``library`` suggests sequences, ``find`` finds cubes (``find_cubes`` where
    None). Never raises for what the picture shows: an answer that names nothing carries its reason.
    """
    seconds = {"read": 0.0, "locate": 0.0, "sample": 0.0, "classify": 0.0, "decode": 0.0}
    began = time.perf_counter()
    halved = without_veil(Halved(image_bgr))
    image_bgr = halved.whole
    found = find(image_bgr, size=size) if find else find_cubes(image_bgr, size=size, halved=halved)
    seconds["locate"] = time.perf_counter() - began
    if not found.cubes:
        answer = Answer(image=image, ok=False, reason="no-cube", seconds=seconds, detail=_no_cube(found))
        return Read(answer, found)
    settings = _Settings(profile or default_profile(), front, library, image)
    nearest = found.cubes[0]
    first = _read_cube(image_bgr, found, nearest, settings, dict(seconds))
    if not first.answer.ok:
        for cube in found.cubes[1:]:
            if cube.edge_px > 0.3 * nearest.edge_px and cube.probability > 0.95:
                read = _read_cube(image_bgr, found, cube, settings, dict(seconds))
                if _gives_way(nearest, first.answer, cube, read.answer):
                    return read
    if first.answer.ok:
        return first
    if nearest.probability >= SURE_CUBE:
        return _read_in_other_crops(image_bgr, first, settings, size) or _advised(first)
    detail = "what might be a cube does not read like one"
    answer = Answer(image=image, ok=False, reason="no-cube", seconds=first.answer.seconds, detail=detail)
    return Read(answer, Found((), "no-cube", "read"))


def _read_in_other_crops(
    image_bgr: NDArray[np.uint8], first: Read, settings: _Settings, size: int | None
) -> Read | None:
    """What other crops round the same cube agree on; None where no case is named by enough of them.

    Each crop gives a pose that is off in its own way: two that name one case by chance are rare.
    """
    cube, reading, found, seconds = first.cube, first.reading, first.found, first.answer.seconds
    if cube is None or reading is None:
        return None
    if reading.posterior.log_evidence_any - reading.posterior.log_evidence > HOPELESS_NATS:
        return None
    began = time.perf_counter()
    x, y = (float(v) for v in cube.pose.project(np.zeros((1, 3)))[0])
    named: list[Read] = []
    for k, (right, down, scale) in enumerate(OTHER_CROPS):
        if len(named) + len(OTHER_CROPS) - k < AGREEING:
            return None
        edge_px = cube.edge_px
        other = find_near(image_bgr, x + right * edge_px, y + down * edge_px, scale * edge_px, size)
        if other.probability < SURE_CUBE:
            continue
        spent = dict(seconds) | {"locate": seconds["locate"] + time.perf_counter() - began}
        cubes = (other, *(one for one in found.cubes if one is not cube))
        read = _read_cube(image_bgr, replace(found, cubes=cubes), other, settings, spent)
        if read.answer.case is None or not _outweighs(first.answer, read.answer):
            continue
        if any(read.answer.case.code != one.answer.case.code for one in named if one.answer.case):
            return None
        named.append(read)
        if len(named) == AGREEING:
            return min(named, key=lambda one: one.answer.candidates[0].probability)
    return None


def _outweighs(first: Answer, other: Answer) -> bool:
    """Whether another crop's name counts beside what the first look thought of it."""
    name = other.candidates[0]
    before = sum(one.probability for one in first.candidates if one.code == name.code)
    return before >= 0.5 or name.probability >= OUTRIGHT


def _gives_way(nearest: FoundCube, first: Answer, cube: FoundCube, answer: Answer) -> bool:
    """Whether another cube is meant: the nearest may be none, or is a scrambled one beside one in practice.

    A cube that is half hidden or open between cases does not give way: it is the one that is held up.
    """
    if not answer.ok:
        return False
    if nearest.probability < SURE_CUBE:
        return True
    scrambled = first.reason == "not-last-layer" and cube.edge_px > 0.6 * nearest.edge_px
    return scrambled and answer.case is not None and answer.case.code != SOLVED


@dataclass(frozen=True, eq=False)
class _Settings:
    profile: Profile
    front: str | None
    library: Library | None
    image: str


def _read_cube(
    image_bgr: NDArray[np.uint8],
    found: Found,
    cube: FoundCube,
    settings: _Settings,
    seconds: dict[str, float],
) -> Read:
    """Read one of the cubes that were found; which side to show next is left open (:func:`_advised`)."""
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
    if _is_grey(image_bgr):
        base = _base(settings.image, pose, found, cube)
        answer = Answer(
            **base, ok=False, reason="unreadable", seconds=seconds, detail="the picture has no colour"
        )
        return Read(answer, found, cube, samples)
    began = time.perf_counter()
    told = _by_likeliest_top(image_bgr, cube, _Told(pose, samples, second, settings.profile), settings)
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
    answer = Answer(**{**_base(settings.image, pose, found, cube), **fields}, seconds=seconds)
    return Read(answer, found, cube, samples, reading, is_open)


def _advised(read: Read) -> Read:
    """With the side whose view would tell most, where several cases fit: working that out takes as long as
    half of a reading, so only what is answered in the end gets it."""
    if read.reading is None or not read.is_open:
        return read
    began = time.perf_counter()
    view = next_view(read.reading.posterior)
    seconds = dict(read.answer.seconds)
    seconds["decode"] += time.perf_counter() - began
    return replace(read, answer=replace(read.answer, next_view=view, seconds=seconds))


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
        self, pose: CubePose, samples: StickerSamples, second: NDArray[np.float32] | None, profile: Profile
    ) -> None:
        self.pose, self.samples, self.top_share = pose, samples, 1.0
        self.elsewise: Mapping[str, float] = {}
        self.reading = read_by_profile(samples, profile, tops=(0,), second=second)
        self.top_seen = float(samples.coverage[0].mean())
        self.refused = refusal(self.reading.posterior, self.top_seen)


def _by_likeliest_top(
    image_bgr: NDArray[np.uint8], cube: FoundCube, upper: _Told, settings: _Settings
) -> _Told:
    """The reading by the uppermost face, or by another one where that reads better as the last layer's."""
    reason = upper.refused[0]
    is_covered = reason == "top-hidden" and "U" in upper.pose.visible_faces(WELL_TURNED_COSINE)
    contradicted = contradiction_nats(upper.reading, upper.samples) > AGAINST_NATS
    if reason is None and not contradicted:
        return upper
    top = read_by_profile(upper.samples, settings.profile, any_colours=False).posterior.top
    if top == 0:
        return upper
    pose = upper.pose.turned_to(top, settings.front)
    other = _Told(pose, *sampled(image_bgr, cube, pose), settings.profile)
    if reason == "not-last-layer":
        return other
    gain = other.reading.log_evidence - upper.reading.log_evidence
    gain -= COVERED_NATS if is_covered else UPPERMOST_NATS
    chosen, left = (other, upper) if gain > 0 and other.refused[0] is None else (upper, other)
    chosen.elsewise = left.reading.posterior.case_probabilities
    chosen.top_share = float(1.0 / (1.0 + np.exp(-abs(gain))))
    return chosen


def read_picture(image_bgr: NDArray[np.uint8], **options: Any) -> Answer:
    """:func:`read_whole`, the answer alone."""
    return read_whole(image_bgr, **options).answer


def _is_grey(image_bgr: NDArray[np.uint8]) -> bool:
    """Whether no pixel of a sparse sample has any colour to speak of (levels 0..255)."""
    for every in (56, 7):  # hardly a picture needs more than the first few to tell
        b, g, r = (np.ascontiguousarray(image_bgr[::every, ::every, k]) for k in range(3))
        spread = np.maximum(np.maximum(b, g), r) - np.minimum(np.minimum(b, g), r)
        if int(spread.max(initial=0)) > 3:
            return False
    return True


def _no_cube(found: Found) -> str:
    if found.stage == "picture too small":
        return "the picture is too small to hold a cube"
    return (
        "nothing in the picture looks like a cube"
        if found.stage == "propose"
        else ("what looked like a cube from afar did not hold up close")
    )


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
    others = tuple(quad_of(other.pose) for other in found.cubes if other is not cube)
    return {"image": image, "size": pose.size, "grids": grids, "others": others}
