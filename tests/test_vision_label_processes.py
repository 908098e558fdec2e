"""The processes of a labelling run: Ctrl-C, a kill, a file that brings one down, a full disk, a cluster."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from test_vision_label import SHADES, a_picture, items_of

import vision.ledger
from models.errors import LastlookError
from vision.gather import Item
from vision.json_lines import read_lines
from vision.label import label, outcomes, read_one
from vision.ledger import AnswerLog
from vision.pool_end import held_back


@pytest.mark.slow
def test_a_disk_that_fills_is_the_only_thing_that_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, recwarn: pytest.WarningsRecorder
) -> None:
    """The pool is closed with work under way; what its package thinks of that is nobody's business."""
    for shade in range(12):
        a_picture(tmp_path / f"{shade:02}.png", shade)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with AnswerLog(tmp_path / "a.jsonl") as log:
        monkeypatch.setattr(vision.ledger, "_append", full)
        with pytest.raises(LastlookError, match="No space left"):
            label(items_of(tmp_path), SHADES, log=log, jobs=2)
    assert not [one for one in recwarn if "tasks" in str(one.message)]


def dies_on(item: Item, name: str) -> list[dict]:
    if item.path.endswith(name):
        os._exit(11)
    return SHADES(item)


def slow(item: Item) -> list[dict]:
    """A reader that takes its time."""
    time.sleep(0.2)
    return [{"image": item.path, "ok": True}]


def slow_shades(item: Item) -> list[dict]:
    time.sleep(0.02)
    return SHADES(item)


#: processes of a run: two, as runs have several; one alone with the slow tests
JOBS = [pytest.param(1, marks=pytest.mark.slow), 2]


@pytest.mark.parametrize("jobs", JOBS)
def test_ctrl_c_leaves_no_traceback(tmp_path: Path, jobs: int) -> None:
    for shade in range(40):
        a_picture(tmp_path / "p" / f"{shade}.png", shade)
    script = tmp_path / "run.py"
    script.write_text(
        "import sys\nfrom pathlib import Path\n"
        "from test_vision_label_processes import items_of, slow\nfrom vision.label import label\n"
        "if __name__ == '__main__':\n"
        f"    tally = label(items_of(Path(sys.argv[1])), slow, jobs={jobs},\n"
        "                  on_outcome=lambda one: print('one', flush=True))\n"
        "    print('stopped' if tally.stopped else 'ran to the end')\n"
    )
    paths = os.pathsep.join([str(Path(__file__).parent), str(Path(__file__).parent.parent)])
    running = subprocess.Popen(
        [sys.executable, str(script), str(tmp_path / "p")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": paths},
        start_new_session=True,
    )
    assert running.stdout is not None
    for _ in range(4):
        running.stdout.readline()
    os.killpg(running.pid, signal.SIGINT)  # a terminal sends it to all processes of the run
    told, errors = running.communicate(timeout=60)
    assert told.endswith("stopped\n") and "Traceback" not in errors


STARTED_UNDER_CTRL_C = """
import os, signal, sys
if any("loky" in one or "spawn_main" in one for one in sys.orig_argv):
    os.kill(os.getpid(), signal.SIGINT)
"""


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no masks there")
@pytest.mark.parametrize(
    "reader", ["SHADES", pytest.param("partial(dies_on, name='1.png')", marks=pytest.mark.slow)]
)
def test_ctrl_c_does_not_meet_a_process_that_is_still_starting(tmp_path: Path, reader: str) -> None:
    """Each process of the pool, and those that read one at a time, get the signal before their first line."""
    for shade in range(3):
        a_picture(tmp_path / "p" / f"{shade}.png", shade)
    (tmp_path / "sitecustomize.py").write_text(STARTED_UNDER_CTRL_C)
    (tmp_path / "run.py").write_text(
        "import sys\nfrom functools import partial\nfrom pathlib import Path\n"
        "from test_vision_label_processes import SHADES, dies_on, items_of\n"
        "from vision.label import outcomes\n"
        "if __name__ == '__main__':\n"
        f"    found = list(outcomes(items_of(Path(sys.argv[1])), {reader}, jobs=2))\n"
        "    print([one.error is None for one in found])\n"
    )
    paths = os.pathsep.join([str(tmp_path), str(Path(__file__).parent), str(Path(__file__).parent.parent)])
    done = subprocess.run(
        [sys.executable, str(tmp_path / "run.py"), str(tmp_path / "p")],
        env={**os.environ, "PYTHONPATH": paths}, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.stdout == f"{[True, reader == 'SHADES', True]}\n"
    assert "KeyboardInterrupt" not in done.stderr


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="no masks there")
def test_ctrl_c_while_a_pool_starts_is_kept_until_it_has() -> None:
    done = []
    with pytest.raises(KeyboardInterrupt), held_back():
        signal.raise_signal(signal.SIGINT)  # to this thread: the test's process may have others
        done.append("started")
    assert done == ["started"]
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])


