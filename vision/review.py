"""Settle by hand what stayed open: the queue, a person's verdict, and the truth file beside the picture.

How the person is asked (a window, or the terminal) is a :class:`vision.review_entry.Prompt`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from models.errors import LastlookError, UsageError
from models.files import write_atomically
from models.json_text import parse_json
from vision.naming import USUAL, Naming, fitting
from vision.paths import is_file, kind_at
from vision.review_entry import Entry, Place, Prompt, Seen, StickerError, Verdict, sticker_in_words
from vision.settle import Settled, settle
from vision.streams import complain
from vision.truth_file import is_guess, is_taken, new_truth_path, truth_path
from vision.wording import counted

BY_HAND: Final = "settled by hand"
MOST_NAMED: Final = 4
"""Stickers that are named where more differ."""


def queue(answers: Iterable[Mapping[str, Any]], *, everything: bool = False) -> list[Entry]:
    """Pictures whose case is open (with ``everything`` all) and that have no truth beside them, in order.

    A guess is no truth; any other file of that name is left as it is. Of several answers about one picture
    the last counts. Cases out of recordings and pictures that are gone are left out.
    """
    last: dict[str, Mapping[str, Any]] = {}
    for answer in answers:
        if isinstance(answer.get("image"), str) and "start" not in answer:
            last[answer["image"]] = answer
    entries = []
    for image, answer in last.items():
        picture = Path(image)
        if (everything or not answer.get("ok")) and is_file(picture) and not is_taken(truth_path(picture)):
            truth = new_truth_path(picture)
            if not is_taken(truth):
                entries.append(Entry(answer, picture, truth))
    return entries


def truth_for(entry: Entry, verdict: Verdict) -> dict[str, Any]:
    """The truth file's content for a verdict.

    Raises UsageError with what to mend when the stickers belong to no last layer, or leave several cases.
    """
    note = {"note": BY_HAND}
    if verdict.kind == "negative":
        return {"negative": verdict.negative, **note}
    if verdict.kind == "code":
        if entry.size is None:
            raise UsageError("no stickers were read here; give their colours instead of a code")
        seen, size = entry.seen, entry.size
        settled = _settled(seen, size, verdict.code, entry.top, entry.naming)
        # what was read against the chosen case counts as not seen
        for face, row, col in settled.differing:
            if face in seen and row < len(seen[face]):
                seen[face][row][col] = None
    else:
        seen, size = verdict.seen, verdict.size
        settled = _settled(seen, size, None, None, entry.naming)
        if settled.differing:
            where = "; ".join(map(sticker_in_words, settled.differing[:MOST_NAMED]))
            more = "; ..." if len(settled.differing) > MOST_NAMED else ""
            raise StickerError(
                f"no last layer looks like this; the nearest differs at {where}{more}", settled.differing[0]
            )
        if len(settled.fitting) > 1:
            some = ", ".join(settled.fitting[:5])
            raise UsageError(
                f"{len(settled.fitting)} cases fit these stickers ({some}); give more, or choose the case"
            )
    top = entry.answer.get("top")
    scheme = entry.naming.scheme_named()
    return {
        "n": size,
        "case": settled.code,
        "facelets": settled.facelets(),
        "stickers": _visible(seen, size),
        **({"scheme": scheme} if scheme else {}),
        **({"top_quad": top["quad"]} if top else {}),
        **note,
    }


def _settled(seen: Seen, size: int, code: str | None, top: str | None, naming: Naming) -> Settled:
    try:
        return settle(seen, size, code=code, top=top, scheme=naming.scheme, colours=naming.names)
    except ValueError as error:
        raise UsageError(str(error)) from error


def _visible(seen: Seen, size: int) -> list[dict[str, Any]]:
    """Which stickers of U and the sides' top rows could be read, as a truth file lists them."""
    out = []
    for face in "UFRBL":
        rows = seen.get(face, [])
        for row in range(size if face == "U" else 1):
            for col in range(size):
                name = rows[row][col] if row < len(rows) and col < len(rows[row]) else None
                out.append({"face": face, "row": row, "col": col, "visible": 0.0 if name is None else 1.0})
    return out


def with_names(entries: Iterable[Entry], profile: str | None) -> list[Entry]:
    """Entries with the colours of the cube that each was read as.

    Those of ``profile`` where they have all the names in the answer, else the usual ones, else those of the
    first of the user's profiles that have. Raises UsageError where none has.
    """
    from vision.profiles import load_all, load_named

    chosen = load_named(profile)
    known = [USUAL] if chosen is None else [Naming.of(chosen), USUAL]
    own: list[Naming] | None = None
    out = []
    for entry in entries:
        naming = fitting(entry.names, known)
        if naming is None:
            own = [Naming.of(one) for one in load_all()[0]] if own is None else own
            naming = fitting(entry.names, own)
        if naming is None:
            names = ", ".join(sorted(entry.names))
            raise UsageError(f"{entry.picture}: no profile has the colours {names}; name it with --profile")
        out.append(replace(entry, naming=naming))
    return out


