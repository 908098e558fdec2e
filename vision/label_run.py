"""One run of ``lastlook label``: settings, files, answers, then tables, copies and the page."""

from __future__ import annotations

import json
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from glob import escape
from pathlib import Path
from typing import Any, Final

from models.errors import LastlookError, UsageError
from models.files import write_atomically
from vision.begun import Begun, begun_of
from vision.damage import damage_words
from vision.filing import Plan, plan
from vision.filing_steps import carry_out
from vision.gather import Gathered, Item, Order, Problem
from vision.json_lines import read_lines, utf8
from vision.label import Json, Outcome, PartlyReadError, Tally, UnwrittenError, label
from vision.ledger import AnswerLog, ledger_of
from vision.outputs import Wanted
from vision.paths import is_file, make_folder
from vision.photo_reader import FrameAnswers, PhotoReader, annotated_path, path_mark
from vision.recording import index_recording
from vision.shown import Shown, chapter_lines, shown_csv, webvtt_chapters

CHAPTERS: Final = ".chapters"
FILING_LOG: Final = "lastlook-filing.jsonl"


@dataclass(frozen=True)
class Settings:
    """What a run was asked for. Paths are None where the thing was not asked for.

    ``out`` is the file of answers; ``chapters_to`` a folder for chapter lines, WebVTT and tables of
    recordings, ``stills_to`` one for a picture of each shown case; ``dask`` the address of a scheduler.
    """

    photos: PhotoReader
    out: Path | None = None
    resume: bool = False
    order: Order = "input"
    jobs: int = 1
    dask: str | None = None
    csv: Path | None = None
    page: Path | None = None
    chapters_to: Path | None = None
    stills_to: Path | None = None
    shared_names: frozenset[str] = frozenset()
    """Names that several recordings of the run bear; the files of each get a mark of its path as well."""

    def stem(self, item: Item) -> str:
        """How the names of the chapters and stills of a recording begin."""
        name = Path(item.path).name
        return f"{name}-{path_mark(item)}" if name in self.shared_names else name

    @property
    def marks(self) -> str:
        """A short text of all that changes an answer: what was asked for, and the user's own files."""
        from vision.profiles import load_all, load_named
        from vision.read_with import library_digests, profile_digests

        name = self.photos.profile
        profiles = load_all()[0] if name is None else [load_named(name)]
        told = asdict(replace(self.photos, annotate_to=None, read=None))
        if not self.photos.mirrored:  # as it was before there was a choice: such answers stay as good
            del told["mirrored"]
        told |= {"profiles": profile_digests(profiles), "library": library_digests()}
        return json.dumps(told, sort_keys=True)

    def lacks(self, item: Item, answers: int) -> bool:
        """Whether a picture's annotated copy, or a recording's chapters or stills, are asked for and missing.

        So a resumed run makes them for files that were read before they were asked for.
        """
        if item.kind == "picture":
            folder = self.photos.annotate_to
            return folder is not None and not is_file(annotated_path(Path(folder), item))
        name = self.stem(item)
        if self.chapters_to is not None and not is_file(self.chapters_to / f"{name}{CHAPTERS}.json"):
            return True
        return (
            self.stills_to is not None
            and answers > 0
            and not any(self.stills_to.glob(f"{escape(name)}-001-*.jpg"))
        )

    def outputs(self) -> list[Wanted]:
        """The files that the run writes under names of the person's choice."""
        ledger, begun = (None, None) if self.out is None else (ledger_of(self.out), begun_of(self.out))
        return [
            ("--out", self.out, "answers"),
            ("the ledger of --out", ledger, "answers"),
            ("the recordings begun of --out", begun, "answers"),
            ("--csv", self.csv, "table"),
            ("--page", self.page, "page"),
        ]

    def make_folders(self) -> None:
        """Make the folders of what is to be written, before the work; raises LastlookError."""
        drawn = self.photos.annotate_to
        files = [one.parent for one in (self.csv, self.page) if one is not None]
        for folder in (*files, self.chapters_to, self.stills_to, None if drawn is None else Path(drawn)):
            if folder is not None:
                make_folder(folder)


@dataclass(frozen=True)
class Progress:
    """Told about the run as it goes: a file is done; a recording has come to (seconds, of seconds)."""

    on_outcome: Callable[[Outcome], None]
    on_recording: Callable[[Item, float, float], None] = lambda item, done, total: None


