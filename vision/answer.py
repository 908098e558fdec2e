"""What one picture answers: a frozen value.

Most of it goes into JSON (:mod:`vision.answer_json`); the rest (``detail``, ``notes``, ``grids``, ``others``)
serves the text for a person and the drawing on the photo.

Colours are the names that the profile read with has for them, the usual six for the built-in one; pixels are
``(x, y)`` of the upright picture, x right, y down, ``(0, 0)`` the upper left corner of the upper left pixel;
probabilities lie in 0..1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

from models.turns import FACES

if TYPE_CHECKING:
    from models.layer import LastLayer
    from models.library import Suggestion

Point = tuple[float, float]
Quad = tuple[Point, Point, Point, Point]
Rows = tuple[tuple[str | None, ...], ...]
Grid = tuple[tuple[Point, ...], ...]
"""Nodes of one face: n + 1 rows of n + 1 points, row 0 the top edge of the face as printed."""

Reason = Literal["no-cube", "top-hidden", "not-last-layer", "ambiguous", "unreadable"]
REASONS: Final[tuple[str, ...]] = get_args(Reason)
NEXT_VIEWS: Final = ("front", "right", "back", "left", "top")


@dataclass(frozen=True, slots=True)
class TopFace:
    """The top face in the picture.

    ``colour`` is the colour that the last layer is solved to, ``quad_xy`` its outer corners
    back-left, back-right, front-right, front-left.
    """

    colour: str
    quad_xy: Quad


@dataclass(frozen=True, slots=True)
class StateSeen:
    """The last-layer state, with the colours of its stickers.

    Slots are (UFR, UFL, UBL, UBR) for corners and (UF, UR, UB, UL) for edges; ``corners[i]`` is the
    home slot of the corner now in slot i. ``facelets`` holds all rows of U and the top row of each
    side face, as colour names.
    """

    corners: tuple[int, ...]
    twist: tuple[int, ...]
    edges: tuple[int, ...]
    flip: tuple[int, ...]
    facelets: Mapping[str, Rows]

    @classmethod
    def from_layer(cls, layer: LastLayer, face_colours: Sequence[str]) -> StateSeen:
        """From a state and the colour of each face in the order URFDLB."""
        homes = layer.facelets()

        def named(rows: Any) -> Rows:
            return tuple(tuple(face_colours[int(home)] for home in row) for row in rows)

        sides = {face: named(homes[FACES.index(face)][:1]) for face in "FRBL"}
        return cls(
            corners=tuple(int(v) for v in layer.corners),
            twist=tuple(int(v) for v in layer.twist),
            edges=tuple(int(v) for v in layer.edges),
            flip=tuple(int(v) for v in layer.flip),
            facelets={"U": named(homes[0]), **sides},
        )


@dataclass(frozen=True, slots=True)
class Candidate:
    """A code with its posterior probability."""

    code: str
    probability: float


@dataclass(frozen=True, slots=True)
class NamedCase:
    """The case that the answer stands for, with the cue by which one spots it."""

    code: str
    name: str
    cue: str
    probability: float


@dataclass(frozen=True, slots=True)
class ShownSequence:
    """A stored sequence for the angle in the picture.

    ``first`` is the AUF that brings the cube to where ``turns`` starts ("" for none),
    ``length`` its turns in OBTM and ``etm`` in ETM (WCA Regulations, Article 12a5 and 12a6).
    """

    turns: str
    first: str
    length: int
    etm: int
    effort: float
    source: str
    proof: str

    @classmethod
    def from_suggestion(cls, suggestion: Suggestion) -> ShownSequence:
        """From a suggestion, whose fields carry the same names."""
        return cls(
            turns=str(suggestion.turns),
            first=str(suggestion.first or ""),
            length=int(suggestion.length),
            etm=int(suggestion.etm),
            effort=float(suggestion.effort),
            source=str(suggestion.source or ""),
            proof=str(suggestion.proof or ""),
        )


@dataclass(frozen=True, slots=True)
class Answer:
    """All that was read from one picture. ``ok`` is true when exactly one case is named.

    Raises ValueError when the fields contradict each other.
    """

    image: str
    ok: bool
    size: int | None = None
    reason: Reason | None = None
    top: TopFace | None = None
    seen: Mapping[str, Rows] = field(default_factory=dict)
    state: StateSeen | None = None
    mirrored: bool = False
    case: NamedCase | None = None
    candidates: tuple[Candidate, ...] = ()
    next_view: str | None = None
    permutation: Candidate | None = None
    sequences: tuple[ShownSequence, ...] = ()
    seconds: Mapping[str, float] = field(default_factory=dict)
    front_colour: str = ""
    """The front's colour below the last layer, "" where it is not settled."""
    lying: Mapping[str, tuple[tuple[int, ...], tuple[int, ...]]] = field(default_factory=dict)
    """Twist and flip with which candidates lie most probably, by code: of the real cube, as in ``state``. In
    the JSON with each candidate."""
    # not in the JSON:
    detail: str = ""
    """For a refusal: what exactly is wrong ("the third row of the front face is not one colour")."""
    notes: tuple[str, ...] = ()
    """What was hard to see, one clause each, for the text answer."""
    permutation_view: str | None = None
    """Where the pieces are oriented and what is seen leaves the permutation open: which side tells."""
    grids: Mapping[str, Grid] = field(default_factory=dict)
    """Pixel nodes of every face in view, by face letter, rows as printed."""
    profile: str = ""
    """Name of the colour profile that was used, "" for the built-in one."""
    by_built_in: bool = False
    """Whether the built-in colours, which explained this picture better, stood in for that profile's."""
    palette: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)
    """sRGB of the profile's own colour names, for drawing; the usual six need no entry."""
    told_mirrored: bool = False
    """Whether the picture was said to be a mirror image; ``mirrored`` is as what it was read."""
    others: tuple[Quad, ...] = ()
    """Outlines of further cubes in the picture that were not read."""

    def __post_init__(self) -> None:
        if self.ok and (self.case is None or self.reason is not None):
            raise ValueError("an answer that is ok names a case and has no reason")
        if not self.ok and self.reason is None:
            raise ValueError("an answer that is not ok has a reason")
        if self.reason is not None and self.reason not in REASONS:
            raise ValueError(f"reason {self.reason!r} is none of {', '.join(REASONS)}")
        if self.next_view is not None and self.next_view not in NEXT_VIEWS:
            raise ValueError(f"next view {self.next_view!r} is none of {', '.join(NEXT_VIEWS)}")

    @property
    def is_oriented(self) -> bool:
        """Whether every piece of the last layer is seen to be oriented."""
        return self.state is not None and not any(self.state.twist) and not any(self.state.flip)

    @property
    def settled(self) -> Mapping[str, Rows]:
        """The facelets of ``state`` where the picture shows them, as ``seen`` lies; empty without a state."""
        if self.state is None:
            return {}
        if not self.mirrored:
            return self.state.facelets
        swapped = {"L": "R", "R": "L"}
        return {
            swapped.get(face, face): tuple(row[::-1] for row in rows)
            for face, rows in self.state.facelets.items()
        }

    @property
    def exit_status(self) -> int:
        """0 named, 3 seen but not named, 4 nothing found."""
        if self.ok:
            return 0
        return 4 if self.reason == "no-cube" else 3

    def scaled(self, factor: float) -> Answer:
        """The same answer for a picture ``factor`` times larger."""
        return self if factor == 1 else self._moved(factor, 0, 0)

    def cropped(self, left: int, upper: int) -> Answer:
        """The same answer for a piece of the picture whose upper left pixel is (left, upper)."""
        return self._moved(1.0, -left, -upper)

    def _moved(self, factor: float, add_x: float, add_y: float) -> Answer:
        def moved(points: Sequence[Point]) -> tuple[Point, ...]:
            return tuple((x * factor + add_x, y * factor + add_y) for x, y in points)

        return replace(
            self,
            top=None if self.top is None else TopFace(self.top.colour, quad_of(moved(self.top.quad_xy))),
            grids={face: tuple(moved(row) for row in grid) for face, grid in self.grids.items()},
            others=tuple(quad_of(moved(quad)) for quad in self.others),
        )


def unreadable(image: str) -> Answer:
    """The answer for a picture file that cannot be read: what is wrong with it is told elsewhere."""
    return Answer(image=image, ok=False, reason="unreadable")


def quad_of(points: Sequence[Sequence[float]]) -> Quad:
    """Four corners (x, y) as a Quad. Raises ValueError for another number of them."""
    back_left, back_right, front_right, front_left = ((float(x), float(y)) for x, y in points)
    return (back_left, back_right, front_right, front_left)