def go_through(entries: Sequence[Entry], prompt: Prompt) -> int:
    """Ask about each entry and write its truth at once; returns how many truths were written.

    Back returns to the entry before and takes back the truth that this session wrote for it; a guess that was
    there before is there again.
    """
    written: dict[Path, bytes | None] = {}
    at, message = 0, ""
    sticker: Place | None = None
    while at < len(entries):
        entry = entries[at]
        verdict = prompt.ask(entry, (at + 1, len(entries)), message, sticker)
        message, sticker = "", None
        if verdict.kind == "quit":
            break
        if verdict.kind == "back":
            at = max(0, at - 1)
            if entries[at].truth in written:
                guess = written.pop(entries[at].truth)
                if guess is None:
                    entries[at].truth.unlink(missing_ok=True)
                else:
                    write_atomically(entries[at].truth, guess)
            continue
        if verdict.kind != "later":
            try:
                content = truth_for(entry, verdict)
            except UsageError as error:
                message = str(error)
                sticker = error.place if isinstance(error, StickerError) else None
                continue
            if is_taken(entry.truth) and entry.truth not in written:
                message = f"{entry.truth.name} came up meanwhile; it is left as it is"
            else:
                guess = entry.truth.read_bytes() if is_guess(entry.truth) else None
                text = json.dumps(content, ensure_ascii=False) + "\n"
                write_atomically(entry.truth, text.encode())
                written.setdefault(entry.truth, guess)
        at += 1
    return len(written)


def review(answers: Path, *, everything: bool, window: bool, profile: str | None = None) -> int:
    """Go through the open pictures of a file of answers; returns the exit status.

    ``profile`` names the one whose colours the pictures were read in (:func:`with_names`). Raises UsageError
    when the file is missing or holds no answers, or no profile has the colours in it; LastlookError when
    there is neither a window nor a terminal to ask in.
    """
    try:
        if kind_at(answers) == "other":
            raise UsageError(f"{answers}: neither a file nor a folder; name a file that 'label --out' wrote")
        found = list(_answers_in(answers))
    except OSError as error:
        raise UsageError(f"{answers}: {error.strerror}; name a file that 'label --out' wrote") from error
    if not found:
        raise UsageError(f"{answers}: holds no answers; name a file that 'label --out' wrote")
    entries = with_names(queue(found, everything=everything), profile)
    gone = len({one["image"] for one in found if "start" not in one and not is_file(one["image"])})
    if gone:
        sys.stderr.write(
            f"{counted(gone, 'picture')} not where the answers say:"
            f" 'lastlook label FOLDER --out {answers} --resume' takes up what was moved\n"
        )
    if not entries:
        there = "every picture there" if gone else "every picture"
        more = "" if everything else "; --all goes through the named ones"
        sys.stderr.write(f"nothing to review: {there} is named or has its truth beside it{more}\n")
        return 0
    prompt = _prompt(window)
    try:
        with suppress(EOFError, KeyboardInterrupt):
            go_through(entries, prompt)
    finally:
        prompt.close()
    settled = sum(is_taken(entry.truth) for entry in entries)
    where = " (the truth stands beside each)" if settled else ""
    sys.stderr.write(f"{settled} settled{where}, {len(entries) - settled} left\n")
    return 0


def _answers_in(path: Path) -> Iterator[dict[str, Any]]:
    """The answers of a file of lines; raises UsageError for one that cannot be asked about, with its line.

    A line that is no JSON object with an image is passed over, which is told; one that a kill cut short is
    not worth a word.
    """
    from vision.answer_schema import check

    with path.open("rb") as stream:
        for number, line in enumerate(stream, 1):
            try:
                one = parse_json(line)
                why = "" if isinstance(one, dict) and "image" in one else "no JSON object with an image"
            except ValueError as error:
                why = str(error)
            if why:
                if line.endswith(b"\n") and line.strip():
                    complain(f"{path}: line {number} is no answer ({why}); passed over")
                continue
            fault = None if "start" in one else check(one)
            if fault is not None:
                raise UsageError(f"{path}: line {number} is no answer ({fault}); delete the line")
            yield one


def _prompt(window: bool) -> Prompt:
    from vision.review_prompt import TerminalPrompt

    if window:
        from vision.display import display_problem
        from vision.review_window import WindowPrompt

        problem = display_problem()
        if problem is None:
            return WindowPrompt()
        sys.stderr.write(f"{problem}; asking in the terminal\n")
    if not sys.stdin.isatty():
        raise LastlookError("neither a window nor a terminal to ask in; run this from a terminal")
    return TerminalPrompt()
