"""One picture in, one answer out: find, sample, classify, decode, and the words for what stays open."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibration.profile import Profile, default_profile
from calibration.reading import Reading, read_stickers
from calibration.samples import StickerSamples
from models.cases import CASES, Case, case_of
from models.decode import Posterior
from models.decode_doubt import alternatives, misfits, next_view
from models.decode_permutation import permutation_posterior
from vision.answer import Answer, Candidate, NamedCase, Quad, Reason, ShownSequence, StateSeen, TopFace
from vision.locate import Found, FoundCube, find_cubes
from vision.pose import FACES, CubePose, cube_rotations, face_points
from vision.sample import sample_stickers

if TYPE_CHECKING:
    from models.library import Library

FRONTS = ("near", "far", "left", "right")
#: a case is named from this posterior probability on; chosen on held-out pictures, see DEVELOPERS.md
SPEAK_FROM = 0.90
#: share of the top face's stickers that must be seen, on average
LEAST_TOP_SEEN = 0.42
#: a sticker counts as seen, for a person, from this coverage on
_SEEN_FROM = 0.3
_ROW_WORDS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh")
_FACE_WORDS = {"U": "top", "R": "right", "F": "front", "L": "left", "B": "back", "D": "bottom"}


@dataclass(frozen=True, eq=False)
class Read:
    """Everything that one picture gave: the answer, and what it was made of (None where it ended before)."""

    answer: Answer
    found: Found
    cube: FoundCube | None = None
    samples: StickerSamples | None = None
    reading: Reading | None = None


def turned_to(pose: CubePose, top: int, front: str | None) -> CubePose:
    """Relabel a pose so that face ``top`` becomes U, and F the side that ``front`` names.

    ``front`` None or "near": the side most turned to the camera (none in view: the one whose edge of the
    top face is lowest in the picture); "far" its opposite; "left" and "right" its neighbours seen from outside.
    """
    new_top = pose.relabelled(np.eye(3))
    options = [turn for turn in cube_rotations() if np.allclose(turn[:, 1], _NORMALS[top])]
    scored = []
    for turn in options:
        relabelled = new_top.relabelled(turn)
        facing = float(relabelled.facing()[2])
        low = float(relabelled.face_quad_xy("U")[2:, 1].mean())
        scored.append(((facing, low) if facing > 0 else (0.0, low), relabelled, turn))
    near = max(scored, key=lambda item: item[0])
    if front in (None, "near"):
        return near[1]
    wanted = {"far": -near[2][:, 2], "right": near[2][:, 0], "left": -near[2][:, 0]}[str(front)]
    return next(p for _, p, turn in scored if np.allclose(turn[:, 2], wanted))


_NORMALS = np.array([(0, 1, 0), (1, 0, 0), (0, 0, 1), (0, -1, 0), (-1, 0, 0), (0, 0, -1)], dtype=np.float64)


def read_whole(
    image_bgr: NDArray[np.uint8],
    *,
    profile: Profile | None = None,
    size: int | None = None,
    front: str | None = None,
    library: Library | None = None,
    image: str = "",
    find: Callable[..., Found] = find_cubes,
) -> Read:
    """Read the last-layer case of the cube in an upright BGR picture.

    ``profile`` is the cube's colours (the built-in one where None), ``size`` fixes n, ``front`` is one of
    :data:`FRONTS`, ``library`` suggests sequences, ``find`` finds cubes. Never raises for what the picture
    shows: an answer that names nothing carries its reason.
    """
    seconds = {"read": 0.0, "locate": 0.0, "sample": 0.0, "classify": 0.0, "decode": 0.0}
    began = time.perf_counter()
    found = find(image_bgr, size=size)
    seconds["locate"] = time.perf_counter() - began
    if not found.cubes:
        answer = Answer(image=image, ok=False, reason="no-cube", seconds=seconds, detail=_no_cube(found))
        return Read(answer, found)
    cube = found.cubes[0]
    profile = profile or default_profile()
    pose = turned_to(cube.pose, 0, front)
    began = time.perf_counter()
    samples = sample_stickers(image_bgr, pose, cube.surface)
    seconds["sample"] = time.perf_counter() - began
    base = _base(image, pose, found, samples)
    if not (samples.coverage > 0.05).any():
        answer = Answer(
            **base, ok=False, reason="top-hidden", seconds=seconds, detail="no sticker can be seen"
        )
        return Read(answer, found, cube, samples)
    began = time.perf_counter()
    reading = read_stickers(samples, profile)
    if reading.posterior.top != 0:
        first = reading
        pose = turned_to(pose, first.posterior.top, front)
        samples = sample_stickers(image_bgr, pose, cube.surface)
        reading = read_stickers(samples, profile, tops=(0,))
        base = _base(image, pose, found, samples)
    seconds["classify"] = time.perf_counter() - began
    began = time.perf_counter()
    answer_fields = _judged(reading, samples, profile, pose)
    seconds["decode"] = time.perf_counter() - began
    if answer_fields["ok"] and library is not None:
        state = reading.posterior.state
        shown = library.suggest(state, pose.size)
        answer_fields["sequences"] = tuple(ShownSequence.from_suggestion(one) for one in shown)
        if shown and not state.is_oriented:
            answer_fields["permutation"] = _permutation(
                reading.posterior, f"{shown[0].first} {shown[0].turns}"
            )
    answer = Answer(**{**base, **answer_fields}, seconds=seconds)
    return Read(answer, found, cube, samples, reading)


def read_picture(image_bgr: NDArray[np.uint8], **options: Any) -> Answer:
    """:func:`read_whole`, the answer alone."""
    return read_whole(image_bgr, **options).answer


def _no_cube(found: Found) -> str:
    if found.stage == "picture too small":
        return "the picture is too small to hold a cube"
    return (
        "nothing in the picture looks like a cube"
        if found.stage == "propose"
        else ("what looked like a cube from afar did not hold up close")
    )


def _base(image: str, pose: CubePose, found: Found, samples: StickerSamples) -> dict[str, Any]:
    """What is known of a picture before its stickers are read."""
    nodes = np.linspace(0, 1, pose.size + 1)
    rows, columns = np.meshgrid(nodes, nodes, indexing="ij")
    grids = {}
    for face in pose.visible_faces():
        points = pose.project(face_points(FACES.index(face), columns, rows).reshape(-1, 3))
        grids[face] = tuple(
            tuple((float(x), float(y)) for x, y in row)
            for row in points.reshape(pose.size + 1, pose.size + 1, 2)
        )
    others = tuple(_quad(other.pose) for other in found.cubes[1:])
    return {"image": image, "size": pose.size, "grids": grids, "others": others}


def _quad(pose: CubePose) -> Quad:
    a, b, c, d = ((float(x), float(y)) for x, y in pose.face_quad_xy("U"))
    return a, b, c, d


def _judged(reading: Reading, samples: StickerSamples, profile: Profile, pose: CubePose) -> dict[str, Any]:
    """The answer's fields from a reading in the frame U = top, F = front."""
    posterior = reading.posterior
    names = profile.colours
    colours = [names[c] for c in posterior.face_colours]
    candidates = tuple(Candidate(code, p) for code, p in posterior.candidates)
    top_seen = float(samples.coverage[0].mean())
    fields: dict[str, Any] = {
        "ok": False,
        "top": TopFace(colours[0], _quad(pose)),
        "seen": _seen(reading, samples, names),
        "candidates": candidates,
        "mirrored": posterior.mirrored,
        "notes": _notes(reading, samples),
    }
    reason, detail = _refusal(posterior, top_seen)
    if reason is not None:
        return {**fields, "reason": reason, "detail": detail, "candidates": candidates}
    fields["state"] = StateSeen.from_layer(posterior.state, _real_colours(posterior, names))
    code, probability = candidates[0].code, candidates[0].probability
    if probability < SPEAK_FROM:
        return {**fields, "reason": "ambiguous", "state": None, "next_view": next_view(posterior),
                "detail": f"{len(candidates)} cases fit what can be seen"}  # fmt: skip
    case = CASES[code]
    return {
        **fields,
        "ok": True,
        "case": NamedCase(code, case.name, _cue(case, posterior), probability),
        "permutation": _permutation(posterior),
    }


