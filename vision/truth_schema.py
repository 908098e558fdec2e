"""The shape of a truth file, checked key by key; the first thing wrong is told in words."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from calibration.faults import first_fault

Pixels = Annotated[float, Field(ge=-1e6, le=1e6)]
Point = Annotated[list[Pixels], Field(min_length=2, max_length=2)]
Quad = Annotated[list[Point], Field(min_length=4, max_length=4)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Line = Annotated[int, Field(ge=0)]


class _Sticker(BaseModel):
    model_config = ConfigDict(strict=True)

    face: Literal["U", "R", "F", "D", "L", "B"]
    row: Line
    col: Line
    visible: Finite
    centre_visible: bool = True


class _File(BaseModel):
    """Keys that are not named are left to whoever wrote them."""

    model_config = ConfigDict(strict=True)

    n: int | None = None
    negative: str | None = None
    facelets: dict[str, list[list[str]]] | None = None
    stickers: list[_Sticker] | None = None
    top_quad: Quad | None = None
    scheme: dict[str, str] | None = None
    tags: list[str] | None = None


def check(content: Any) -> str | None:
    """None when ``content`` (parsed JSON) has a truth file's shape, else the key and what is wrong there."""
    try:
        _File.model_validate(content)
    except ValidationError as error:
        return first_fault(error, "the file")
    return None
