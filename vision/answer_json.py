"""An answer as the JSON that the README documents, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from vision.answer import Answer, Candidate, NamedCase, Rows, ShownSequence, StateSeen, TopFace, quad_of
from vision.wording import lists_candidates, tells_the_front


def answer_to_json(answer: Answer) -> dict[str, Any]:
    """The answer as plain lists, dicts, numbers and strings, keys in the documented order."""
    return {
        "image": answer.image,
        "ok": answer.ok,
        "size": answer.size,
        "reason": answer.reason,
        "top": None
        if answer.top is None
        else {
            "colour": answer.top.colour,
            "quad": [[round(float(x), 2), round(float(y), 2)] for x, y in answer.top.quad_xy],
        },
        "front_colour": _front(answer),
        "seen": {face: [list(row) for row in rows] for face, rows in answer.seen.items()},
        "state": None if answer.state is None else _state_json(answer.state),
        "mirrored": answer.mirrored,
        "case": None
        if answer.case is None
        else {
            "code": answer.case.code,
            "name": answer.case.name,
            "cue": answer.case.cue,
            "probability": _probability(answer.case.probability),
        },
        "candidates": [{**_candidate_json(one), **_lying(one.code, answer)} for one in answer.candidates],
        "next_view": answer.next_view,
        "permutation": None if answer.permutation is None else _candidate_json(answer.permutation),
        "sequences": [
            {
                "turns": one.turns,
                "first": one.first,
                "length": one.length,
                "etm": one.etm,
                "effort": round(float(one.effort), 3),
                "source": one.source,
                "proof": one.proof,
            }
            for one in answer.sequences
        ],
        "seconds": {stage: round(float(spent), 4) for stage, spent in answer.seconds.items()},
    }


def answer_from_json(data: Mapping[str, Any]) -> Answer:
    """The inverse of :func:`answer_to_json`; raises KeyError, TypeError or ValueError on other data.

    An answer from before the front's colour and how candidates lie were kept is one without them.
    """
    top, state, case, permutation = data["top"], data["state"], data["case"], data["permutation"]
    return Answer(
        image=data["image"],
        ok=data["ok"],
        size=data["size"],
        reason=data["reason"],
        top=None if top is None else TopFace(top["colour"], quad_of(top["quad"])),
        seen={face: _rows(rows) for face, rows in data["seen"].items()},
        state=None if state is None else _state(state),
        mirrored=data["mirrored"],
        case=None if case is None else NamedCase(**case),
        candidates=tuple(Candidate(one["code"], one["probability"]) for one in data["candidates"]),
        next_view=data["next_view"],
        permutation=None if permutation is None else Candidate(**permutation),
        sequences=tuple(ShownSequence(**one) for one in data["sequences"]),
        seconds=dict(data["seconds"]),
        front_colour=data.get("front_colour") or "",
        lying={
            one["code"]: (tuple(one["twist"]), tuple(one["flip"]))
            for one in data["candidates"]
            if one.get("twist") is not None
        },
    )


def _probability(value: float) -> float:
    return round(min(1.0, max(0.0, float(value))), 6)


def _front(answer: Answer) -> str | None:
    """The front's colour where the text tells it as well."""
    return answer.front_colour or None if tells_the_front(answer.reason) else None


def _lying(code: str, answer: Answer) -> dict[str, Any]:
    """How a candidate lies, where candidates say anything and it is known."""
    known = answer.lying if lists_candidates(answer.reason, answer.seen) else {}
    twist, flip = known.get(code, (None, None))
    return {"twist": None if twist is None else list(twist), "flip": None if flip is None else list(flip)}


def _candidate_json(one: Candidate) -> dict[str, Any]:
    return {"code": one.code, "probability": _probability(one.probability)}


def _state_json(state: StateSeen) -> dict[str, Any]:
    """Side faces print as their one top row, U as all its rows."""
    facelets: dict[str, Any] = {}
    for face, rows in state.facelets.items():
        facelets[face] = [list(row) for row in rows] if face == "U" else list(rows[0])
    return {
        "corners": list(state.corners),
        "twist": list(state.twist),
        "edges": list(state.edges),
        "flip": list(state.flip),
        "facelets": facelets,
    }


def _state(data: Mapping[str, Any]) -> StateSeen:
    facelets = {
        face: _rows(rows) if face == "U" else _rows([rows]) for face, rows in data["facelets"].items()
    }
    return StateSeen(
        corners=tuple(data["corners"]),
        twist=tuple(data["twist"]),
        edges=tuple(data["edges"]),
        flip=tuple(data["flip"]),
        facelets=facelets,
    )


def _rows(rows: Sequence[Sequence[str | None]]) -> Rows:
    return tuple(tuple(row) for row in rows)