@pytest.mark.parametrize("jobs", JOBS)
def test_a_file_that_kills_its_process_is_named_and_the_run_goes_on(tmp_path: Path, jobs: int) -> None:
    for shade in range(9):
        a_picture(tmp_path / f"{shade}.png", shade)
    found = list(outcomes(items_of(tmp_path), partial(dies_on, name="5.png"), jobs=jobs))
    assert [Path(one.item.path).name for one in found] == [f"{i}.png" for i in range(9)]
    assert [bool(one.error) for one in found] == [i == 5 for i in range(9)]
    (alone,) = outcomes(items_of(tmp_path / "5.png"), partial(dies_on, name="5.png"), jobs=jobs)
    assert alone.error and alone.answers[0]["reason"] == "unreadable"


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="looks for processes in Linux's /proc")
@pytest.mark.parametrize("jobs", JOBS)
def test_a_run_that_is_killed_leaves_no_process_behind(tmp_path: Path, jobs: int) -> None:
    for shade in range(40):
        a_picture(tmp_path / "p" / f"{shade}.png", shade)
    mark = f"LASTLOOK_MARK={tmp_path}"
    here = Path(__file__).parent
    code = SLOW_RUN.format(paths=[str(here), str(here.parent)], jobs=jobs)
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "p"), str(tmp_path / "a.jsonl")],
        env=os.environ | dict([mark.split("=", 1)]),
    )

    def alive() -> list[str]:
        found = []
        for one in Path("/proc").glob("[0-9]*/environ"):
            with contextlib.suppress(OSError):
                if mark.encode() in one.read_bytes():
                    found.append(one.parent.name)
        return found

    def wait_until(done: Callable[[], bool]) -> bool:
        return any(done() or time.sleep(0.05) for _ in range(1200))

    assert wait_until(lambda: bool((tmp_path / "a.jsonl").exists() and (tmp_path / "a.jsonl").stat().st_size))
    assert len(alive()) > 1
    process.kill()
    process.wait()
    assert wait_until(lambda: not alive())


SLOW_RUN = """
import sys
sys.path[:0] = {paths!r}
from pathlib import Path
import test_vision_label_processes as t
from vision.label import label
from vision.ledger import AnswerLog
with AnswerLog(Path(sys.argv[2]), resume=True) as log:
    label(t.items_of(Path(sys.argv[1])), t.slow_shades, log=log, jobs={jobs})
"""


@pytest.mark.slow
def test_kill_9_leaves_a_readable_output_that_resume_completes(tmp_path: Path) -> None:
    pictures, out = tmp_path / "pictures", tmp_path / "answers.jsonl"
    for shade in range(40):
        a_picture(pictures / f"{shade:02}.png", shade)
    here = Path(__file__).parent
    code = SLOW_RUN.format(paths=[str(here), str(here.parent)], jobs=1)
    for _ in range(2):
        process = subprocess.Popen([sys.executable, "-c", code, str(pictures), str(out)])
        before = out.stat().st_size if out.exists() else 0
        for _ in range(400):
            time.sleep(0.025)
            if out.exists() and out.stat().st_size > before + 2000:
                break
        process.send_signal(signal.SIGKILL)
        process.wait()
        text = out.read_text()
        assert text.endswith("\n") and all(json.loads(line) for line in text.splitlines())
    with AnswerLog(out, resume=True) as log:
        tally = label(items_of(pictures), SHADES, log=log)
    assert 0 < tally.skipped < 40
    images = [line["image"] for line in read_lines(out)]
    assert sorted(images) == sorted(item.path for item in items_of(pictures))


@pytest.mark.slow
def test_a_dask_cluster_gives_the_same_answers(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    for shade in range(12):
        a_picture(tmp_path / f"{shade:02}.png", shade)
    items = items_of(tmp_path)
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        distributed.Client(cluster),
    ):
        far = [one.answers for one in outcomes(items, SHADES, jobs=2, backend="dask")]
    assert far == [read_one(item, SHADES).answers for item in items]
