"""What there is to say of a case, as data: the objects of ``lastlook case --json``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from models.cases import Case
    from models.library import Library, Suggestion
    from models.permutation import PermutationCase


def check_code(code: str, among: Iterable[str] | None = None) -> None:
    """Raise UsageError unless ``code`` is one of ``among`` (None: of all cases and permutation classes); its
    line names one that may be meant."""
    from difflib import get_close_matches

    from models.cases import CASES
    from models.errors import UsageError
    from models.permutation import PERMUTATION_CASES

    known = {one.casefold(): one for one in among or (*CASES, *PERMUTATION_CASES)}
    if code in known.values():
        return
    said = code.casefold().replace(" ", "-")
    close = (said, f"e0-{said}", *get_close_matches(said, known, 1))
    meant = next((f" (did you mean {known[one]}?)" for one in close if one in known), "")
    raise UsageError(f"unknown case {code!r}{meant}; `lastlook cases` lists all codes")


def case_data(case: Case, size: int, library: Library) -> dict[str, object]:
    """The object of ``case --json`` for an orientation case."""
    from models.layer import LastLayer
    from models.layer_tables import state_count
    from models.relations import carried_over, inverse_partners, mirror_code

    home = (0, 1, 2, 3) if size > 2 else ()
    total = state_count(size)
    angles = []
    for angle in range(case.angles):
        flip = case.flip_at(angle) if size > 2 else ()
        state = LastLayer(size, (0, 1, 2, 3), case.twist_at(angle), home, flip)
        angles.append({
            "angle": ("", "y", "y2", "y'")[angle],
            "cue": case.cue_at(angle, size),
            "twist": list(state.twist),
            "flip": list(state.flip),
            "sequences": [] if case.is_oriented else _suggestions(library.suggest(state, size)),
        })  # fmt: skip
    carried = [] if case.is_oriented else carried_over(library, case.code, size)
    return {
        "code": case.code,
        "name": case.name_on(size),
        "size": size,
        "edges": case.edges,
        "corners": case.corners,
        "direction": case.direction or None,
        "states": round(case.chance(size) * total),
        "of": total,
        "mirror": mirror_code(case.code),
        "inverse": list(inverse_partners(case.code)),
        "angles": angles,
        "carried_over": [
            {"turns": str(one.moves), "how": one.how, "from": one.origin.code} for one in carried
        ],
    }


def permutation_data(case: PermutationCase, size: int, library: Library) -> dict[str, object]:
    """The object of ``case --json`` for a permutation class."""
    from models.permutation import arrangement_count
    from models.relations import inverse_partners, mirror_code

    angles = []
    for angle in range(4):
        state = case.state(size).turned(angle)
        sequences = _suggestions(library.suggest(state, size))
        angles.append({"angle": ("", "y", "y2", "y'")[angle], "cue": "", "sequences": sequences})
    return {
        "code": case.code,
        "name": case.name,
        "size": size,
        "moved": cycles_of(case),
        "parity": case.parity,
        "states": case.states,
        "of": arrangement_count(size),
        "mirror": mirror_code(case.code),
        "inverse": list(inverse_partners(case.code)),
        "angles": angles,
    }


def _suggestions(found: Sequence[Suggestion]) -> list[dict[str, str | int | float]]:
    return [one.to_json_dict() for one in found]


def cycles_of(case: PermutationCase) -> list[str]:
    """Where the pieces have to go, as cycles of slots: "UFR > UBR > UBL"."""
    from models.layer_tables import CORNER_SLOTS, EDGE_SLOTS

    out = []
    for homes, names in ((case.corners, CORNER_SLOTS), (case.edges, EDGE_SLOTS)):
        seen: set[int] = set()
        for start in range(len(homes)):
            cycle = []
            at = start
            while at not in seen:
                seen.add(at)
                cycle.append(names[at])
                at = homes[at]
            if len(cycle) > 1:
                out.append(" > ".join(cycle))
    return out
