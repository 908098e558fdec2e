"""A collection as one HTML page: pictures by case, with diagram, cue and sequence; no network, no script.

Everything is inside the file: pictures as JPEG data URLs, diagrams as SVG. A Content-Security-Policy in
the page forbids any loading. Filters work by radio buttons and style rules alone.
"""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from models.cases import CASES, CORNER_PATTERNS, EDGE_PATTERNS, Case
from models.errors import LastlookError
from models.files import replacing
from vision.diagram import case_svg
from vision.page_style import SHEET, filter_rules
from vision.shown import clock
from vision.wording import CAUTION, counted, lists_candidates, percent, what_is_left

THUMB_WH: Final = (400, 300)
OPEN: Final = "open"
_FAMILY_WORDS: Final = {"solved": "oriented", "t": "T", "h": "H"}
_EDGE_WORDS: Final = {
    "e0": "none", "e1": "one", "e2a": "two adjacent", "e2o": "two opposite", "e3": "three", "e4": "four",
}  # fmt: skip
_OPEN_WORDS: Final = {
    "ambiguous": "several cases fit",
    "top-hidden": "the top face is hidden",
    "not-last-layer": "not at the last layer",
    "unreadable": "could not be read",
}
AnswerJson = Mapping[str, Any]
Thumb = Callable[[AnswerJson], NDArray[np.uint8] | None]


def write_page(
    answers: Sequence[AnswerJson], target: Path, *, title: str = "Collected cases", thumb: Thumb | None = None
) -> int:
    """Write the page of ``answers`` (JSON objects as ``label`` writes them); returns how many are on it.

    Pictures without a cube are left out. ``thumb`` gives the picture of an answer (uint8, BGR), by default
    out of the file that the answer names. Pictures are put into the file one by one, so memory stays flat.
    Raises LastlookError when the file cannot be written.
    """
    shown = [one for one in answers if one.get("ok") or one.get("reason") in _OPEN_WORDS]
    try:
        with replacing(target) as stream:
            for part in _parts(shown, title, thumb or thumb_of):
                stream.write(part.encode("utf-8", "replace"))
    except OSError as error:
        raise LastlookError(f"{target}: cannot be written ({error.strerror}); check the folder") from error
    return len(shown)


def _parts(answers: Sequence[AnswerJson], title: str, thumb: Thumb) -> Iterator[str]:
    by_code: dict[str, list[AnswerJson]] = {}
    left: list[AnswerJson] = []
    for one in answers:
        code = str((one.get("case") or {}).get("code", ""))
        if one.get("ok") and code in CASES:
            by_code.setdefault(code, []).append(one)
        else:
            left.append(one)
    cases = sorted((CASES[code] for code in by_code), key=lambda case: case.index)
    yield _head(cases, {code: len(found) for code, found in by_code.items()}, len(left), title)
    for case in cases:
        # a case that none but the smallest cubes show is theirs: they have no edges
        size = 2 if all(one.get("size") == 2 for one in by_code[case.code]) else 4
        name = case.name_on(size)
        yield (
            f'<section id="{case.code}" class="f-{case.corners} e-{case.edges}">'
            f'<div class="case">{case_svg(case.twist, case.flip_on(size), width_px=104, title=name)}'
            f"<div><h2>{escape(name)}</h2><code>{case.code}</code>"
            f'<p class="cue">{escape(case.cue_at(0, size))}</p></div></div><div class="shots">'
        )
        for one in by_code[case.code]:
            yield _figure(one, thumb)
        yield "</div></section>\n"
    if left:
        yield (
            f'<section id="{OPEN}" class="f-{OPEN} e-{OPEN}"><div><h2>Not settled</h2>'
            '<p class="cue">Go through these with <code>lastlook review</code>.</p></div><div class="shots">'
        )
        for one in left:
            yield _figure(one, thumb)
        yield "</div></section>\n"
    yield (
        '<p class="none">No picture of that kind in this collection.</p></main>'
        "<footer><p>Turns in the notation of the World Cube Association Regulations, Article 12, counted in"
        " OBTM and ETM (12a5, 12a6); the underlined turn brings the cube to where the sequence begins and is"
        f" not counted. {CAUTION}</p></footer></body></html>\n"
    )


