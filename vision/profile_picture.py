"""A profile as a picture and as text: swatches, the chroma plane with the scatter, the closest pair."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from calibration.classes import ClosestPair, ColourClass, classes_of, closest_pair
from calibration.compare import OURS, Score
from calibration.profile import COLOURS, Profile
from vision.lettering import BOLD, Lettering
from vision.panel import INK, PAPER, QUIET, RULE
from vision.profiles import sizes_text
from vision.wording import counted

Image = NDArray[np.uint8]
Box = tuple[NDArray[np.int32], NDArray[np.int32]]
"""Least and greatest (x, y) in pixels."""
WIDTH, HEIGHT = 1180, 760
_PLANE: Final = (440, 90, 600)  # left, top, side in pixels
_NAME_WIDTH: Final = 230  # of a colour's name beside its swatch, in pixels
_CLEARANCE: Final = 14
"""Pixels that a label keeps from the ellipses of other colours where it can."""
_KEY: Final = 16
"""Pixels of a label for the dot in its colour."""
_DEVIATIONS: Final = 2.0


def profile_image(profile: Profile) -> Image:
    """The picture, uint8 (760, 1180, 3), blue green red."""
    canvas = np.full((HEIGHT, WIDTH, 3), PAPER[::-1], np.uint8)
    classes = classes_of(profile)
    heading = Lettering(28, BOLD, INK)
    heading.put(canvas, heading.shortened(profile.name, WIDTH - 72), 36, 50)
    quiet = Lettering(16, colour=QUIET)
    quiet.put(canvas, f"{sizes_text(profile)} · {counted(len(profile.samples), 'sticker')} kept", 36, 74)
    _swatches(canvas, classes, profile)
    _plane(canvas, classes)
    pair = closest_pair(profile)
    words = (
        f"Closest: {pair.first} and {pair.second}, {pair.ciede2000:.1f} apart in CIEDE2000;"
        f" {_apart_in_light(pair)}."
    )
    plain = Lettering(17, colour=INK)
    for i, line in enumerate(plain.wrapped(words, 360)):
        plain.put(canvas, line, 36, 660 + i * 24)
    return canvas


def _swatches(canvas: Image, classes: list[ColourClass], profile: Profile) -> None:
    import cv2

    name = Lettering(19, BOLD, INK)
    quiet = Lettering(15, colour=QUIET)
    for k, one in enumerate(classes):
        x, y = 36, 106 + k * 86
        colour = _bgr(one)
        cv2.rectangle(canvas, (x, y), (x + 104, y + 70), colour, -1)
        cv2.rectangle(canvas, (x, y), (x + 104, y + 70), RULE[::-1], 1)
        name.put(canvas, name.shortened(one.name, _NAME_WIDTH), x + 122, y + 24)
        usual = f" · in place of {COLOURS[k]}" if one.name != COLOURS[k] else ""
        quiet.put(canvas, f"{_hex(one)}{usual}", x + 122, y + 46)
        facing = quiet.shortened(f"opposite {_opposite(profile, k)}", _NAME_WIDTH)
        quiet.put(canvas, facing, x + 122, y + 66)


def _plane(canvas: Image, classes: list[ColourClass]) -> None:
    """a* to the right, b* upwards, both to the same scale; ellipses of two standard deviations."""
    import cv2

    left, top, side = _PLANE
    reach = max(40.0, *(float(np.abs(one.lab[1:]).max() + _DEVIATIONS * _spread(one)) for one in classes))
    reach = float(np.ceil((reach + 4) / 20) * 20)
    quiet = Lettering(14, colour=QUIET)

    def pixel(a: float, b: float) -> tuple[int, int]:
        return (
            round(left + side * (a + reach) / (2 * reach)),
            round(top + side * (reach - b) / (2 * reach)),
        )

    for value in np.arange(-reach, reach + 1, 20 if reach <= 60 else 40):
        width = 2 if value == 0 else 1
        cv2.line(canvas, pixel(value, -reach), pixel(value, reach), RULE[::-1], width)
        cv2.line(canvas, pixel(-reach, value), pixel(reach, value), RULE[::-1], width)
        x, y = pixel(value, -reach)
        quiet.put_centred(canvas, f"{value:.0f}", x, y + 16)
        if value != -reach:
            x, y = pixel(-reach, value)
            quiet.put(canvas, f"{value:.0f}", x - 8 - quiet.width(f"{value:.0f}"), y + 5)
    quiet.put(canvas, "a* (green to red)", left + side - 120, top + side + 40)
    across, _ = pixel(0, reach)  # over its axis, since what is said of sizes may reach far over the plane
    quiet.put_centred(canvas, "b* (blue to yellow)", across, top - 17)
    quiet.put(canvas, "ellipses: two standard deviations under one light", left + 130, top + side + 40)
    turn = np.linspace(0, 2 * np.pi, 73)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    taken = np.zeros(canvas.shape[:2], np.uint8)  # what no label may lie on: the number of the colour there
    boxes: list[Box] = []
    for number, one in enumerate(classes, 1):
        values, vectors = np.linalg.eigh(one.ab_cov)
        ring = one.lab[1:, None] + _DEVIATIONS * vectors @ (np.sqrt(np.maximum(values, 0))[:, None] * circle)
        points = np.array([pixel(a, b) for a, b in ring.T], np.int32)
        colour = _bgr(one)
        cv2.fillPoly(canvas, [points], colour, cv2.LINE_AA)
        cv2.polylines(canvas, [points], True, INK[::-1], 2, cv2.LINE_AA)
        cv2.circle(canvas, pixel(float(one.lab[1]), float(one.lab[2])), 4, INK[::-1], -1, cv2.LINE_AA)
        cv2.fillPoly(taken, [points], number)
        boxes.append((points.min(axis=0), points.max(axis=0)))
    label = Lettering(16, BOLD, INK)
    for number, (one, box) in enumerate(zip(classes, boxes, strict=True), 1):
        name = label.shortened(one.name, 180)
        width = _KEY + label.width(name)
        x, y = _clear_place(taken, number, box, width, label.size)
        # where ellipses lie close, a name may come to stand nearer to another one: it shows its own colour
        colour = _bgr(one)
        cv2.circle(canvas, (x + 5, y + label.size // 2 + 1), 5, colour, -1, cv2.LINE_AA)
        cv2.circle(canvas, (x + 5, y + label.size // 2 + 1), 5, INK[::-1], 1, cv2.LINE_AA)
        label.put(canvas, name, x + _KEY, y + label.size - 3)
        taken[y : y + label.size, x : x + width] = number


def _clear_place(taken: Image, number: int, box: Box, width: int, height: int) -> tuple[int, int]:
    """Upper left corner of a label of that size beside ``box``, clear of what is ``taken`` if it can be, and
    better still well away from what other colours than ``number`` have taken.

    Right of it is tried first, then left, below and above, and the corners, ever farther out.
    """
    plane_left, plane_top, side = _PLANE
    (left, upper), (right, lower) = box[0].tolist(), box[1].tolist()
    across, down = (left + right - width) // 2, (upper + lower - height) // 2
    best: tuple[int, tuple[int, int]] | None = None
    for gap in range(8, 200, 8):
        sides = (right + gap, left - gap - width)
        ends = (lower + gap, upper - gap - height)
        places = (
            [(x, down) for x in sides] + [(across, y) for y in ends] + [(x, y) for x in sides for y in ends]
        )
        for x, y in places:
            if not (plane_left < x <= WIDTH - width and plane_top < y <= plane_top + side - height):
                continue
            around = taken[y - _CLEARANCE : y + height + _CLEARANCE, x - _CLEARANCE : x + width + _CLEARANCE]
            own = taken[y - 2 : y + height + 2, x - 2 : x + width + 2]
            crowded = int(((around != 0) & (around != number)).sum())
            hidden = 1000 * int((own != 0).sum()) + crowded
            if hidden == 0:
                return x, y
            if best is None or hidden < best[0]:
                best = hidden, (x, y)
    return best[1] if best is not None else (right + 8, down)


def _spread(one: ColourClass) -> float:
    return float(np.sqrt(max(np.linalg.eigvalsh(one.ab_cov)[-1], 0.0)))


def _apart_in_light(pair: ClosestPair) -> str:
    """Along the way in which the two part best, brightness included; the ellipses are of a* and b* alone."""
    return f"as light, brightness included, {pair.deviations:.1f} standard deviations apart"


def _bgr(one: ColourClass) -> tuple[int, ...]:
    """The look of a colour as OpenCV draws it, 0..255."""
    return tuple(int(v) for v in np.round(one.srgb[::-1] * 255))


def _hex(one: ColourClass) -> str:
    """The look of a colour as sRGB in hex digits, ``#rrggbb``."""
    return "#" + "".join(f"{round(v * 255):02x}" for v in one.srgb)


