"""A model of what a sequence costs the hand: a cost for each turn and one for each pair of turns.

It is a model: the weights (models/data/effort.toml) are common practice put into figures, no source, and a
user may put a file of his own in their place. Unit: one R turn of the right hand = 1.

    effort = sum over turns of turn_cost + sum over neighbouring turns of pair_cost

Because it is a sum over neighbours, the search can rank millions of sequences by it without writing
them out. Mirroring a sequence swaps the hands: ``effort(m.mirrored())`` with swapped hands is
``effort(m)``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from itertools import pairwise
from pathlib import Path

from models.errors import LastlookError
from models.toml_files import TomlError, line_of, parse_toml, read_text
from models.turns import Moves, Turn

_PLACE = {"R": "side", "L": "side", "U": "top", "F": "front", "D": "bottom", "B": "back"}
# The hand of a clockwise quarter; the counter-clockwise one is the other hand's where the table says so.
_CLOCKWISE_HAND = {"U": "right", "F": "right", "D": "left", "B": "left"}
_TABLES = ("turn", "hand", "regrip", "pair")
PLACES = ("side", "top", "front", "bottom", "back", "middle", "rotation")


class EffortError(LastlookError):
    """A weights file cannot be used."""


@dataclass(frozen=True)
class EffortModel:
    """Weights of the model, see models/data/effort.toml for what each means.

    ``turn``, ``hand``, ``regrip`` and ``pair`` are (name, number) pairs sorted by name, so that the
    model is hashable.
    """

    turn: tuple[tuple[str, float], ...]
    hand: tuple[tuple[str, float], ...]
    regrip: tuple[tuple[str, float], ...]
    pair: tuple[tuple[str, float], ...]

    def swapped(self) -> EffortModel:
        """The same weights for a left-hander: the two hands change places."""
        hand = dict(self.hand)
        mirrored = tuple(sorted({"left": hand["right"], "right": hand["left"]}.items()))
        return EffortModel(self.turn, mirrored, self.regrip, self.pair)

    def turn_cost(self, turn: Turn) -> float:
        """Cost of one turn by itself."""
        return _turn_cost(self, turn)

    def pair_cost(self, first: Turn, second: Turn) -> float:
        """Cost of ``second`` straight after ``first``: regrip, change of hand, two half turns."""
        return _pair_cost(self, first, second)

    def effort(self, moves: Moves) -> float:
        """Cost of a sequence; 0 for an empty one."""
        turns = tuple(moves)
        alone = sum(self.turn_cost(turn) for turn in turns)
        return alone + sum(self.pair_cost(a, b) for a, b in pairwise(turns))


def place_of(turn: Turn) -> str:
    """Where the turned layer lies for the hand, one of ``PLACES``."""
    if turn.is_rotation:
        return "rotation"
    return "middle" if turn.is_slice else _PLACE[turn.base]


def hand_of(turn: Turn) -> str:
    """``right``, ``left`` or ``both`` (half turns of top, front, bottom and back, slices, rotations)."""
    if turn.base in "RL":
        return "right" if turn.base == "R" else "left"
    if turn.quarters == 2 or turn.base not in _CLOCKWISE_HAND or turn.is_slice:
        return "both"
    clockwise = _CLOCKWISE_HAND[turn.base]
    return clockwise if turn.quarters == 1 else {"right": "left", "left": "right"}[clockwise]


@lru_cache(maxsize=4096)
def _turn_cost(model: EffortModel, turn: Turn) -> float:
    weight, hand = dict(model.turn), dict(model.hand)
    cost = weight[place_of(turn)]
    if turn.is_rotation and turn.base == "x":
        cost += weight["rotation_x"]
    if turn.depth > 1 and not turn.inner:
        cost += weight["wide"] * (turn.depth - 1)
    if turn.quarters == 2:
        cost *= 1 + weight["double"]
    side = hand_of(turn)
    return cost * (0.5 * (hand["left"] + hand["right"]) if side == "both" else hand[side])


@lru_cache(maxsize=65536)
def _pair_cost(model: EffortModel, first: Turn, second: Turn) -> float:
    regrip, pair = dict(model.regrip), dict(model.pair)
    cost = regrip.get(f"{place_of(first)}-{place_of(second)}", regrip["other"])
    if "side" in (place_of(first), place_of(second)):
        hands = {hand_of(first), hand_of(second)}
        relevant = {place_of(first), place_of(second)} <= {"side", "front"}
        if relevant and hands == {"left", "right"}:
            cost += pair["hand_change"]
    if first.quarters == 2 and second.quarters == 2:
        cost += pair["two_doubles"]
    return cost


def load_effort(path: Path | None = None) -> EffortModel:
    """The built-in weights, or those of a TOML file; what the file leaves out keeps its built-in value.

    Raises ``EffortError`` (file, line, name) for a file that is no TOML, for unknown names, and for
    values that are not numbers; ``LastlookError`` for one that cannot be read (`models.toml_files`).
    """
    model = _built_in()
    if path is None:
        return model
    tables = {name: dict(getattr(model, name)) for name in _TABLES}
    text = read_text(path)
    try:
        own = parse_toml(text)
    except TomlError as error:
        where = f"{path}:{error.line}" if error.line else path
        raise EffortError(
            f"{where}: cannot be read as weights ({error.reason}); mend it or remove it"
        ) from error
    for name, values in own.items():
        try:
            _merge(tables, name, values)
        except _WeightError as wrong:
            line = line_of(text, *wrong.names)
            raise EffortError(f"{path}:{line}: {wrong}" if line else f"{path}: {wrong}") from wrong
    return _model(tables)


@lru_cache(maxsize=1)
def _built_in() -> EffortModel:
    text = resources.files("models").joinpath("data/effort.toml").read_text(encoding="utf-8")
    return _model(parse_toml(text))


def _model(tables: Mapping[str, Mapping[str, float]]) -> EffortModel:
    return EffortModel(*(tuple(sorted(tables[name].items())) for name in _TABLES))


class _WeightError(Exception):
    """What is wrong with the value of those names (its table, its key)."""

    def __init__(self, reason: str, *names: str) -> None:
        self.names = names
        super().__init__(reason)


def _merge(tables: dict[str, dict[str, float]], name: str, values: object) -> None:
    if name not in tables:
        raise _WeightError(f"unknown table [{name}]; known are {', '.join(tables)}", name)
    if not isinstance(values, Mapping):
        raise _WeightError(f"{name} must be a table: [{name}] in a line, then a weight a line", name)
    for key, value in values.items():
        known = key in tables[name] or (
            name == "regrip" and len(parts := key.split("-")) == 2 and set(parts) <= set(PLACES)
        )
        if not known:
            also = ", and two places such as back-top" if name == "regrip" else ""
            raise _WeightError(
                f"unknown weight {key} in [{name}]; known are {', '.join(tables[name])}{also}", name, key
            )
        if isinstance(value, bool) or not isinstance(value, int | float) or not -10 <= value <= 100:
            raise _WeightError(f"[{name}] {key} must be a number from -10 to 100", name, key)
        tables[name][key] = float(value)