def _head(cases: Sequence[Case], counts: Mapping[str, int], left: int, title: str) -> str:
    families, edges = Counter[str](), Counter[str]()
    for case in cases:
        families[case.corners] += counts[case.code]
        edges[case.edges] += counts[case.code]
    if left:
        families[OPEN] = left
    total = sum(counts.values())
    family_keys = ["all", *(key for key in (*CORNER_PATTERNS, OPEN) if families[key])]
    edge_keys = ["all", *(key for key in EDGE_PATTERNS if edges[key])]
    pairs = [(case.corners, case.edges) for case in cases] + ([(OPEN, OPEN)] if left else [])
    rules = filter_rules(family_keys, edge_keys, pairs)
    families["all"], edges["all"] = total + left, total + left

    family_names = {**_FAMILY_WORDS, OPEN: "not settled"}

    def inputs(kind: str, words: str, keys: Sequence[str], names: Mapping[str, str], counted: Any) -> str:
        # they stand far from their words, so what reads the page aloud is told the whole
        return "".join(
            f'<input class="pick" type="radio" name="{kind}"'
            f' aria-label="{words}: {escape(names.get(key, key))}, {counted[key]}"'
            f' id="{kind}-{key}"{" checked" * (key == "all")}>'
            for key in keys
        )

    def choice(kind: str, words: str, keys: Sequence[str], names: Mapping[str, str], counted: Any) -> str:
        labels = "".join(
            f'<label for="{kind}-{key}">{escape(names.get(key, key))}<small>{counted[key]}</small></label>'
            for key in keys
        )
        return f"<fieldset><b>{words}</b>{labels}</fieldset>"

    told = f"{counted(total, 'picture')} of {counted(len(cases), 'case')}"
    if left:
        told += f", {left} not settled"
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:;'
        " style-src 'unsafe-inline'\">"
        f"<title>{escape(title)}</title><style>{SHEET}{rules}</style></head><body>"
        f"{inputs('f', 'Corners', family_keys, family_names, families)}"
        f"{inputs('e', 'Flipped', edge_keys, _EDGE_WORDS, edges)}"
        f"<header><h1>{escape(title)}</h1><p>{told}.</p></header>"
        f"<nav>{choice('f', 'Corners', family_keys, family_names, families)}"
        f"{choice('e', 'Flipped', edge_keys, _EDGE_WORDS, edges)}</nav><main>\n"
    )


def _figure(answer: AnswerJson, thumb: Thumb) -> str:
    name = Path(str(answer.get("image"))).name
    case, state = answer.get("case") or {}, answer.get("state") or {}
    lines: list[str] = []
    diagram = ""
    if answer.get("ok"):
        if state.get("twist"):
            lies = "as the real cube lies" if answer.get("mirrored") else "as it lies here"
            diagram = case_svg(state["twist"], state.get("flip") or (), width_px=68, title=lies)
        lines += [*_sequence_lines(answer), *_left_lines(answer)]
        sure = percent(float(answer.get("confidence", case.get("probability", 0.0))))
        size = answer.get("size")
        about = [
            f"{size}x{size}x{size}" if size else "",
            f"{sure} sure",
            "mirrored" * bool(answer.get("mirrored")),
        ]
        lines.append(f"<span>{escape(' · '.join(filter(None, about)))}</span>")
    else:
        lines.append(f"<span>{escape(_OPEN_WORDS.get(str(answer.get('reason')), 'not settled'))}</span>")
        fitting = [str(one.get("code")) for one in answer.get("candidates", ())[:6]]
        if fitting and lists_candidates(answer.get("reason"), answer.get("seen") or {}):
            lines.append("<span>" + " ".join(f"<code>{escape(code)}</code>" for code in fitting) + "</span>")
    if "start" in answer:
        name += f", {clock(float(answer['start']))} to {clock(float(answer['end']))}"
    lines.append(f'<span class="from">{escape(name)}</span>')
    return (
        f'<figure><div class="see">{_picture(answer, thumb, name)}{diagram}</div>'
        f"<figcaption>{''.join(lines)}</figcaption></figure>\n"
    )