def _opposite(profile: Profile, colour: int) -> str:
    """The name of the colour on the face opposite that of a colour's index."""
    return profile.colours[profile.scheme[(profile.scheme.index(colour) + 3) % 6]]


def comparison_text(scores: Sequence[Score]) -> str:
    """What :func:`calibration.compare.compare_kept` found, in lines for a terminal."""
    lines = [f"stickers read right in pictures left out, mean and worst of {scores[0].lights} turns:"]
    for one in scores:
        name = f"this profile's own way: {one.name}" if one.name == OURS else one.name
        lines.append(f"  {100 * one.mean:5.1f} % {100 * one.worst:5.1f} %  {name}")
    if len(scores) == 1:
        lines.append("plain classifiers are not compared: with any picture left out a colour is missing")
    return "\n".join(lines)


def profile_text(profile: Profile) -> str:
    """The same in lines for a terminal."""
    return "\n".join(line for line, _ in profile_lines(profile))


def profile_lines(profile: Profile) -> list[tuple[str, str]]:
    """Those lines, each with the look ``#rrggbb`` of the colour that it tells of, "" for none.

    A colour with a name of its own has the usual name for which it stands beside it.
    """
    from rich.cells import cell_len
    from rich.text import Text

    classes = classes_of(profile)
    wide = min(16, max(6, *(cell_len(one.name) for one in classes)))
    stands = "" if profile.colours == COLOURS else "for     "  # a column where there is something to say
    pictures = {sample.picture.rpartition("#")[0] for sample in profile.samples}
    held = f"{counted(len(profile.samples), 'sticker')} of {counted(len(pictures), 'picture')}"
    lines = [
        (
            f"{profile.name}: {sizes_text(profile)}, {held if profile.samples else 'no stickers of its own'}",
            "",
        ),
        (f"{'colour':{wide}}  {stands}sRGB       L*    a*    b*  scatter stickers opposite", ""),
    ]
    for k, (one, usual) in enumerate(zip(classes, COLOURS, strict=True)):
        stood_for = f"{usual if one.name != usual else '':{len(stands)}}" if stands else ""
        name = Text(one.name)
        name.truncate(wide, overflow="ellipsis", pad=True)
        lines.append((
            f"{name.plain}  {stood_for}{_hex(one)}"
            f" {one.lab[0]:5.1f} {one.lab[1]:5.1f} {one.lab[2]:5.1f}"
            f"  {_spread(one):7.1f} {one.stickers:8d} {_opposite(profile, k)}",
            _hex(one),
        ))  # fmt: skip
    pair = closest_pair(profile)
    rest = [
        f"closest pair: {pair.first} and {pair.second}, CIEDE2000 {pair.ciede2000:.1f};"
        f" {_apart_in_light(pair)}",
        *(f"held out, {name}: {100 * value:.1f} %" for name, value in profile.held_out.items()),
        *([profile.note] if profile.note else []),
    ]
    return lines + [(line, "") for line in rest]
