"""Truth beside a picture: the small JSON that ``lastlook score`` reads, and what exact reading leaves of it.

``NAME.json`` beside ``NAME.jpg`` (or another picture suffix; :mod:`vision.truth_file`) is one object. Keys,
all but the first two optional; others are ignored:

    n          layers of the cube, 2..7 (left out when there is no cube)
    facelets   {"U": rows, "F": rows, ...}: colour names as printed on paper, U with F at its bottom; all
               rows, or at least all of U and the top row of F, R, B and L. F may be any side. The names are
               the usual six, or those of the profile that the pictures are read with
    negative   why no case can be named: no_cube | grids_only | occluded_top | not_last_layer
    stickers   [{"face", "row", "col", "visible", "centre_visible"}]: share 0..1 of each sticker that is
               to be seen; left out: the picture counts as one that settles its case
    top_quad   [[x, y] * 4] outer corners of the top face back-left, back-right, front-right, front-left, F
               being the front; pixels, x right, y down
    scheme     {"U": colour, ...} of the solved cube when it is not the usual one
    tags       ["glare", "fingers", ...] conditions to score by
    guess      true for a program's guess that nobody has confirmed (``watch`` saves such): it is no truth
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from calibration.profile import COLOURS
from models.errors import LastlookError, UsageError
from models.turns import FACES
from vision.answer import Reason, Rows
from vision.paths import NothingThereError, is_file
from vision.sources import SUFFIXES
from vision.truth_file import content_of, is_guess, truth_path

VISIBLE_AT_LEAST: Final = 0.3
EXPECTED_REASONS: Final[Mapping[str, Reason]] = {
    "no_cube": "no-cube",
    "grids_only": "no-cube",
    "occluded_top": "top-hidden",
    "not_last_layer": "not-last-layer",
}
_EXACT = 60.0  # nats by which an exactly read sticker rules out every other colour
_SETTLED_SHARE = 1e-9


@dataclass(frozen=True, slots=True)
class Truth:
    """What is known about one picture.

    ``code`` is the case, None for a negative. ``readable`` lists (face, row, col) of the stickers that
    can be read. ``fitting`` holds the codes that exact reading of those leaves: one code, and the
    picture is settled. ``scheme`` is the colour index of each face URFDLB of the solved cube.
    """

    picture: Path
    size: int | None
    code: str | None
    reason: Reason | None
    facelets: Mapping[str, Rows]
    readable: frozenset[tuple[str, int, int]]
    fitting: tuple[str, ...]
    top_quad_xy: tuple[tuple[float, float], ...] | None
    tags: tuple[str, ...]
    scheme: tuple[int, ...]

    @property
    def is_settled(self) -> bool:
        """Whether a person who reads every visible sticker without a mistake can name the case."""
        return self.code is not None and len(self.fitting) <= 1


def truths_in(
    folder: Path,
    colours: Sequence[str] = COLOURS,
    *,
    on_problem: Callable[[LastlookError], None] | None = None,
) -> list[Truth]:
    """The truths of all pictures right inside ``folder`` that have one, by name.

    A guess is passed over. ``colours`` as for :func:`truth_of`. A truth that is wrong goes to ``on_problem``
    and is left out; without that it is raised. Raises NothingThereError where no picture has one, UsageError
    where no folder is.
    """
    try:
        pictures = sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES)
    except OSError as error:
        is_none = isinstance(error, FileNotFoundError | NotADirectoryError)
        kind = UsageError if is_none else LastlookError
        raise kind(f"{folder}: cannot list this folder ({error.strerror}); check the path") from None
    beside = [p for p in pictures if is_file(truth_path(p))]
    found, is_wrong = [], False
    for picture in (p for p in beside if not is_guess(truth_path(p))):
        try:
            found.append(truth_of(picture, colours))
        except LastlookError as error:
            if on_problem is None:
                raise
            on_problem(error)
            is_wrong = True
    if not found:
        if is_wrong:
            raise LastlookError(f"{folder}: no truth there can be used; mend the files that were left out")
        guesses = "; 'lastlook review' makes truths of the guesses there" if beside else ""
        raise NothingThereError(
            f"{folder}: no picture with its truth beside it (NAME.jpg and NAME.json){guesses}"
        )
    return found


def truth_of(picture: Path, colours: Sequence[str] = COLOURS) -> Truth:
    """The truth in the JSON file beside ``picture``; LastlookError naming the file and what is wrong.

    Of a guess this is what it says (:func:`is_guess` tells). ``colours`` are the six names that the file may
    use, in the order of the profile's colours.
    """
    path = truth_path(picture)
    data = content_of(path)
    try:
        return _truth(picture, data, colours)
    except LastlookError as error:
        raise LastlookError(f"{path}: {error}") from None
    except KeyError as error:
        raise LastlookError(f"{path}: the key {error} is missing; README.md shows the format") from None
    except ValueError as error:
        raise LastlookError(f"{path}: not a truth file ({error}); README.md shows the format") from None


def _truth(picture: Path, data: Mapping[str, Any], colours: Sequence[str]) -> Truth:
    from vision.truth_schema import check

    fault = check(data)
    if fault is not None:
        raise ValueError(fault)
    size = data.get("n")
    reason = None
    if data.get("negative") is not None:
        if data["negative"] not in EXPECTED_REASONS:
            raise ValueError(f"negative {data['negative']!r} is none of {', '.join(EXPECTED_REASONS)}")
        reason = EXPECTED_REASONS[data["negative"]]
    facelets: dict[str, Rows] = {}
    if size is not None:
        if not 2 <= size <= 7:
            raise ValueError(f"n {size!r} is none of 2 to 7")
        if data.get("facelets") is None:
            raise KeyError("facelets")
        facelets = _facelets(data["facelets"], size, colours)
    elif reason is None:
        raise KeyError("n")
    readable = frozenset() if size is None else _readable(data.get("stickers"), facelets, size)
    code: str | None = None
    fitting: tuple[str, ...] = ()
    scheme = _scheme(data, colours)
    if size is not None and reason is None:
        code = _code(facelets, size, scheme, colours)
        fitting = (code,)
        if data.get("stickers") is not None:
            fitting = fitting_codes(facelets, size, readable, scheme, colours)
    quad = data.get("top_quad")
    if quad is not None and max(max(along) - min(along) for along in zip(*quad, strict=True)) < 1.0:
        raise ValueError("top_quad: the four corners are in one place")
    return Truth(
        picture=picture,
        size=size,
        code=code,
        reason=reason,
        facelets=facelets,
        readable=readable,
        fitting=fitting,
        top_quad_xy=None if quad is None else tuple((float(x), float(y)) for x, y in quad),
        tags=tuple(data.get("tags") or ()),
        scheme=scheme,
    )


def _facelets(data: Mapping[str, Any], size: int, colours: Sequence[str]) -> dict[str, Rows]:
    facelets: dict[str, Rows] = {}
    for face in "URFLB":
        if face not in data:
            raise ValueError(f"facelets.{face} is missing")
        rows = tuple(tuple(row) for row in data[face])
        if not (size if face == "U" else 1) <= len(rows) <= size or any(len(row) != size for row in rows):
            raise ValueError(f"face {face} is not {size} stickers wide")
        for name in (name for row in rows for name in row):
            _colour(name, colours, f"face {face}")
        facelets[face] = rows
    return facelets


def _readable(stickers: Any, facelets: Mapping[str, Rows], size: int) -> frozenset[tuple[str, int, int]]:
    """The stickers that can be read; all of the top face where nothing is said of them."""
    if stickers is None:
        return frozenset(("U", row, col) for row in range(size) for col in range(size))
    readable = set()
    for number, one in enumerate(stickers):
        face, row, col = one["face"], one["row"], one["col"]
        if row >= size or col >= size:
            raise ValueError(f"stickers.{number}: row and col go from 0 to {size - 1}")
        if one["visible"] >= VISIBLE_AT_LEAST and one.get("centre_visible", True):
            if row >= len(facelets.get(face, ())):
                raise ValueError(f"stickers.{number}: is to be seen, and facelets does not have its row")
            readable.add((face, row, col))
    return frozenset(readable)


def _colour(name: Any, colours: Sequence[str], where: str) -> int:
    """Index of a colour's name; LastlookError where it is none of the cube's."""
    if name not in colours:
        raise LastlookError(
            f"{where} has the colour {name!r}; the six are {', '.join(colours)}"
            " (names of your own go with --profile, in 'calibrate' with --colours)"
        )
    return colours.index(name)


def _scheme(data: Mapping[str, Any], colours: Sequence[str]) -> tuple[int, ...]:
    """Colour index of each face URFDLB of the solved cube; the usual one unless the file gives its own."""
    from calibration.profile import SCHEME

    if data.get("scheme") is None:
        return SCHEME
    if not set(FACES) <= set(data["scheme"]):
        raise ValueError(f"scheme gives the colour of each face {' '.join(FACES)}")
    scheme = tuple(_colour(data["scheme"][face], colours, "scheme") for face in FACES)
    if len(set(scheme)) != 6:
        raise ValueError("scheme must give each of the six colours to one face")
    return scheme


def _loglik(
    facelets: Mapping[str, Rows],
    size: int,
    readable: frozenset[tuple[str, int, int]],
    colours: Sequence[str],
) -> Any:
    """Log-likelihoods (6, n, n, 6), in nats, of stickers of which the ``readable`` are read without fault."""
    import numpy as np

    loglik = np.zeros((6, size, size, 6))
    for face, row, col in readable:
        index = colours.index(str(facelets[face][row][col]))
        loglik[FACES.index(face), row, col] = -_EXACT
        loglik[FACES.index(face), row, col, index] = 0.0
    return loglik


def fitting_codes(
    facelets: Mapping[str, Rows],
    size: int,
    readable: frozenset[tuple[str, int, int]],
    scheme: tuple[int, ...],
    colours: Sequence[str] = COLOURS,
) -> tuple[str, ...]:
    """The codes that fit the colours of the ``readable`` stickers exactly, most probable first.

    ``scheme`` is the colour index of each face URFDLB of the solved cube, turned in any way,
    ``colours`` the names by index. Raises ValueError when no last-layer state fits.
    """
    from models.decode import decode

    posterior = decode(_loglik(facelets, size, readable, colours), scheme=scheme, mirror=False)
    if posterior.log_evidence < -_EXACT + _EXACT / 4:
        raise ValueError("the stickers of the top layer are no last-layer state of this size")
    ranked = sorted(posterior.case_probabilities.items(), key=lambda item: -item[1])
    return tuple(code for code, share in ranked if share > _SETTLED_SHARE)


def _code(facelets: Mapping[str, Rows], size: int, scheme: tuple[int, ...], colours: Sequence[str]) -> str:
    """The case of the whole cube: every sticker of the top layer read."""
    everything = frozenset(
        (face, row, col)
        for face, rows in facelets.items()
        for row in range(len(rows) if face == "U" else 1)
        for col in range(size)
    )
    return fitting_codes(facelets, size, everything, scheme, colours)[0]
