"""A cube's profile: what its six colours look like, as plain JSON.

The colour model is hierarchical. A sticker of colour k on face f of picture p is seen, in the features of
:func:`calibration.colour.log_light`, at

    x = mean[k] + picture_p[k] + face_pf + cell_pfk + sticker

``picture`` is one Gaussian over the 6 x 3 numbers of all classes together (covariance ``picture_cov``): the
light, the camera's curve and how far this cube may differ from the profile, with their correlations: under
a warm lamp all six classes move as one. ``face`` (``face_cov``) is the other irradiance of each face,
``cell`` (``cell_cov[k]``) what its other light, haze and neighbours do to one colour alone, and ``sticker``
(``sticker_cov[k]``) what is left. Glare adds ``glare_level`` times the light's colour in linear light with
prior ``glare_share`` and scatter ``variant_cov``; ``outlier_share`` is the prior that pixels are not the
sticker's at all but anything, ``cover_share`` that a hand covers them: skin has a colour too, spread round
``cover_mean`` from the features of the face's white with ``cover_cov``.

Files are checked field by field when loaded and written atomically; nothing is ever unpickled.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.samples import MAX_SAMPLES
from models.errors import LastlookError, UsageError
from models.files import replacing
from models.json_text import parse_json
from models.turns import FACES

Floats = NDArray[np.float64]

VERSION = 1
#: Names of colour index 0..5 unless a profile says otherwise.
COLOURS = ("white", "yellow", "red", "orange", "blue", "green")
#: Colour index of the faces U R F D L B of the solved cube (common practice, no source).
SCHEME = (0, 2, 5, 1, 3, 4)
MAX_FILE_BYTES = 400 * MAX_SAMPLES
"""A sticker takes some 260 bytes where its picture's name is short; this leaves room for longer names."""


class ProfileError(LastlookError):
    """A profile file that cannot be used; the message names the file and the field."""


class NoProfileError(ProfileError, UsageError):
    """No file is where a profile was named."""


@dataclass(frozen=True)
class ColourSample:
    """One labelled sticker: colour index, linear light 0..1, and the light it was seen under.

    ``light_rgb`` is the linear colour of the picture's white, or None where it was not known.
    """

    colour: int
    linear_rgb: tuple[float, float, float]
    light_rgb: tuple[float, float, float] | None = None
    picture: str = ""


@dataclass(frozen=True, eq=False)
class ColourModel:
    """The fitted numbers of a profile (module docstring). Features are natural logarithms of linear light.

    floor         scalar > 0, linear light added before the logarithm
    mean          (6, 3) class means under the usual light
    picture_cov   (18, 18) covariance of the six class means of a picture, row = 3 * colour + channel
    face_cov      (3, 3)
    cell_cov      (6, 3, 3)
    sticker_cov   (6, 3, 3)
    glare_level   (G,) first one 0; below 0: clear of a haze on the face;
    glare_share   (G,) prior, adds up to 1
    variant_cov   (G, 3, 3) further covariance of each of these (reflections of unknown colour, shadow edges)
    outlier_share prior 0..1;  outlier_volume: cubic log units over which outliers spread evenly
    cover_share   prior 0..1;  cover_mean (3,) and cover_cov (3, 3), log units from the face's white
    temperature   >= 1: the summed log-likelihoods are divided by this, since errors in a picture agree
    """

    floor: float
    mean: Floats
    picture_cov: Floats
    face_cov: Floats
    cell_cov: Floats
    sticker_cov: Floats
    glare_level: Floats
    glare_share: Floats
    variant_cov: Floats
    outlier_share: float
    outlier_volume: float
    cover_share: float
    cover_mean: Floats
    cover_cov: Floats
    temperature: float

    def __post_init__(self) -> None:
        for name, shape in (
            ("mean", (6, 3)),
            ("picture_cov", (18, 18)),
            ("face_cov", (3, 3)),
            ("cell_cov", (6, 3, 3)),
            ("sticker_cov", (6, 3, 3)),
            ("cover_mean", (3,)),
            ("cover_cov", (3, 3)),
            ("glare_share", self.glare_level.shape),
            ("variant_cov", (*self.glare_level.shape, 3, 3)),
        ):
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name} has shape {getattr(self, name).shape}; it must be {shape}")


