"""Calibrate before a camera: the window, or lines, round a sitting in which pictures take themselves."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from calibration.collect import Collected
from calibration.profile import default_profile
from models.errors import LastlookError
from vision.lettering import BOLD, Lettering
from vision.panel import BAR, INK, PAPER, QUIET, RULE, STICKER_RGB
from vision.sitting import WANTED, Sitting
from vision.streams import complain
from vision.wording import counted

if TYPE_CHECKING:
    from vision.live import Window
    from vision.stream import FrameStream

Image = NDArray[np.uint8]
KEPT_UP: Final = 12
"""Frames for which the answer to a key stays in the window."""
PATIENCE_S: Final = 60.0
"""Without a window, a camera that stays away so long is given up."""
WH: Final = (1280, 720)
PANEL_WIDTH: Final = 400
_WORDS_ROOM_PX: Final = 104
_NAME_ROOM_PX: Final = 190


def compose(frame: Image | None, sitting: Sitting, words: str, colours: Sequence[str]) -> Image:
    """The window's picture, uint8 (720, 1280, 3): the frame, whatever its shape, beside a panel of what is
    there and what is missing, in letters that keep their size. None: no frame has come yet."""
    import cv2

    width, height = WH
    canvas = np.full((height, width, 3), 14, np.uint8)
    if frame is not None:
        room = width - PANEL_WIDTH
        scale = min(room / frame.shape[1], height / frame.shape[0])
        wide, high = max(1, round(frame.shape[1] * scale)), max(1, round(frame.shape[0] * scale))
        left, top = (room - wide) // 2, (height - high) // 2
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        canvas[top : top + high, left : left + wide] = cv2.resize(frame, (wide, high), interpolation=how)
    panel = canvas[:, width - PANEL_WIDTH :]
    panel[:] = PAPER[::-1]
    told = f"{counted(len(sitting.taken), 'picture')}, {counted(sitting.lights(), 'light')}"
    Lettering(24, BOLD, INK).put(panel, told, 24, 50)
    big, lines = _fitting(words, PANEL_WIDTH - 48)
    y = 92
    for line in lines:
        big.put(panel, line, 24, y)
        y += big.line_height
    plain, quiet = Lettering(19, colour=INK), Lettering(18, colour=QUIET)
    y = 190
    for k, count in enumerate(sitting.seen_in()):
        swatch = list(STICKER_RGB.values())[k]
        cv2.rectangle(panel, (24, y), (74, y + 44), swatch[::-1], -1)
        cv2.rectangle(panel, (24, y), (74, y + 44), RULE[::-1], 1)
        plain.put(panel, plain.shortened(colours[k], _NAME_ROOM_PX), 90, y + 28)
        for i in range(WANTED):
            centre = (300 + 34 * i, y + 22)
            filled = count > i
            cv2.circle(panel, centre, 11, (INK if filled else RULE)[::-1], -1 if filled else 2, cv2.LINE_AA)
        y += 62
    for line in plain.wrapped(sitting.missing(colours), PANEL_WIDTH - 48):
        plain.put(panel, line, 24, y + 18)
        y += 26
    quiet.put(panel, "u undo · f finish · q quit", 24, height - 24)
    return canvas


def _fitting(words: str, width: int) -> tuple[Lettering, list[str]]:
    """Letters in which ``words`` find room above the colours, and the lines."""
    for size in (22, 19, 16, 14):
        how = Lettering(size, BOLD, BAR)
        lines = how.wrapped(words, width)
        if len(lines) * how.line_height <= _WORDS_ROOM_PX:
            break
    return how, lines[: _WORDS_ROOM_PX // how.line_height]


def profile_from_camera(
    name: str,
    source: str,
    *,
    colours: Sequence[str] | None = None,
    scheme: Sequence[int] | None = None,
    window: bool = True,
    replaces: bool = False,
    read: Callable[..., Any] | None = None,
) -> Collected:
    """The live road. Without a window pictures are taken until all colours were seen or the source ends.

    Ctrl-C ends it as well: the profile is made of the pictures taken until then, but where it ``replaces``
    another only when they show all colours. Raises LastlookError when the source cannot be opened, no window
    can, or too little was shown; KeyboardInterrupt when it was stopped before the first picture.
    """
    from vision.stream import FrameStream
    from vision.stream_source import source_named

    if read is None:
        from vision.pipeline import read_whole

        read = read_whole
    base = default_profile()
    sitting, names = Sitting(base), tuple(colours or base.colours)

    def finish() -> Collected:
        return sitting.finish(name, colours, scheme)

    try:
        with ExitStack() as opened:
            shown = opened.enter_context(_window()) if window else None
            # a recording is not to run away while a picture of it is read
            stream = FrameStream(
                source_named(source),
                pace="every" if shown is None else "clock",
                give_up_s=PATIENCE_S if shown is None else None,
            )
            opened.enter_context(stream)
            made, gave_up = _sit(sitting, stream, shown, read, names, finish)
    except KeyboardInterrupt:
        if not sitting.taken:
            raise
        many = counted(len(sitting.taken), "picture")
        unseen = ", ".join(names[k] for k, times in enumerate(sitting.seen_in()) if not times)
        if replaces and unseen:
            raise LastlookError(
                f"stopped after {many} without {unseen}; the profile {name!r} stays as it was"
            ) from None
        complain(f"stopped; making the profile of {many} (Ctrl-C again leaves without one)")
        return finish()
    if gave_up and not sitting.taken:
        raise LastlookError(gave_up)
    return made or finish()


def _sit(
    sitting: Sitting,
    stream: FrameStream,
    shown: Window | None,
    read: Callable[..., Any],
    names: Sequence[str],
    finish: Callable[[], Collected],
) -> tuple[Collected | None, str]:
    """Offer frames to the sitting until it is over: what a key made of it, and why the source gave up.

    Raises LastlookError when the window was left.
    """
    words, kept_up, gave_up = "waiting for the camera", 0, ""
    picture: Image | None = None
    while shown is not None or not sitting.complete:
        ended = stream.ended  # before the events are read: the last one says why
        frame = stream.next_frame(1.0 if shown is None else 0.03)
        events = [event for event in stream.events() if event.kind not in ("opened", "ended")]
        gave_up = next((event.text for event in events if event.kind == "gave-up"), gave_up)
        # without a window and a picture, why the source gave up is the error line to come
        heard = shown is not None or bool(sitting.taken)
        said = [event.text for event in events if heard or event.kind != "gave-up"]
        if frame is not None:
            picture = frame.image_bgr
            said.append(sitting.offer(read(picture)))
            kept_up = max(0, kept_up - 1)
        elif ended:
            break
        for text in said:
            if shown is None and text != words:
                sys.stderr.write(f"{text}\n")
            words = words if kept_up and not events else text
        if shown is None:
            continue
        key = shown.show(compose(picture, sitting, words, names))
        if key == "u":
            words, kept_up = sitting.undo(), KEPT_UP
        elif key == "f":
            try:
                return finish(), gave_up
            except LastlookError as error:  # the pictures stay: more may do
                words, kept_up = str(error), KEPT_UP
        elif key in ("q", "closed", "escape"):
            raise LastlookError("calibration was left; nothing was kept")
    return None, gave_up


def _window() -> Window:
    """OpenCV's window, opened after the display was checked; LastlookError where none can be."""
    from vision.live import Window, window_problem

    problem = window_problem()
    if problem is not None:
        raise LastlookError(f"no window can be opened: {problem}; add --no-window to do without one")
    return Window()
