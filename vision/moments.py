"""Moments worth keeping: the frame, and beside it what was read as a first guess of its truth.

The pair lies as ``lastlook score`` and ``lastlook label`` expect it (see :mod:`vision.truth`): a picture and
a JSON object of the same name. The guess says that it is one; a person confirms or mends it.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import LastlookError
from models.files import write_atomically
from models.turns import FACES
from vision.evidence import Verdict
from vision.frame_report import FrameReport
from vision.naming import USUAL, Naming
from vision.paths import data_folder, make_folder


def moments_folder() -> Path:
    """Where moments go unless the user names a folder."""
    return data_folder() / "moments"


def save_moment(report: FrameReport, folder: Path, now: datetime | None = None) -> Path:
    """Write the frame as the camera gave it and the guess beside it; returns the picture's path.

    Raises LastlookError when the folder cannot be written.
    """
    moment = (now or datetime.now(UTC)).astimezone(UTC)
    image: NDArray[Any] = report.image_bgr if not report.mirrored else cv2.flip(report.image_bgr, 1)
    if image.shape[1::-1] != report.source_wh:
        image = cv2.resize(image, report.source_wh, interpolation=cv2.INTER_AREA)
    good, data = cv2.imencode(".png", image)
    if not good:
        raise LastlookError("the frame cannot be written as a PNG")
    make_folder(folder)
    name = moment.strftime("%Y-%m-%dT%H%M%S.") + f"{moment.microsecond // 1000:03}Z-{report.case or 'unread'}"
    picture = folder / f"{name}.png"
    text = json.dumps(guess_of(report), ensure_ascii=False, indent=1)
    write_atomically(picture.with_suffix(".json"), (text + "\n").encode())
    write_atomically(picture, np.asarray(data).tobytes())
    return picture


def guess_of(report: FrameReport) -> dict[str, Any]:
    """The truth guess: size, facelets as settled by all frames so far, outer corners, how sure."""
    out: dict[str, Any] = {"guess": True}
    if report.pose is None:
        return out
    out["n"] = report.pose.size
    if report.verdict is None or report.verdict.case is None:
        return out
    out["facelets"] = facelets_of(report.verdict, report.naming)
    scheme = report.naming.scheme_named()
    if scheme is not None:
        out["scheme"] = scheme
    quad = report.quad_xy()
    if quad is not None:
        out["top_quad"] = [[round(float(x), 2), round(float(y), 2)] for x, y in quad]
    out["case"] = report.verdict.case
    out["probability"] = round(report.verdict.probability, 6)
    out["settled"] = report.settled
    out["mirrored_source"] = report.mirrored
    return out


def facelets_of(verdict: Verdict, naming: Naming = USUAL) -> dict[str, list[list[str]]]:
    """Colour names of all stickers of the most probable state of the real cube, the last layer as U and the
    holder's front as F. Stickers that were never seen are as that state has them."""
    posterior = verdict.posterior
    colours = [naming.names[int(k)] for k in posterior.frame_colours]
    if posterior.mirrored:
        colours[1], colours[4] = colours[4], colours[1]
    homes = posterior.state.facelets()
    return {face: [[colours[int(k)] for k in row] for row in homes[FACES.index(face)]] for face in FACES}
