"""What of the user's own an answer depends on, as digests: they tell an answer read with something else."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import TYPE_CHECKING

from models.errors import LastlookError
from vision.library_files import effort_path, hidden_path, library_path
from vision.paths import digest_of

if TYPE_CHECKING:
    from calibration.profile import Profile


def library_digests() -> dict[str, str]:
    """By file name, digests of the files that decide which sequences are shown, of those that are there.

    Raises LastlookError for one that cannot be read.
    """
    paths = (library_path(), hidden_path(), effort_path())
    try:
        return {path.name: digest_of(path) for path in paths if path.is_file()}
    except OSError as error:
        raise LastlookError(f"{error.filename}: cannot be read ({error.strerror})") from None


def profile_digests(profiles: Iterable[Profile | None]) -> dict[str, str]:
    """By name, digests of profiles as they were calibrated; None, which stands for none of them, is left out.

    What they learned by use does not count: else ``--learn`` would make all answers of its own run old ones.
    """
    return {one.name: _digest(one) for one in profiles if one is not None}


def _digest(profile: Profile) -> str:
    from calibration.learn import is_learned

    content = profile.to_json_dict()
    own = [one for one in content["samples"] if not is_learned(one["picture"])]
    told = [own or content["model"], content["colours"], content["scheme"], content["sizes"]]
    return hashlib.blake2b(json.dumps(told).encode(), digest_size=16).hexdigest()
