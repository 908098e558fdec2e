"""The six colours of a cube by the names that its owner gave them, and the key that stands for each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from string import ascii_lowercase
from typing import TYPE_CHECKING, Final

from calibration.profile import COLOURS, SCHEME
from models.turns import FACES

if TYPE_CHECKING:
    from calibration.profile import Profile

NOT_SEEN: Final = ("x", ".")
"""Keys for a sticker that was not seen; no colour takes them."""


@dataclass(frozen=True)
class Naming:
    """``names`` by colour index; ``scheme`` the colour index of URFDLB of the solved cube; ``rgb`` the look
    (sRGB) of names that are not among the usual six."""

    names: tuple[str, ...] = COLOURS
    scheme: tuple[int, ...] = SCHEME
    rgb: Mapping[str, tuple[int, int, int]] = field(default_factory=dict)

    @classmethod
    def of(cls, profile: Profile | None) -> Naming:
        """The names of a profile; the usual ones for None."""
        if profile is None:
            return USUAL
        return cls(profile.colours, profile.scheme, own_rgb(profile))

    @cached_property
    def keys(self) -> dict[str, str]:
        """Name by key: one small letter a name, of its own letters where it can be, never ``x``."""
        taken: dict[str, str] = {}
        # the usual names first: their letters stay what they are, whatever the others are called
        for name in sorted(self.names, key=lambda one: one not in COLOURS):
            choice = [*(c for c in name.lower() if c in ascii_lowercase), *ascii_lowercase]
            taken[next(c for c in choice if c not in taken and c not in NOT_SEEN)] = name
        return {key: name for name in self.names for key, one in taken.items() if one == name}

    @cached_property
    def key_of(self) -> dict[str, str]:
        """Key by name."""
        return {name: key for key, name in self.keys.items()}

    @property
    def keys_in_words(self) -> str:
        """The keys, with the names where a key is not the first letter of a usual one."""
        if self.names == COLOURS:
            return " ".join(self.keys)
        return ", ".join(f"{key} {name}" for key, name in self.keys.items())

    def knows(self, names: Iterable[str]) -> bool:
        """Whether all of ``names`` are this cube's."""
        return set(names) <= set(self.names)

    def scheme_named(self) -> dict[str, str] | None:
        """The scheme as truth files hold it; None for the usual one, which they leave out."""
        if self.scheme == SCHEME:
            return None
        return {face: self.names[k] for face, k in zip(FACES, self.scheme, strict=True)}


USUAL: Final = Naming()


def own_rgb(profile: Profile) -> dict[str, tuple[int, int, int]]:
    """sRGB 0..255 of a profile's colours by name; empty where all are called as usual."""
    if set(profile.colours) <= set(COLOURS):
        return {}
    from calibration.classes import classes_of

    out = {}
    for one in classes_of(profile):
        red, green, blue = (round(255 * float(c)) for c in one.srgb)
        out[one.name] = (red, green, blue)
    return out


def fitting(names: Iterable[str], known: Sequence[Naming]) -> Naming | None:
    """The first of ``known`` that has all of ``names``."""
    wanted = set(names)
    return next((one for one in known if one.knows(wanted)), None)
