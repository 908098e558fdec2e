"""The sheet of failures: which stand on it, in what order, and how they are set."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from truth_answers import answer_of_truth

from vision.answer import Answer, Candidate
from vision.failure_sheet import failure_sheet
from vision.report import as_object, failures
from vision.scoring import marked, summed
from vision.truth import truth_of, truths_in

SAMPLES = Path(__file__).parent.parent / "sample_images"
EASY = SAMPLES / "01-large-on-desk.jpg"


def test_failures_are_listed_worst_first_and_drawn() -> None:
    marks = []
    told = [truth for truth in truths_in(SAMPLES) if truth.code is None or truth.is_settled]
    for i, truth in enumerate(told):
        answer = answer_of_truth(truth.picture)
        if answer.case is not None and i % 3 == 0:
            answer = replace(answer, case=replace(answer.case, code="e0-h"))
        elif answer.case is not None and i % 3 == 1:
            answer = replace(answer, ok=False, case=None, reason="ambiguous")
        marks.append(marked(answer, truth))
    failed = failures(marks)
    kinds = [mark.outcome for mark in failed]
    assert kinds == sorted(kinds, key=["wrong", "missed", "abstained"].index)
    assert len(failed) == summed(marks)["wrong"] + summed(marks)["abstained"]
    assert {one["outcome"] for one in as_object(marks)["failures"]} == {"wrong", "abstained"}
    page = failure_sheet(failed, width=300)
    assert page.shape[1] == 20 + 3 * 320 and page.dtype == np.uint8
    assert failure_sheet([]).shape[0] == 90


@pytest.mark.parametrize("many", [1, 2])
def test_a_few_failures_leave_no_empty_columns(many: int) -> None:
    mark = marked(Answer(image="x", ok=False, reason="no-cube"), truth_of(EASY))
    assert failure_sheet([mark] * many, width=300).shape[1] == 20 + many * 320


def test_what_is_said_of_a_failure_stands_right_below_its_picture(written: list) -> None:
    """A wide picture beside a high one."""
    wide, high = SAMPLES / "06-size-5-in-hand.jpg", SAMPLES / "04-size-3.jpg"
    marks = [marked(Answer(image="x", ok=False, reason="no-cube"), truth_of(one)) for one in (wide, high)]
    page = failure_sheet(marks, width=620)
    below = {text.split()[0]: baseline for text, _, baseline, _ in written if ".jpg" in text}
    assert below[high.name] - below[wide.name] == 620 - round(620 * 720 / 1280)
    assert page.shape[0] > below[high.name]


def test_a_long_file_name_stays_in_its_cell(tmp_path: Path, written: list) -> None:
    picture = tmp_path / ("a-long-name-" * 12 + "its-end.jpg")
    shutil.copy(EASY, picture)
    shutil.copy(EASY.with_suffix(".json"), picture.with_suffix(".json"))
    mark = marked(Answer(image="x", ok=False, reason="no-cube"), truth_of(picture))
    failure_sheet([mark, mark], columns=2, width=300)
    lines = [(text, left, width) for text, left, _, width in written if "a-long" in text or "truth" in text]
    assert lines and all(width <= 300 for _, _, width in lines)
    name = next(text for text, *_ in lines if "a-long" in text)
    assert "missed: no-cube" in name and "end.jpg" in name


def test_a_case_named_where_there_is_none_has_its_probability(written: list) -> None:
    """As one named wrongly where there is another; both are claims that did not hold."""
    answer = answer_of_truth(EASY)
    assert answer.case is not None
    case = replace(answer.case, code="e0-h", probability=0.934)
    candidates = (Candidate("e0-h", 0.934), *answer.candidates[1:])
    pictures = (EASY, SAMPLES / "15-no-cube.jpg")
    marks = [
        marked(replace(answer, case=case, candidates=candidates, image=str(one)), truth_of(one))
        for one in pictures
    ]
    failure_sheet(marks, width=600)
    assert [one["claimed"] for one in as_object(marks)["failures"]] == [0.934, 0.934]
    told = [text for text, *_ in written if "wrong: e0-h" in text]
    assert len(told) == 2 and all(text.endswith("93.4\N{NO-BREAK SPACE}%") for text in told), told