@dataclass(frozen=True, eq=False)
class Profile:
    """A named colour model with the cube it belongs to.

    ``sizes`` empty = any size. ``scheme[i]`` = colour index on face URFDLB[i] of the solved cube.
    ``held_out`` = scores on pictures that no fitting saw, by name. Hash and equality are by identity, so
    that prepared numbers can be kept per profile.
    """

    name: str
    model: ColourModel
    sizes: tuple[int, ...] = ()
    colours: tuple[str, ...] = COLOURS
    scheme: tuple[int, ...] = SCHEME
    samples: tuple[ColourSample, ...] = ()
    held_out: dict[str, float] = field(default_factory=dict)
    note: str = ""

    def with_model(self, model: ColourModel) -> Profile:
        """The same profile with other numbers."""
        return replace(self, model=model)

    def to_json_dict(self) -> dict[str, Any]:
        """Plain lists and numbers, as the file holds them."""
        model = self.model
        return {
            "lastlook_profile": VERSION,
            "name": self.name,
            "note": self.note,
            "sizes": list(self.sizes),
            "colours": list(self.colours),
            "scheme": {face: self.colours[k] for face, k in zip(FACES, self.scheme, strict=True)},
            "model": {
                "floor": model.floor,
                "mean": _numbers(model.mean),
                "picture_cov": _numbers(model.picture_cov),
                "face_cov": _numbers(model.face_cov),
                "cell_cov": _numbers(model.cell_cov),
                "sticker_cov": _numbers(model.sticker_cov),
                "glare_level": _numbers(model.glare_level),
                "glare_share": _numbers(model.glare_share),
                "variant_cov": _numbers(model.variant_cov),
                "outlier_share": model.outlier_share,
                "outlier_volume": model.outlier_volume,
                "cover_share": model.cover_share,
                "cover_mean": _numbers(model.cover_mean),
                "cover_cov": _numbers(model.cover_cov),
                "temperature": model.temperature,
            },
            "samples": [
                {
                    "colour": self.colours[s.colour],
                    "linear_rgb": list(s.linear_rgb),
                    "light_rgb": None if s.light_rgb is None else list(s.light_rgb),
                    "picture": s.picture,
                }
                for s in self.samples
            ],
            "held_out": dict(self.held_out),
        }

    def save(self, path: Path) -> None:
        """Write the profile as JSON; a reader sees the old file or the whole new one, never a part.

        Raises ProfileError, and leaves the old file alone, where :func:`load_profile` would refuse the new.
        """
        target = Path(path)
        content = self.to_json_dict()
        problem = _problem_of(content)
        if problem is not None:
            raise ProfileError(f"{target}: the profile was not written: {problem}")
        written = (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
        if len(written) > MAX_FILE_BYTES:
            raise ProfileError(
                f"{target}: the profile was not written: it would take {len(written) / 1e6:.1f} MB, more than"
                f" {MAX_FILE_BYTES // 10**6}; calibrate with fewer pictures"
            )
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with replacing(target) as stream:
                stream.write(written)
        except OSError as error:
            raise ProfileError(
                f"{target}: the profile could not be written ({error.strerror or error}); "
                "choose a folder that can be written"
            ) from None


def _numbers(array: Floats) -> Any:
    """Nested lists with every float's shortest exact text, so that a saved profile loads bit for bit."""
    return array.tolist()


def from_json_dict(content: dict[str, Any]) -> Profile:
    """Build a profile from checked content (the file's structure, see :mod:`calibration.profile_schema`)."""
    colours = tuple(content["colours"])
    model = content["model"]

    def array(name: str) -> Floats:
        numbers = np.array(model[name], dtype=np.float64)
        numbers.setflags(write=False)
        return numbers

    def triple(numbers: Any) -> tuple[float, float, float]:
        return (float(numbers[0]), float(numbers[1]), float(numbers[2]))

    return Profile(
        name=content["name"],
        note=content.get("note", ""),
        sizes=tuple(content["sizes"]),
        colours=colours,
        scheme=tuple(colours.index(content["scheme"][face]) for face in FACES),
        model=ColourModel(
            floor=float(model["floor"]),
            mean=array("mean"),
            picture_cov=array("picture_cov"),
            face_cov=array("face_cov"),
            cell_cov=array("cell_cov"),
            sticker_cov=array("sticker_cov"),
            glare_level=array("glare_level"),
            glare_share=array("glare_share"),
            variant_cov=array("variant_cov"),
            outlier_share=float(model["outlier_share"]),
            outlier_volume=float(model["outlier_volume"]),
            cover_share=float(model["cover_share"]),
            cover_mean=array("cover_mean"),
            cover_cov=array("cover_cov"),
            temperature=float(model["temperature"]),
        ),
        samples=tuple(
            ColourSample(
                colour=colours.index(s["colour"]),
                linear_rgb=triple(s["linear_rgb"]),
                light_rgb=None if s["light_rgb"] is None else triple(s["light_rgb"]),
                picture=s["picture"],
            )
            for s in content["samples"]
        ),
        held_out={key: float(value) for key, value in content["held_out"].items()},
    )


def _problem_of(content: Any) -> str | None:
    """What is wrong with a file's content, or None; pydantic is imported for the files of a user alone."""
    from calibration.profile_schema import check

    return check(content)


def load_profile(path: Path) -> Profile:
    """Read and check a user's profile file.

    Raises ProfileError with one line that names the file, the field, what is wrong with it and what to do.
    """
    target = Path(path)
    try:
        with target.open("rb") as file:  # a pipe or a device tells no size: read no further
            data = file.read(MAX_FILE_BYTES + 1)
        if len(data) > MAX_FILE_BYTES:
            raise ProfileError(f"{target}: too large for a profile (over {MAX_FILE_BYTES // 10**6} MB)")
        content = parse_json(data, finite=False)  # the field is told with what is wrong
    except OSError as error:
        kind = NoProfileError if isinstance(error, FileNotFoundError) else ProfileError
        raise kind(
            f"{target}: the profile cannot be read ({error.strerror or error}); check the path, or make it"
            " with 'lastlook calibrate'"
        ) from None
    except ValueError as error:
        raise ProfileError(
            f"{target}: not a profile ({error}); name a file that 'lastlook profile export' wrote"
        ) from None
    problem = _problem_of(content)
    if problem is not None:
        raise ProfileError(
            f"{target}: {problem}; make it anew with 'lastlook calibrate', or take another file that"
            " 'lastlook profile export' wrote"
        )
    return from_json_dict(content)


@lru_cache(maxsize=1)
def default_profile() -> Profile:
    """The built-in profile for the six usual colours; its JSON is packaged and held valid by a test."""
    text = resources.files("calibration").joinpath("data/default_profile.json").read_text(encoding="utf-8")
    return from_json_dict(json.loads(text))