def run(gathered: Gathered, settings: Settings, progress: Progress) -> tuple[Tally, list[Json]]:
    """Label what was gathered and write what the settings ask for; returns the tally and all answers.

    Answers are those of the file (earlier ones of a resumed run among them), in its order.
    """
    from vision.answer_schema import check

    names = Counter(Path(item.path).name for item in gathered.items if item.kind == "recording")
    settings = replace(settings, shared_names=frozenset(name for name, times in names.items() if times > 1))
    settings.make_folders()
    with ExitStack() as stack:
        out = settings.out
        if out is None:
            out = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="lastlook-"))) / "answers.jsonl"
        backend, options = "loky", dict[str, Any]()
        if settings.dask is not None:
            backend = "dask"
            stack.enter_context(dask_client(settings.dask))

        def recording(item: Item) -> list[Json]:
            indexed = index_recording(
                item.path,
                FrameAnswers(settings.photos, item.path),
                jobs=settings.jobs,
                backend=backend,
                backend_options=options,
                known=begun.known(item),
                on_stretch=lambda span, stretch: begun.keep(item, span, stretch),
                on_progress=lambda done, total: progress.on_recording(item, done, total),
            )
            answers = write_recording(item, indexed.shown, settings)
            if indexed.lost:
                raise PartlyReadError(answers, damage_words(indexed.lost, indexed.seconds))
            return answers

        again: set[Item] = set()
        """Those that a resumed run takes up once more."""

        def written(outcome: Outcome) -> None:
            if outcome.retry or outcome.unwritten is not None:
                again.add(outcome.item)
            elif outcome.item.kind == "recording":
                begun.let_go(outcome.item)
            progress.on_outcome(outcome)

        marks = settings.marks
        with AnswerLog(
            out, options=marks, resume=settings.resume, lacking=settings.lacks, fault=check
        ) as log:
            begun = Begun(
                None if settings.out is None else begun_of(out),
                options=marks,
                with_stills=settings.stills_to is not None,
                resume=settings.resume,
            )
            tally = label(
                gathered.ordered(settings.order),
                settings.photos,
                recording_reader=recording,
                log=log,
                on_outcome=written,
                jobs=settings.jobs,
                backend=backend,
                backend_options=options,
            )
            for item in () if tally.stopped else gathered.items:
                if item.kind == "recording" and item not in again:
                    begun.let_go(item)
        tally.problems[:0] = gathered.problems
        answers = list(read_lines(out))
    for path, write in ((settings.csv, _write_table), (settings.page, _write_page)):
        if path is not None:
            try:
                write(path, answers)
            except LastlookError as error:  # the run is worth its summary all the same
                tally.unwritten.append(Problem(str(path), str(error).removeprefix(f"{path}: ")))
    return tally, answers


def _write_table(path: Path, answers: list[Json]) -> None:
    from vision.table import answers_csv

    _write(path, answers_csv(answers))


def _write_page(path: Path, answers: list[Json]) -> None:
    from vision.page import readable, write_page

    write_page(readable(answers), path)


def write_recording(item: Item, shown: tuple[Shown, ...], settings: Settings) -> list[Json]:
    """Write the stills and chapters of one recording; returns its answers, one a shown case.

    Raises :class:`vision.label.UnwrittenError` with those answers when one of the files cannot be written; a
    still costs no chapters then, nor they a still.
    """
    stem = settings.stem(item)
    failures: list[LastlookError] = []
    answers = []
    for number, one in enumerate(shown, 1):
        still = None
        if settings.stills_to is not None and one.best.still_jpeg:
            target = settings.stills_to / f"{stem}-{number:03}-{one.code}.jpg"
            try:
                make_folder(target.parent)
                write_atomically(target, one.best.still_jpeg)
                still = str(target)
            except LastlookError as error:
                failures.append(error)
        answers.append(one.to_json_dict(item.path, still))
    if settings.chapters_to is not None:  # after the stills, whose paths they hold
        try:
            _write_chapters(settings.chapters_to / f"{stem}{CHAPTERS}", item, shown, answers)
        except LastlookError as error:
            failures.append(error)
    if failures:
        raise UnwrittenError(answers, str(failures[0]))
    return answers


def _write_chapters(stem: Path, item: Item, shown: tuple[Shown, ...], answers: list[Json]) -> None:
    """The data come last: that they are there tells a resumed run that all is (:meth:`Settings.lacks`)."""
    from models.cases import CASES

    names = {code: case.name for code, case in CASES.items()}
    for suffix, text in (
        (".txt", chapter_lines(shown)),
        (".vtt", webvtt_chapters(shown, names)),
        (".csv", shown_csv(item.path, shown)),
        (".json", json.dumps(answers, ensure_ascii=False, indent=1) + "\n"),
    ):
        _write(stem.with_name(stem.name + suffix), text)


def file_pictures(
    answers: list[Json], *, copy_to: Path | None, rename: bool, really: bool, log: Path | None = None
) -> Iterator[tuple[Plan, Path, int]]:
    """Plan (and with ``really`` carry out) copies and renames; gives each plan, its log and the steps done.

    Without a step no log is made. Copies come first, so that they are made from names that still hold.
    """
    if copy_to is not None:
        wanted = plan(answers, "copy", copy_to)
        where = log or copy_to / FILING_LOG
        yield wanted, where, carry_out(wanted.steps, where) if really and wanted.steps else 0
    if rename:
        wanted = plan(answers, "rename")
        where = log or _common_folder(wanted) / FILING_LOG
        yield wanted, where, carry_out(wanted.steps, where) if really and wanted.steps else 0


def _common_folder(wanted: Plan) -> Path:
    """The deepest folder that holds every file of the plan; here where there is none."""
    import os

    folders = [str(step.source.absolute().parent) for step in wanted.steps]
    try:
        return Path(os.path.commonpath(folders)) if folders else Path()
    except ValueError:  # files on several drives
        return Path()


def dask_client(address: str) -> Any:
    """A client of the Dask scheduler at ``address``, as a context manager; one line when it cannot be had."""
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("--dask needs the package 'distributed'; run: pip install -e '.[cluster]'") from None
    try:
        return Client(address, timeout="10s")
    except (OSError, ValueError, TimeoutError) as error:
        raise LastlookError(f"{address}: no Dask scheduler answers there; start one or check it") from error


def _write(path: Path, text: str) -> None:
    make_folder(path.parent)
    write_atomically(path, utf8(text))
