"""The sheet of failures: photos with what was read on them, and the truth below."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.draw import marked_up
from vision.lettering import BOLD, Lettering
from vision.panel import PAPER, QUIET
from vision.scoring import Mark
from vision.sources import PictureError, load_photo
from vision.wording import counted, percent

MOST_FAILURES: Final = 60


def failure_sheet(failed: Sequence[Mark], *, columns: int = 3, width: int = 620) -> NDArray[np.uint8]:
    """A page of failures, worst first: each photo with the grid and colours as read, the truth below it.

    uint8 (height, width, 3), blue green red; at most 60 pictures in at most ``columns`` columns.
    """
    gap, caption = 20, 74
    shown = failed[:MOST_FAILURES]
    columns = max(1, min(columns, len(shown)))
    cells = [_failure_picture(mark, width) for mark in shown]
    rows = [range(i, min(i + columns, len(shown))) for i in range(0, len(shown), columns)]
    heights = [max(cells[i].shape[0] for i in row) for row in rows]
    total = 90 + sum(height + caption + gap for height in heights)
    page = np.full((total, gap + columns * (width + gap), 3), PAPER[::-1], np.uint8)
    more = f", the first {len(shown)} shown" if len(shown) < len(failed) else ""
    Lettering(30, BOLD).put(
        page, f"{counted(len(failed), 'failure')}{more}" if failed else "no failures", gap, 56
    )
    y = 90
    for row, height in zip(rows, heights, strict=True):
        for i in row:
            mark, cell, x = shown[i], cells[i], gap + (i - row.start) * (width + gap)
            page[y : y + cell.shape[0], x : x + cell.shape[1]] = cell
            said = mark.answer.case.code if mark.answer.case else f"{mark.answer.reason}"
            sure = "" if mark.sureness is None else f", {percent(mark.sureness)}"
            head, quiet = Lettering(17, BOLD), Lettering(15, 420, QUIET)
            outcome = f"  {mark.outcome}: {said}{sure}"
            name = head.shortened(mark.truth.picture.name, width - head.width(outcome))
            below = y + cell.shape[0]
            head.put(page, f"{name}{outcome}", x, below + 24)
            quiet.put(page, f"truth: {mark.truth.code or mark.truth.reason}", x, below + 45)
            quiet.put(page, quiet.shortened(", ".join(mark.truth.tags), width), x, below + 64)
        y += height + caption + gap
    return page


def _failure_picture(mark: Mark, width: int) -> NDArray[np.uint8]:
    """The photo with what was read, at most ``width`` pixels wide and high."""
    import cv2

    try:
        photo = load_photo(str(mark.truth.picture)).image_bgr
    except PictureError:
        return np.full((width // 2, width, 3), 128, np.uint8)
    high, wide = photo.shape[:2]
    drawn = marked_up(photo, mark.answer, max(1.0, 1.5 * width / max(high, wide)))
    scale = width / max(drawn.shape[:2])
    size = (round(drawn.shape[1] * scale), round(drawn.shape[0] * scale))
    return np.asarray(cv2.resize(drawn, size, interpolation=cv2.INTER_AREA), np.uint8)
