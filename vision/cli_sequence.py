"""Commands round the user's own library: sequence add, list, remove, import, export."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vision.case_data import check_code
from vision.json_lines import json_line

if TYPE_CHECKING:
    from models.sequences import Entry


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the application."""
    group = typer.Typer(no_args_is_help=True, help="Your own sequences: add, list, remove, import, export.")
    group.command("add")(add_sequence)
    group.command("list")(list_sequences)
    group.command("remove")(remove_sequence)
    group.command("import")(import_sequences)
    group.command("export")(export_sequences)
    app.add_typer(group, name="sequence")


def add_to_library(rows: Sequence[dict[str, str]]) -> int:
    """Append sequences, each as `models.sequences.write_block` takes it, to the user's library.

    Returns how many were new: those that stand there already are skipped. The file keeps everything else
    that is in it.
    """
    from models.library import load_library
    from models.sequences import write_block
    from models.toml_files import read_text
    from vision.library_files import library_path, locked, save_text, tell_passed_over

    path = library_path()
    blocks = []
    with locked():
        text = read_text(path) if path.exists() else _HEAD
        own = load_library([path], built_in=False)
        tell_passed_over(own.bad)
        held = {(e.code, e.turns) for e in own.entries}
        for row in rows:
            if (row["code"], row["turns"]) not in held:
                held.add((row["code"], row["turns"]))
                blocks.append(write_block(**row))
        if blocks:
            save_text(path, text.rstrip("\n") + "\n\n" + "".join(blocks))
    return len(blocks)


_HEAD = "# Your own sequences. lastlook executes each before it shows it and tells you which are wrong.\n"


def add_sequence(
    code: Annotated[str, typer.Argument(help="The case, as e1-sune-left.", show_default=False)],
    moves: Annotated[str, typer.Argument(help="Turns, quoted.", show_default=False)],
) -> None:
    """Put MOVES in your library as a sequence for CODE; refused when the engine finds another case."""
    from models.errors import LastlookError, UsageError
    from models.notation import parse_moves
    from models.sequences import NEEDS_NO_SEQUENCE, check_entry

    check_code(code)
    if code in NEEDS_NO_SEQUENCE:
        raise UsageError(f"case {code!r} needs no sequence")
    sequence = parse_moves(moves)
    try:
        sizes = check_entry(code, sequence).sizes
    except LastlookError as error:
        raise LastlookError(f"not added: {sequence or 'no turns'}: {error}") from error
    new = add_to_library([{"code": code, "turns": str(sequence), "source": "yours"}])
    typer.echo(f"{code}: {sequence} {'added' if new else 'was there already'}{_but_on(code, sizes)}")


def _but_on(code: str, sizes: Sequence[int]) -> str:
    """On which sizes alone a sequence solves a case that comes up on more (a 2x2x2 besides is no matter)."""
    from models.cases import CASES
    from models.permutation import PERMUTATION_CASES

    target = CASES.get(code) or PERMUTATION_CASES[code]
    if all(size in sizes for size in range(3, 8) if target.occurs_on(size)):
        return ""
    return f", for cubes of {', '.join(map(str, sizes))} layers alone"


