"""The fields of a profile file, checked one by one; the first thing wrong is told in words."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from calibration.faults import first_fault
from calibration.samples import MAX_SAMPLES

LEAST_VARIANCE: Final = 1e-6
"""Smallest eigenvalue of a covariance, square log units."""
MOST_VARIANCE: Final = 100.0
"""Log units squared, far off what is ever learned: stickers are read in single precision."""
Finite = Annotated[float, Field(allow_inf_nan=False)]
Log = Annotated[float, Field(ge=-50.0, le=50.0)]
Share = Annotated[float, Field(gt=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Light = Annotated[float, Field(ge=0.0, le=1.0)]


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("holds a character that cannot be printed, such as a line break")
    return text


Text = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_printable)]


def _list(item: Any, count: int) -> Any:
    return Annotated[list[item], Field(min_length=count, max_length=count)]


Mean3 = _list(Log, 3)
Square3 = _list(_list(Finite, 3), 3)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


def _require_covariance(name: str, matrix: Any, least: float = LEAST_VARIANCE) -> None:
    values = np.array(matrix, dtype=np.float64)
    if np.abs(values).max() > MOST_VARIANCE:
        raise ValueError(f"{name} is not a covariance of log light (a number is over {MOST_VARIANCE:.0f})")
    if np.abs(values - values.T).max() > 1e-9 * max(1.0, float(np.abs(values).max())):
        raise ValueError(f"{name} is not symmetric")
    if np.linalg.eigvalsh(values).min() < least - 1e-10:  # rounding leaves so much of a 0
        raise ValueError(f"{name} is not a covariance (an eigenvalue is below {least:g})")


class _Model(_Strict):
    floor: Annotated[float, Field(ge=1e-6, le=1.0)]
    mean: _list(Mean3, 6)  # type: ignore[valid-type]
    picture_cov: _list(_list(Finite, 18), 18)  # type: ignore[valid-type]
    face_cov: Square3  # type: ignore[valid-type]
    cell_cov: _list(Square3, 6)  # type: ignore[valid-type]
    sticker_cov: _list(Square3, 6)  # type: ignore[valid-type]
    glare_level: Annotated[
        list[Annotated[float, Field(ge=-1.0, le=100.0)]], Field(min_length=1, max_length=8)
    ]
    glare_share: list[Share]
    variant_cov: list[Square3]  # type: ignore[valid-type]
    outlier_share: Annotated[float, Field(ge=1e-9, le=0.99)]
    outlier_volume: Positive
    cover_share: Annotated[float, Field(ge=0.0, le=0.99)]
    cover_mean: Mean3  # type: ignore[valid-type]
    cover_cov: Square3  # type: ignore[valid-type]
    temperature: Annotated[float, Field(ge=1.0, le=100.0)]

    @model_validator(mode="after")
    def _consistent(self) -> _Model:
        _require_covariance("picture_cov", self.picture_cov)
        _require_covariance("face_cov", self.face_cov)
        _require_covariance("cover_cov", self.cover_cov)
        for name in ("cell_cov", "sticker_cov"):
            for index, matrix in enumerate(getattr(self, name)):
                _require_covariance(f"{name}.{index}", matrix)
        if not len(self.glare_share) == len(self.glare_level) == len(self.variant_cov):
            raise ValueError("glare_level, glare_share and variant_cov differ in length")
        if self.glare_level[0] != 0.0:
            raise ValueError("glare_level.0 is the clean sticker's; it must be 0")
        for index, matrix in enumerate(self.variant_cov):
            _require_covariance(f"variant_cov.{index}", matrix, least=0.0)
        if abs(sum(self.glare_share) - 1.0) > 1e-6:
            raise ValueError("glare_share does not add up to 1")
        return self


class _Sample(_Strict):
    colour: Text
    linear_rgb: _list(Light, 3)  # type: ignore[valid-type]
    light_rgb: _list(Annotated[float, Field(ge=0.0, le=1e6)], 3) | None  # type: ignore[valid-type]
    picture: Annotated[str, Field(max_length=1000)]


class _Scheme(_Strict):
    U: Text
    R: Text
    F: Text
    D: Text
    L: Text
    B: Text


class _File(_Strict):
    lastlook_profile: Literal[1]
    name: Text
    note: Annotated[str, Field(max_length=2000)] = ""
    sizes: list[Annotated[int, Field(ge=2, le=7)]]
    colours: _list(Text, 6)  # type: ignore[valid-type]
    scheme: _Scheme
    model: _Model
    samples: Annotated[list[_Sample], Field(max_length=MAX_SAMPLES)]
    held_out: dict[str, Finite]

    @model_validator(mode="after")
    def _names_agree(self) -> _File:
        if len(set(self.colours)) != 6:
            raise ValueError("colours holds a name twice")
        faces = self.scheme.model_dump()
        if sorted(faces.values()) != sorted(self.colours):
            raise ValueError("scheme must give each of the six colours to one face")
        for index, sample in enumerate(self.samples):
            if sample.colour not in self.colours:
                raise ValueError(f"samples {index}: {sample.colour!r} is not one of the profile's colours")
        return self


def check(content: Any) -> str | None:
    """None when ``content`` (parsed JSON) is a valid profile, else one line: the field and what is wrong."""
    if not isinstance(content, dict) or content.get("lastlook_profile") is None:
        return "not a profile (lastlook_profile is missing)"
    version = content["lastlook_profile"]
    if version != 1:
        return (
            f"lastlook_profile: version {version!r} is not known here; a newer lastlook may have written it"
        )
    try:
        _File.model_validate(content)
    except ValidationError as error:
        return first_fault(error, "profile")
    return None
