"""A reader for tests that knows the answer: it takes it from the truth file beside the picture."""

from __future__ import annotations

from models.cases import case_of
from models.layer import LastLayer
from vision.answer import Answer, Candidate, NamedCase, StateSeen, TopFace

EDGE_ORDER = (0, 3, 2, 1)  # truth files list UF UL UB UR, answers UF UR UB UL


def layer_of(truth: dict) -> LastLayer:
    """The last layer that a truth file tells of."""
    told = truth["last_layer"]
    if truth["n"] == 2:
        return LastLayer(2, tuple(told["corner_perm"]), tuple(told["corner_orient"]), (), ())
    return LastLayer(
        truth["n"],
        tuple(told["corner_perm"]),
        tuple(told["corner_orient"]),
        tuple(EDGE_ORDER[told["edge_perm"][i]] for i in EDGE_ORDER),
        tuple(told["edge_flip"][i] for i in EDGE_ORDER),
    )


def answer_of(truth: dict, image: str) -> Answer:
    """What a reader without errors answers."""
    if truth.get("negative"):
        reason = {"no_cube": "no-cube", "grids_only": "no-cube", "occluded_top": "top-hidden"}
        return Answer(image=image, ok=False, reason=reason.get(truth["negative"], "not-last-layer"))
    layer = layer_of(truth)
    case, angle = case_of(layer)
    colours = tuple(truth["scheme"][face] for face in "URFDLB")
    quad = tuple((float(x), float(y)) for x, y in truth["top_quad"])
    return Answer(
        image=image,
        ok=True,
        size=truth["n"],
        top=TopFace(truth["top_colour"], quad),
        state=StateSeen.from_layer(layer, colours),
        case=NamedCase(case.code, case.name, case.cue_at(angle), 0.98),
        candidates=(Candidate(case.code, 0.98),),
    )
