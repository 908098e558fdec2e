"""Answers made from truth files: what a reader without a fault would say; for tests of what follows."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from models.cases import case_of
from models.layer import LastLayer
from models.turns import FACES
from vision.answer import Answer, Candidate, NamedCase, ShownSequence, StateSeen, TopFace
from vision.overlay import grid_of_quad
from vision.truth import truth_of

A_SEQUENCE = ShownSequence(
    turns="Rw U2 x Rw U2 Rw U2 Rw' U2 Lw U2 Rw' U2 Rw U2 Rw' U2 Rw'",
    first="U'",
    length=17,
    etm=18,
    effort=21.5,
    source="invented for a drawing",
    proof="",
)


def answer_of_truth(picture: Path, probability: float = 0.986) -> Answer:
    """The answer that the truth file beside ``picture`` stands for."""
    truth = truth_of(picture)
    data = json.loads(picture.with_suffix(".json").read_text())
    if truth.code is None or truth.size is None:
        return Answer(image=str(picture), ok=False, reason=truth.reason or "no-cube")
    layer = data["last_layer"]
    state = layer_of_truth(layer, truth.size)
    case, angle = case_of(state)
    quad = tuple((float(x), float(y)) for x, y in data["top_quad"])
    seen = {
        face: tuple(
            tuple(name if (face, row, col) in truth.readable else None for col, name in enumerate(names))
            for row, names in enumerate(truth.facelets[face][: truth.size if face == "U" else 1])
        )
        for face in "UFRBL"
    }
    seen = {face: rows for face, rows in seen.items() if any(name for row in rows for name in row)}
    answer = Answer(
        image=str(picture),
        ok=True,
        size=truth.size,
        top=TopFace(data["top_colour"], quad),  # type: ignore[arg-type]
        seen=seen,
        state=StateSeen.from_layer(state, [data["scheme"][face] for face in FACES]),
        case=NamedCase(case.code, case.name, case.cue_at(angle), probability),
        candidates=(Candidate(case.code, probability), Candidate("e1-t-left", 1 - probability)),
        sequences=(A_SEQUENCE, replace(A_SEQUENCE, first="U2", turns="Rw U R' U' " + A_SEQUENCE.turns)),
        seconds={"read": 0.02, "locate": 0.05, "sample": 0.01, "classify": 0.01, "decode": 0.001},
    )
    nodes = grid_of_quad(quad, truth.size)
    return replace(answer, grids={"U": tuple(tuple((float(x), float(y)) for x, y in row) for row in nodes)})


def layer_of_truth(layer: dict[str, list[int]], size: int) -> LastLayer:
    """The state in a truth file, whose edges go clockwise [UF, UL, UB, UR], ours [UF, UR, UB, UL]."""
    corners, twist = tuple(layer["corner_perm"]), tuple(layer["corner_orient"])
    if size == 2:
        return LastLayer(2, corners, twist, (), ())
    swap = (0, 3, 2, 1)
    edges = tuple(swap[layer["edge_perm"][i]] for i in swap)
    return LastLayer(size, corners, twist, edges, tuple(layer["edge_flip"][i] for i in swap))