def list_sequences(
    code: Annotated[str | None, typer.Argument(help="Only this case.", show_default=False)] = None,
    every: Annotated[bool, typer.Option("--all", help="The built-in ones as well.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """List your sequences, and tell which entries of your files were left out and why."""
    from vision.library_files import open_library

    if code is not None:
        check_code(code)
    library = open_library(tell=False)
    entries = [
        e for e in library.entries if (every or e.file in library.own) and (code is None or e.code == code)
    ]
    if as_json:
        typer.echo(json_line([_row(entry) for entry in entries]))
    else:
        for line in _lines(entries):
            typer.echo(line)
        if not entries:
            typer.echo(_none_of(code, every), err=True)
    for bad in library.bad:
        typer.echo(f"left out: {bad}", err=True)
    if code is not None and not entries:
        raise typer.Exit(4)


def _lines(entries: Iterable[Entry]) -> list[str]:
    """Code, a tab and the turns of each, once for those that stand in several files: one's own and the
    built-in ones, those for a 2x2x2 and those for all cubes."""
    return list(dict.fromkeys(f"{entry.code}\t{entry.turns}" for entry in entries))


def _none_of(code: str | None, every: bool) -> str:
    if code is None:
        return "no sequences of your own yet; add one with `lastlook sequence add`"
    if every:
        return f"no sequences for {code}"
    return f"no sequences of your own for {code}; --all lists the built-in ones as well"


def _row(entry: Entry) -> dict[str, object]:
    return {
        "code": entry.code, "turns": entry.turns, "core": entry.core, "source": entry.source,
        "proof": entry.proof, "proof_size": entry.proof_size, "sizes": list(entry.sizes), "file": entry.file,
        "line": entry.line,
    }  # fmt: skip


def remove_sequence(
    code: Annotated[str, typer.Argument(help="The case.", show_default=False)],
    moves: Annotated[str, typer.Argument(help="Turns, quoted.", show_default=False)],
) -> None:
    """Remove a sequence from your library; a built-in one is hidden from now on."""
    from models.notation import parse_moves
    from vision.library_files import locked

    check_code(code)
    turns = str(parse_moves(moves))
    with locked():
        hidden_in = _remove(code, turns)
    if hidden_in is None:
        typer.echo(f"{code}: {turns} removed")
    else:
        typer.echo(f"{code}: {turns} hidden (take it out of {hidden_in} to see it again)")


def _remove(code: str, turns: str) -> Path | None:
    """Take a sequence out of the user's file, or hide a built-in one: returns the file that hides it."""
    from models.errors import UsageError
    from models.sequences import write_block
    from models.toml_files import read_text, without_blocks
    from vision.library_files import hidden_path, library_path, open_library, save_text

    library = open_library()
    held = [e for e in library.entries if e.code == code and e.turns == turns]
    if not held:
        raise UsageError(f"no such sequence under {code}; `lastlook sequence list --all {code}` shows them")
    if any(entry.file in library.own for entry in held):
        path = library_path()
        lines = [entry.line for entry in held if entry.file == str(path)]
        save_text(path, without_blocks(read_text(path), "sequence", lines))
        return None
    path = hidden_path()
    text = read_text(path) if path.exists() else "# Built-in sequences that you do not want to see.\n"
    save_text(path, text.rstrip("\n") + "\n\n" + write_block(code, turns))
    return path


def import_sequences(
    file: Annotated[
        Path, typer.Argument(help="One sequence a line; - for standard input.", show_default=False)
    ],
    size: Annotated[int, typer.Option("--size", "-n", min=2, max=7, help="Layers of the cube.")] = 4,
) -> None:
    """Read sequences, one a line, and put each under the case that the engine finds it to solve.

    What stands before a colon or tab is a label. One that is a case's code is believed where the engine finds
    the sequence to solve that case on any size; --size is tried first for all others. What follows a # is
    skipped. Lines that solve no case are reported with their number, and so are those that solve theirs on
    other sizes alone, which are kept as all others.
    """
    from models.errors import LastlookError
    from models.toml_files import read_text

    text = read_text(file, sys.stdin.buffer if str(file) == "-" else None)
    name = "standard input" if str(file) == "-" else str(file)
    rows: list[dict[str, str]] = []
    bad = 0
    for number, line in enumerate(text.split("\n"), 1):
        *labels, words = line.split("#", 1)[0].replace("\t", ":").split(":")
        label = labels[-1].strip() if labels else ""
        if not words.strip():
            continue
        try:
            code, turns, sizes = _case_of(label, words.strip(), size)
        except LastlookError as error:
            bad += 1
            typer.echo(f"{name}:{number}: left out: {error}", err=True)
            continue
        if code != label and _is_code(label):
            typer.echo(f"{name}:{number}: solves {code}, not {label}: kept as that", err=True)
        if size not in sizes and (alone := _but_on(code, sizes)):
            typer.echo(f"{name}:{number}: kept as {code}{alone}{_but_solves(turns, size)}", err=True)
        rows.append({"code": code, "turns": turns, "source": f"imported from {Path(name).name}"})
    new = add_to_library(rows)
    typer.echo(f"{new} added, {len(rows) - new} there already, {bad} left out")
    if bad:
        raise typer.Exit(1)


def _is_code(text: str) -> bool:
    from models.cases import CASES
    from models.permutation import PERMUTATION_CASES

    return text in CASES or text in PERMUTATION_CASES


def _but_solves(turns: str, size: int) -> str:
    """What a sequence solves on a size on which it does not solve its case: "" for nothing."""
    from models.check import check_moves
    from models.notation import parse_moves

    sequence = parse_moves(turns)
    code = check_moves(sequence, size).solves if sequence.min_size <= size else None
    return f"; on a {size}x{size}x{size} it solves {code}" if code else ""


def _case_of(label: str, text: str, size: int) -> tuple[str, str, tuple[int, ...]]:
    """(code, turns as printed, sizes on which they solve it) of a sequence.

    Raises LastlookError when it solves nothing on any size.
    """
    from models.check import check_moves
    from models.errors import LastlookError
    from models.notation import parse_moves
    from models.sequences import check_entry, widened

    sequence = parse_moves(text)
    # a 2x2x2 at last: what solves a case there need not on any other
    sizes = [n for n in dict.fromkeys((size, *range(3, 8), 2)) if n >= sequence.min_size]

    def may_solve() -> Iterator[str]:
        if _is_code(label):
            yield label
        for n in sizes:
            for written_for in (n, 3):
                yield check_moves(widened(sequence, n, written_for), n).solves or ""

    for code in filter(None, may_solve()):
        with suppress(LastlookError):
            return code, str(sequence), check_entry(code, sequence).sizes
    disturbs = check_moves(sequence, sizes[0]).disturbs
    raise LastlookError("; ".join(["solves no last-layer case", *disturbs]))


def export_sequences(
    file: Annotated[
        Path | None, typer.Argument(help="Where to write; standard output if left out or -.")
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="The built-in ones as well.")] = False,
) -> None:
    """Write your sequences, one a line: code, a tab, turns. `sequence import` reads it back."""
    from models.files import write_atomically
    from vision.library_files import open_library
    from vision.outputs import Wanted, check_folders, check_outputs
    from vision.wording import counted

    printed = file is None or str(file) == "-"
    wanted: list[Wanted] = [("FILE", None if printed else file, "sequences")]
    check_outputs(wanted)
    check_folders(wanted)
    library = open_library()
    kept = _lines(entry for entry in library.entries if every or entry.file in library.own)
    text = "".join(f"{line}\n" for line in kept)
    if file is None or printed:
        typer.echo(text, nl=False)
    else:
        write_atomically(file, text.encode("utf-8"))
        typer.echo(f"{counted(len(kept), 'sequence')} written to {file}")
