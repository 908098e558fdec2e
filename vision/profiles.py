"""The user's profiles: where they lie, by which name, and loading the one that a command asks for.

One JSON file a profile in ``profiles`` of the data folder (``LASTLOOK_PROFILES`` names another folder).
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from models.errors import LastlookError, UsageError
from vision.paths import data_folder, folder_in, kind_at

if TYPE_CHECKING:
    from calibration.profile import Profile

DEFAULT: Final = "default"
FILE: Final = ".json"
"""What ends so, where a profile is named, is the path of a file."""
_PORTS: Final = (f"{port}{k}" for port in ("com", "lpt") for k in range(10))
_DEVICES: Final = frozenset({"con", "prn", "aux", "nul", *_PORTS})
"""What no file is called on Windows, whatever its ending (Microsoft: Naming Files, Paths, and Namespaces)."""
_NAME: Final = re.compile(r"[^\W_][\w .+-]{0,59}")


def profiles_folder() -> Path:
    """The folder of the user's profiles; it need not exist yet."""
    chosen = folder_in("LASTLOOK_PROFILES")
    return data_folder() / "profiles" if chosen is None else chosen


def profile_path(name: str) -> Path:
    """Where the profile ``name`` lies. Raises UsageError for a name that cannot be a file's."""
    if name == DEFAULT:
        raise UsageError(f"{name!r} is the built-in profile; choose another name")
    if name.endswith(FILE):
        raise UsageError(f"{name!r} cannot name a profile: with {FILE} it means a file; leave that off")
    if not _NAME.fullmatch(name) or name.endswith((".", " ")):
        raise UsageError(f"{name!r} cannot name a profile; use up to 60 letters, digits, spaces and . + - _")
    if name.partition(".")[0].rstrip().lower() in _DEVICES:
        raise UsageError(f"{name!r} cannot name a profile: on Windows it is a device; choose another name")
    return profiles_folder() / f"{name}{FILE}"


def taught_path(name: str | None) -> Path:
    """Where the profile lies that ``--learn`` adds to.

    Raises UsageError unless ``name`` is one of the user's and keeps stickers of its own to go back to.
    """
    from calibration.learn import is_learned

    if name is None or name == DEFAULT or name.endswith(FILE) or os.sep in name:
        raise UsageError("--learn needs a profile of your own: name it with --profile")
    profile = load_named(name)
    if profile is None or all(is_learned(one.picture) for one in profile.samples):
        raise UsageError(f"{name!r} keeps no stickers of its own; make it with 'lastlook calibrate'")
    return profile_path(name)


def profile_names() -> list[str]:
    """Names of the user's profiles, sorted; the built-in one is not among them."""
    folder = profiles_folder()
    if kind_at(folder) != "folder":
        return []
    return sorted(path.stem for path in folder.glob(f"*{FILE}") if not path.name.startswith("."))


def load_named(name: str | None) -> Profile | None:
    """The profile that ``--profile`` names: a user's profile, "default", or the path of a profile file.

    None stands for "not said" and gives None. Raises UsageError when there is no such profile,
    ProfileError when its file is damaged.
    """
    from calibration.profile import default_profile, load_profile

    if name is None:
        return None
    if name == DEFAULT:
        return default_profile()
    if name.endswith(FILE) or os.sep in name:
        if kind_at(name) == "other":
            raise UsageError(f"{name}: neither a file nor a folder; name a profile or its file")
        return load_profile(Path(name))
    path = profile_path(name)
    if kind_at(path) != "file":
        known = ", ".join([DEFAULT, *profile_names()])
        raise UsageError(f"there is no profile {name!r}; known are {known}; 'lastlook calibrate' makes one")
    return _called(load_profile(path), name)


def _called(profile: Profile, name: str) -> Profile:
    """The profile under the name of its file, which is the one that --profile takes."""
    return profile if profile.name == name else replace(profile, name=name)


def load_all() -> tuple[list[Profile], list[LastlookError]]:
    """All of the user's profiles that can be loaded, and what is wrong with the others."""
    from calibration.profile import load_profile

    good: list[Profile] = []
    bad: list[LastlookError] = []
    for name in profile_names():
        try:
            good.append(_called(load_profile(profile_path(name)), name))
        except LastlookError as error:
            bad.append(error)
    return good, bad


def is_built_in(profile: Profile) -> bool:
    """Whether it is the built-in profile, or a copy of it that reads every picture alike."""
    from calibration.profile import default_profile

    if profile.samples:
        return False
    own, general = profile.to_json_dict(), default_profile().to_json_dict()
    return all(own[key] == general[key] for key in ("colours", "scheme", "model"))


def sizes_text(profile: Profile) -> str:
    """The sizes of cube that a profile is for."""
    return ", ".join(f"{n}x{n}x{n}" for n in profile.sizes) or "any size"


def colours_text(profile: Profile) -> str:
    """The names of its colours, each of its own with the usual one for which it stands: "mint (green)"."""
    from calibration.profile import COLOURS

    pairs = zip(profile.colours, COLOURS, strict=True)
    return ", ".join(own if own == usual else f"{own} ({usual})" for own, usual in pairs)
