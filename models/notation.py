"""Sequences of turns read from text, in the spellings that the trade uses.

The notation is that of the World Cube Association Regulations, Article 12:

* 12a1 face turns ``R R' R2``; 12a2 outer block turns ``Rw`` (two layers) and ``nRw`` (n layers, 1 < n < N);
  12a4 rotations of the whole cube ``x y z`` (as R, U and F turn).

On input the trade's other spellings are read as well:

* lower-case ``r`` and ``3r`` for ``Rw`` and ``3Rw``;
* inner slices ``2R`` (only the second layer from R) and ``M E S`` (every layer between the two outer ones,
  turning as L, D and F do; on cubes over 3x3x3 the trade is not of one mind, and this reading is common
  practice, no source);
* typographic primes ``’ ‘ ′ ` ´ ʹ ʼ ＇``, and ``R2'`` for ``R2``;
* turns written without blanks between them (``RUR'U'``): a 2 straight after a letter belongs to that letter;
* round brackets that group for the eye, with a number of repetitions straight after them: ``(R U R' U')3``.
"""

from __future__ import annotations

import re

from models.errors import NotationError
from models.turns import FACES, MAX_SIZE, Moves, Turn

MAX_TURNS = 10_000
_PRIMES = "'’‘′`´ʹʼ＇"
_TURN = re.compile(
    rf"(?P<count>[0-9]*)(?P<base>[URFDLB]w?|[urfdlb]|[MES]|[xyz])(?P<two>2?)(?P<prime>[{_PRIMES}]?)"
)
_CLOSE = re.compile(r"\)(?P<times>[0-9]*)")


def parse_moves(text: str, size: int | None = None) -> Moves:
    """Read a sequence; anything that is not one raises ``NotationError`` with its token and column (from 1).

    With ``size`` given, turns that do not exist on that cube are refused as well (12a2: 1 < n < N).
    """
    largest = MAX_SIZE if size is None else min(size, MAX_SIZE)
    groups: list[tuple[int, list[Turn]]] = [(0, [])]  # place of the open bracket, turns inside it
    place = 0
    while place < len(text):
        character = text[place]
        if character.isspace():
            place += 1
        elif character == "(":
            groups.append((place, []))
            place += 1
        elif character == ")":
            if len(groups) == 1:
                raise _error("closes a bracket that was never opened", text, place)
            match = _CLOSE.match(text, place)
            assert match is not None
            times = int(match["times"][:6] or 1)
            _, inside = groups.pop()
            if not times or len(groups[-1][1]) + times * len(inside) > MAX_TURNS:
                raise _error(f"must repeat once or more, and make at most {MAX_TURNS} turns", text, place)
            groups[-1][1].extend(inside * times)
            place = match.end()
        else:
            match = _TURN.match(text, place)
            if match is None:
                raise _error(
                    _hint(text[place], text[:place].rstrip()[-1:], text[place + 1 : place + 2]), text, place
                )
            groups[-1][1].append(_read_turn(match, text, largest))
            place = match.end()
            if len(groups[-1][1]) > MAX_TURNS:
                raise _error(f"makes more than {MAX_TURNS} turns", text, match.start())
    if len(groups) > 1:
        raise _error("opens a bracket that is never closed", text, groups[-1][0])
    return Moves(tuple(groups[0][1]))


def _read_turn(match: re.Match[str], text: str, largest: int) -> Turn:
    base, count = match["base"], match["count"]
    quarters = 2 if match["two"] else 3 if match["prime"] else 1
    wide = base[-1] == "w" or base in "urfdlb"
    face = base[0].upper() if wide else base
    if count and face not in FACES:
        raise _error(f"takes no number before {face}", text, match.start())
    depth = int(count[:6]) if count else 2 if wide else 1
    if count and not 1 < depth < largest:
        may = "2" if largest == 3 else f"from 2 to {largest - 1}"
        raise _error(f"counts layers: the number must be {may}" if largest > 2
                     else "turns layers that a 2x2x2 does not have", text, match.start())  # fmt: skip
    turn = Turn(face, quarters, depth, inner=bool(count) and not wide)
    if turn.min_size > largest:
        raise _error(f"needs a cube of {turn.min_size} layers or more, not {largest}", text, match.start())
    return turn


def _hint(character: str, before: str, after: str) -> str:
    """Why no turn begins with a character; ``before``: the last one in front of it that is no blank.

    ``after``: the one behind it, by which a word or a case's code is no turn in letters of the other case.
    """
    in_word = after.islower() or (after.isdigit() and after not in "23")
    if character in "XYZ" and not in_word:
        return "is not a turn: rotations are written in lower case, x y z"
    if character in "mes" and not in_word:
        return "is not a turn: middle slices are written in upper case, M E S"
    if before not in ("", "(") and (character in _PRIMES or character.isdigit()):
        if before == ")":
            return "cannot stand here: after a bracket comes a number of repetitions, without a blank: (R U)3"
        return "cannot stand here: after a turn comes one ' or one 2, without a blank: R' or R2"
    if character in _PRIMES or character in "0123456789":
        return "stands without a turn before it"
    return "is not a turn; turns are U R F D L B, Rw, 3Rw, 2R, M E S, x y z, each with ' or 2 after it"


def _error(reason: str, text: str, place: int) -> NotationError:
    token = text[place:].split(maxsplit=1)[0]
    return NotationError(reason, token if len(token) <= 24 else token[:23] + "…", place + 1)
