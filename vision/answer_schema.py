"""What a kept answer must be like to be used again, checked key by key; the first fault in words.

Answers lie in files that anybody may have written to. Keys that are missing are no fault but where nothing
can be done without them, and keys that are not named here are left to whoever wrote them.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from calibration.faults import first_fault
from models.cases import CASES
from vision.answer import NEXT_VIEWS, Reason
from vision.truth_schema import Quad

Face = Literal["U", "R", "F", "D", "L", "B"]
Probability = Annotated[float, Field(ge=0.0, le=1.0)]
Seconds = Annotated[float, Field(ge=0.0, le=1e9)]
Slot = Annotated[int, Field(ge=0, le=3)]
Twist = Annotated[int, Field(ge=0, le=2)]
Flip = Annotated[int, Field(ge=0, le=1)]


def _is_case(code: str) -> str:
    if code not in CASES:
        raise ValueError(f"{code!r} is no case; 'lastlook cases' lists them")
    return code


def _is_side(view: str) -> str:
    if view not in NEXT_VIEWS:
        raise ValueError(f"{view!r} is none of {', '.join(NEXT_VIEWS)}")
    return view


def _four_or_none(values: list[int]) -> list[int]:
    if len(values) not in (0, 4):
        raise ValueError("there are four edges, or none on a cube without")
    return values


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True)


class _Top(_Strict):
    colour: str
    quad: Quad


class _State(_Strict):
    corners: Annotated[list[Slot], Field(min_length=4, max_length=4)]
    twist: Annotated[list[Twist], Field(min_length=4, max_length=4)]
    edges: Annotated[list[Slot], AfterValidator(_four_or_none)]
    flip: Annotated[list[Flip], AfterValidator(_four_or_none)]
    facelets: dict[Face, list[str] | list[list[str]]]


class _Case(_Strict):
    code: Annotated[str, AfterValidator(_is_case)]
    name: str = ""
    cue: str = ""
    probability: Probability


class _Chance(_Strict):
    code: str
    probability: Probability


class _Candidate(_Chance):
    twist: Annotated[list[Twist], Field(min_length=4, max_length=4)] | None = None
    flip: Annotated[list[Flip], AfterValidator(_four_or_none)] | None = None

    @model_validator(mode="after")
    def _lies_whole(self) -> _Candidate:
        if (self.twist is None) != (self.flip is None):
            raise ValueError("twist and flip go together")
        return self


class _Sequence(_Strict):
    turns: str
    first: str = ""
    length: int | None = None
    etm: int | None = None
    effort: float | None = None
    source: str = ""
    proof: str = ""


class _Answer(_Strict):
    image: str
    ok: bool | None = None
    size: Annotated[int, Field(ge=2, le=7)] | None = None
    reason: Reason | None = None
    top: _Top | None = None
    front_colour: str | None = None
    seen: dict[Face, list[list[str | None]]] | None = None
    state: _State | None = None
    mirrored: bool = False
    case: _Case | None = None
    candidates: list[_Candidate] = []
    next_view: Annotated[str, AfterValidator(_is_side)] | None = None
    permutation: _Chance | None = None
    sequences: list[_Sequence] = []
    seconds: dict[str, float] = {}
    start: Seconds = 0.0
    end: Seconds = 0.0
    confidence: Probability = 0.0
    still: str | None = None

    @model_validator(mode="after")
    def _keys_agree(self) -> _Answer:
        if self.seen and self.size is None:
            raise ValueError("size is missing beside seen")
        for face, rows in (self.seen or {}).items():
            if any(len(row) != self.size for row in rows) or (
                face == "U" and len(rows) not in (0, self.size)
            ):
                raise ValueError(f"seen: face {face} is not {self.size} stickers wide")
        if self.ok and self.case is None:
            raise ValueError("case is missing where ok is true")
        if len({"start", "end"} & self.model_fields_set) == 1:
            raise ValueError("start and end go together")
        return self


def check(answer: Any) -> str | None:
    """None for an answer (JSON object) that can be used, else the key and what is wrong there."""
    try:
        _Answer.model_validate(answer)
    except ValidationError as error:
        return first_fault(error, "the answer")
    return None
