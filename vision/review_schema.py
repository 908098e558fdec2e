"""What a line of answers must have to be asked about, checked key by key; the first fault in words."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from calibration.profile_schema import first_fault
from vision.truth_schema import Quad


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True)


class _Top(_Strict):
    colour: str
    quad: Quad


class _Candidate(_Strict):
    code: str
    probability: Annotated[float, Field(ge=0.0, le=1.0)]


class _Answer(_Strict):
    """Keys that are not named are of no use here."""

    image: str
    ok: bool | None = None
    size: Annotated[int, Field(ge=2, le=7)] | None = None
    seen: dict[str, list[list[str | None]]] | None = None
    top: _Top | None = None
    candidates: list[_Candidate] = []

    @model_validator(mode="after")
    def _seen_is_of_the_size(self) -> _Answer:
        if self.seen and self.size is None:
            raise ValueError("size is missing beside seen")
        for face, rows in (self.seen or {}).items():
            if any(len(row) != self.size for row in rows) or (
                face == "U" and len(rows) not in (0, self.size)
            ):
                raise ValueError(f"seen: face {face} is not {self.size} stickers wide")
        return self


def check(answer: Any) -> str | None:
    """None for an answer (JSON object) that can be asked about, else the key and what is wrong there."""
    try:
        _Answer.model_validate(answer)
    except ValidationError as error:
        return first_fault(error, "the answer")
    return None
