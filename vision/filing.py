"""What filing pictures by case code would do: copies into folders, or new names in place.

Nothing is ever overwritten: a name that is taken gets a number. :mod:`vision.filing_steps` does it.
"""

from __future__ import annotations

import filecmp
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from glob import escape as glob_escape
from pathlib import Path
from typing import Any, Final, Literal

from vision.paths import is_file
from vision.sources import SUFFIXES
from vision.truth_file import truth_path

Action = Literal["copy", "rename"]
JOINT: Final = "__"


@dataclass(frozen=True, slots=True)
class Step:
    """One file to copy or rename."""

    action: Action
    source: Path
    target: Path


@dataclass(frozen=True, slots=True)
class Plan:
    """What would be done, and what is left alone with the reason."""

    steps: tuple[Step, ...]
    left_alone: tuple[tuple[Path, str], ...]


def plan(answers: Iterable[Mapping[str, Any]], action: Action, folder: Path | None = None) -> Plan:
    """Plan copies to ``folder/CODE/name`` or renames to ``CODE__name`` in place.

    Only pictures of which the answer names one case are taken; the truth beside a picture (``name.json``)
    goes with it. A picture of which a copy is there already, or that bears its code already, is left alone;
    one that bears another code gets the new one in its stead.
    """
    if action == "copy" and folder is None:
        raise ValueError("copying needs a folder")
    steps: list[Step] = []
    left: list[tuple[Path, str]] = []
    promised: set[Path] = set()
    taken: set[Path] = set()
    for answer in answers:
        source = Path(str(answer["image"]))
        if source in taken or "start" in answer:  # a recording has no single code
            continue
        taken.add(source)
        if not answer.get("ok") or not answer.get("case"):
            left.append((source, str(answer.get("reason") or "not named")))
        elif not is_file(source):
            left.append((source, "is not there any more"))
        else:
            code = str(answer["case"]["code"])
            if action == "copy":
                assert folder is not None
                wanted = folder / code / source.name
            else:
                wanted = source.with_name(_coded_name(code, source.name))
                if wanted == source:
                    left.append((source, "bears its code already"))
                    continue
            files = [source, *truth_beside(source, action)]
            if action == "copy" and _is_there(wanted, source, promised):
                left.append((source, "its copy is there already"))
                continue
            target = _free(wanted, files, promised)
            for one in files:
                step = Step(action, one, _beside(target, one, source))
                promised.add(step.target)
                steps.append(step)
    return Plan(tuple(steps), tuple(left))


def truth_beside(picture: Path, action: Action) -> list[Path]:
    """The truth beside a picture; one that belongs to several pictures of the same stem is not moved."""
    truth = truth_path(picture)
    if not is_file(truth) or truth == picture:
        return []
    if _is_own(truth, picture):
        return [truth]
    sharing = [
        one for one in picture.parent.glob(f"{glob_escape(picture.stem)}.*") if one not in (picture, truth)
    ]
    return [] if action == "rename" and any(one.suffix.lower() in SUFFIXES for one in sharing) else [truth]


def _beside(target: Path, one: Path, picture: Path) -> Path:
    """The new path of ``one``, a picture or its truth, where the picture goes to ``target``."""
    if one == picture:
        return target
    return target.with_name(f"{target.name if _is_own(one, picture) else target.stem}.json")


def _is_own(truth: Path, picture: Path) -> bool:
    """Whether the truth bears the picture's whole name, so that it is that of no other."""
    return bool(picture.suffix) and truth.name == f"{picture.name}.json"


def _coded_name(code: str, name: str) -> str:
    bare = re.sub(rf"^e[0-4][ao]?(?:-[a-z]+)+{JOINT}", "", name)
    return f"{code}{JOINT}{bare}"


def _is_there(wanted: Path, source: Path, promised: set[Path]) -> bool:
    """Whether ``wanted``, ``wanted-2``... is a copy of ``source`` that an earlier run made."""
    number, target = 1, wanted
    while os.path.lexists(target) or target in promised:
        if is_file(target) and filecmp.cmp(source, target, shallow=False):
            return True
        number += 1
        target = wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}")
    return False


def _free(wanted: Path, files: list[Path], promised: set[Path]) -> Path:
    """``wanted``, or the first of ``wanted-2``, ``wanted-3``... free for the picture and its truth."""
    number = 1
    while True:
        name = wanted.name if number == 1 else f"{wanted.stem}-{number}{wanted.suffix}"
        target = wanted.with_name(name)
        targets = [_beside(target, one, files[0]) for one in files]
        if not any(os.path.lexists(one) or one in promised for one in targets):
            return target
        number += 1