def _cue(case: Case, posterior: Posterior) -> str:
    """The cue for the angle at which the case lies in the picture."""
    lying, angle = case_of(posterior.state)
    return case.cue_at(angle) if lying is case else case.cue


def _real_colours(posterior: Posterior, names: tuple[str, ...]) -> list[str]:
    """Colours of URFDLB of the real cube: R and L change places where the picture is a mirror image."""
    colours = [names[c] for c in posterior.frame_colours]
    if posterior.mirrored:
        colours[1], colours[4] = colours[4], colours[1]
    return colours


def _refusal(posterior: Posterior, top_seen: float) -> tuple[Reason | None, str]:
    """Why no case can be named, if so, and in words."""
    other = alternatives(posterior)
    rival = max(other, key=lambda name: other[name])
    margin = other[rival] - posterior.log_evidence
    if margin > 0 and top_seen >= 0.25:
        return "not-last-layer", _what_is_wrong(posterior)
    if top_seen < LEAST_TOP_SEEN:
        return "top-hidden", f"only {top_seen:.0%} of the top face can be seen"
    return None, ""


def _what_is_wrong(posterior: Posterior) -> str:
    """The part that fits worst, in words."""
    for misfit in misfits(posterior):
        if misfit.kind == "row":
            face, _, row = misfit.where.split()
            return f"the {_ROW_WORDS[int(row) - 1]} row of the {_FACE_WORDS[face]} face is not one colour"
        if misfit.kind == "pair":
            return f"the edge at {misfit.where} is not paired: its wings are of different edges"
        if misfit.kind == "centres":
            return "the centres of the top face are not one colour"
        if misfit.kind in ("corner", "edge"):
            return f"the {misfit.kind} at {misfit.where} does not belong to the last layer"
    return "the stickers do not add up to a cube with only its last layer left"


