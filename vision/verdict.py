"""What a reading amounts to: a case, or the reason why none is named, in words for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from calibration.profile import Profile
from calibration.reading import Reading
from calibration.samples import SEEN_FROM, StickerSamples
from models.cases import CASES, Case, case_of
from models.decode_doubt import is_doubted, misfits
from models.decode_permutation import permutation_posterior
from models.decode_view import permutation_view
from models.posterior import Posterior
from models.turns import FACES
from vision.answer import Candidate, NamedCase, Reason, StateSeen, TopFace, quad_of
from vision.pose import CubePose
from vision.wording import counted, little_seen

#: a case is named from this posterior probability on; `lastlook score` prints what other choices would cost
SPEAK_FROM = 0.90
#: share of the top face's stickers that must be seen, on average
LEAST_TOP_SEEN = 0.42
#: from this share on a doubt is told before that the top face is hidden
LEAST_TOP_DOUBTED = 0.25
#: a sticker is seen well enough to contradict from this coverage on
WELL_SEEN = 0.6
#: linear light 0..1 that the darkest channel of a burnt-out sticker has at least
PALE_LIGHT = 0.5
_ROW_WORDS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh")
_FACE_WORDS = {"U": "top", "R": "right", "F": "front", "L": "left", "B": "back", "D": "bottom"}


def judged(
    reading: Reading,
    samples: StickerSamples,
    profile: Profile,
    pose: CubePose,
    top_share: float = 1.0,
    elsewise: Mapping[str, float] | None = None,
    refused: tuple[Reason | None, str] | None = None,
) -> dict[str, Any]:
    """The answer's fields from a reading in the frame U = top, F = front.

    ``top_share`` is the probability that U is the last layer's face, where another was in question, and
    ``elsewise`` that of each case if it is the other: a solved cube is solved whichever face is meant. The
    candidates are those under U: together they have 0.99 of its share at least.
    ``refused`` what :func:`refusal` says of this reading, where that is known already. Which side to show
    where several cases fit is left open.
    """
    posterior = reading.posterior
    names = profile.colours
    colours = [names[c] for c in posterior.face_colours]
    other = elsewise or {}
    candidates = tuple(
        Candidate(code, p * top_share + other.get(code, 0.0) * (1.0 - top_share))
        for code, p in posterior.candidates
    )
    top_seen = float(samples.coverage[0].mean())
    fields: dict[str, Any] = {
        "ok": False,
        "top": TopFace(colours[0], quad_of(pose.face_quad_xy("U").tolist())),
        "seen": _seen(reading, samples, names),
        "candidates": candidates,
        "front_colour": names[posterior.frame_colours[2]]
        if posterior.front_probability >= SPEAK_FROM
        else "",
        "lying": posterior.lying,
        "mirrored": posterior.mirrored,
        "notes": _notes(reading, samples, pose),
        "by_built_in": reading.is_general,
    }
    reason, detail = refused or refusal(posterior, top_seen)
    if reason is not None:
        return {**fields, "reason": reason, "detail": detail}
    code, probability = candidates[0].code, candidates[0].probability
    if probability < SPEAK_FROM:
        detail = f"{len(candidates)} cases fit what can be seen"
        return {**fields, "reason": "ambiguous", "detail": detail}
    case = CASES[code]
    left = left_permutation(posterior)
    is_open = left is None and posterior.state.is_oriented
    return {
        **fields,
        "ok": True,
        "state": StateSeen.from_layer(posterior.state, _real_colours(posterior, names)),
        "case": NamedCase(code, case.name_on(pose.size), _cue(case, posterior), probability),
        "permutation": left,
        "permutation_view": permutation_view(posterior) if is_open else None,
    }


def _cue(case: Case, posterior: Posterior) -> str:
    """The cue for the angle at which the case lies in the picture."""
    lying, angle = case_of(posterior.state)
    return case.cue_at(angle if lying is case else 0, posterior.state.size)


def _real_colours(posterior: Posterior, names: tuple[str, ...]) -> list[str]:
    """Colours of URFDLB of the real cube: R and L change places where the picture is a mirror image."""
    colours = [names[c] for c in posterior.frame_colours]
    if posterior.mirrored:
        colours[1], colours[4] = colours[4], colours[1]
    return colours


def refusal(posterior: Posterior, top_seen: float) -> tuple[Reason | None, str]:
    """Why no case can be named with this top, if so, and in words."""
    if top_seen >= LEAST_TOP_DOUBTED and is_doubted(posterior):
        return "not-last-layer", what_is_wrong(posterior)
    if top_seen < LEAST_TOP_SEEN:
        return "top-hidden", little_seen(top_seen, "top face")
    return None, ""


def contradiction_nats(reading: Reading, samples: StickerSamples) -> float:
    """By how much, at most, a well seen sticker speaks for another colour than the one it must have."""
    seen = samples.coverage > WELL_SEEN
    settled = reading.posterior.marginals.argmax(-1)
    as_settled = np.take_along_axis(reading.loglik, settled[..., None], -1)[..., 0]
    return float((reading.loglik.max(-1) - as_settled)[seen].max(initial=0.0))


def what_is_wrong(posterior: Posterior) -> str:
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


def left_permutation(posterior: Posterior, turns: str | None = None) -> Candidate | None:
    """The permutation class left when the pieces are oriented (by ``turns``), where the sides tell it."""
    best = permutation_posterior(posterior, turns)
    return Candidate(*best) if best else None


def _seen(reading: Reading, samples: StickerSamples, names: tuple[str, ...]) -> Mapping[str, Any]:
    """Colour names as read sticker by sticker, before the group corrects them."""
    best = reading.loglik.argmax(-1)
    seen = {}
    for face, colours, covered in zip(FACES, best.tolist(), samples.coverage, strict=True):
        if not (covered > 0).any():
            continue
        seen[face] = tuple(
            tuple(names[k] if is_read else None for k, is_read in zip(*row, strict=True))
            for row in zip(colours, (covered >= SEEN_FROM).tolist(), strict=True)
        )
    return seen


def _notes(reading: Reading, samples: StickerSamples, pose: CubePose) -> tuple[str, ...]:
    """What was hard to see."""
    notes = []
    top = samples.coverage[0]
    covered = int((top < SEEN_FROM).sum())
    if covered:
        notes.append(f"{counted(covered, 'sticker')} of the top face covered")
    # a yellow whose red is at its end is still yellow: burnt out is where no channel is left dark
    is_pale = samples.linear_rgb[0].min(axis=-1) > PALE_LIGHT
    glaring = int(((samples.clipped[0] > 0.5) & is_pale & (top >= SEEN_FROM)).sum())
    if glaring:
        notes.append(f"{counted(glaring, 'sticker')} of the top face burnt out by light")
    doubted = int(((reading.clean[0] < 0.5) & (top >= SEEN_FROM)).sum())
    if doubted:
        notes.append(
            f"{counted(doubted, 'sticker')} of the top face unlike any colour (glare, a finger, a print)"
        )
    if pose.across < 1:
        notes.append("the picture looks squeezed from side to side; read as if it were wider")
    elif pose.across > 1:
        notes.append("the picture looks squeezed from top to bottom; read as if it were higher")
    return tuple(notes)