def _sequence_lines(answer: AnswerJson) -> list[str]:
    best = next(iter(answer.get("sequences") or ()), None)
    if best is None:
        return [f"<span>{'nothing to orient' if _is_oriented(answer) else 'no stored sequence'}</span>"]
    first = f"first <u>{escape(str(best['first']))}</u>, then " if best.get("first") else ""
    turns = f'<span class="turns">{first}{escape(str(best.get("turns", "")))}</span>'
    told = [f"{best[key]} {name}" for key, name in (("length", "OBTM"), ("etm", "ETM")) if key in best]
    return [turns, *([f"<span>{escape(', '.join(told))}</span>"] if told else [])]


def _left_lines(answer: AnswerJson) -> list[str]:
    """The permutation that is left, or will be after the sequence, where it is settled."""
    permutation = answer.get("permutation") or {}
    if not permutation.get("code"):
        return []
    label, words = what_is_left(str(permutation["code"]), is_oriented=_is_oriented(answer))
    return [f"<span>{escape(f'{label}: {words}')}</span>"]


def _is_oriented(answer: AnswerJson) -> bool:
    state = answer.get("state") or {}
    return bool(state.get("twist")) and not any(state["twist"]) and not any(state.get("flip") or ())


def _picture(answer: AnswerJson, thumb: Thumb, name: str) -> str:
    import cv2

    image = thumb(answer)
    if image is None:
        return "<i>the picture is damaged, or not there any more</i>"
    ok, packed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 82])
    if not ok:
        return "<i>the picture cannot be shown</i>"
    data = base64.b64encode(packed.tobytes()).decode("ascii")
    return f'<img alt="{escape(name, quote=True)}" loading="lazy" src="data:image/jpeg;base64,{data}">'


def thumb_of(answer: AnswerJson) -> NDArray[np.uint8] | None:
    """The picture of an answer, cut round its cube and made small; None when it cannot be had."""
    from vision.sources import load_photo

    if answer.get("reason") == "unreadable" and answer.get("size") is None:
        return None  # it could not even be decoded, or brings the process down that tries
    quad = np.array((answer.get("top") or {}).get("quad") or np.zeros((0, 2)), np.float64)
    try:
        if answer.get("still"):
            # the quad is in pixels of the recording, the still may be smaller: show it whole
            return cut_out(load_photo(str(answer["still"])).image_bgr, np.zeros((0, 2)))
        if "start" in answer:
            image = _frame_at(str(answer["image"]), (float(answer["start"]) + float(answer["end"])) / 2)
            return None if image is None else cut_out(image, np.zeros((0, 2)))
        photo = load_photo(str(answer["image"]), min_long_side=1200)
    except LastlookError:
        return None
    return cut_out(photo.image_bgr, quad / photo.reduction)


def cut_out(image_bgr: NDArray[np.uint8], quad_xy: NDArray[np.float64]) -> NDArray[np.uint8]:
    """A picture of at most 400 x 300 round the quad (4, 2), with room for the side faces; the whole without.

    The cut has the shape 4:3 as far as the picture allows.
    """
    import cv2

    rows, cols = image_bgr.shape[:2]
    left, top, right, bottom = 0.0, 0.0, float(cols), float(rows)
    if len(quad_xy) == 4:
        low, high = quad_xy.min(axis=0), quad_xy.max(axis=0)
        centre, extent = (low + high) / 2, float(max(high - low))
        centre[1] += 0.22 * extent  # the sides stand below the top face
        half = np.array([THUMB_WH[0] / THUMB_WH[1], 1.0]) * extent * 0.95
        left, top = np.maximum(centre - half, 0)
        right, bottom = np.minimum(centre + half, (cols, rows))
        if right - left < 16 or bottom - top < 16:
            left, top, right, bottom = 0.0, 0.0, float(cols), float(rows)
    part = image_bgr[int(top) : int(np.ceil(bottom)), int(left) : int(np.ceil(right))]
    scale = min(THUMB_WH[0] / part.shape[1], THUMB_WH[1] / part.shape[0])
    if scale < 1.0:
        part = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    return np.ascontiguousarray(part)


def _frame_at(path: str, at_s: float) -> NDArray[np.uint8] | None:
    from vision.recording_frames import frame_at

    return frame_at(path, at_s)


def readable(answers: Iterable[AnswerJson]) -> list[AnswerJson]:
    """Answers that have what the page needs; others (written by hand, damaged) are left out."""
    return [one for one in answers if isinstance(one.get("image"), str) and "ok" in one]