def _permutation(posterior: Posterior, turns: str | None = None) -> Candidate | None:
    """The permutation class left when the pieces are oriented (by ``turns``), where the sides tell it."""
    best = permutation_posterior(posterior, turns)
    return Candidate(*best) if best else None


def _seen(reading: Reading, samples: StickerSamples, names: tuple[str, ...]) -> Mapping[str, Any]:
    """Colour names as read sticker by sticker, before the group corrects them."""
    best = reading.loglik.argmax(-1)
    seen = {}
    for face in FACES:
        covered = samples.coverage[FACES.index(face)]
        if not (covered > 0).any():
            continue
        seen[face] = tuple(
            tuple(
                names[int(best[FACES.index(face), r, c])] if covered[r, c] >= _SEEN_FROM else None
                for c in range(samples.size)
            )
            for r in range(samples.size)
        )
    return seen


def _notes(reading: Reading, samples: StickerSamples) -> tuple[str, ...]:
    """What was hard to see."""
    notes = []
    top = samples.coverage[0]
    covered = int((top < _SEEN_FROM).sum())
    if covered:
        notes.append(f"{_stickers(covered)} of the top face covered")
    glaring = int(((samples.clipped[0] > 0.5) & (top >= _SEEN_FROM)).sum())
    if glaring:
        notes.append(f"{_stickers(glaring)} of the top face burnt out by light")
    doubted = int(((reading.clean[0] < 0.5) & (top >= _SEEN_FROM)).sum())
    if doubted:
        notes.append(f"{_stickers(doubted)} of the top face unlike any colour (glare, a finger, a print)")
    if reading.posterior.mirrored:
        notes.append("the picture is a mirror image; the case is that of the real cube")
    return tuple(notes)


def _stickers(count: int) -> str:
    return f"{count} sticker{'s' if count > 1 else ''}"
