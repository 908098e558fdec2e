"""What windows need to know of the display: whether there is one, and whether a window is still open."""

from __future__ import annotations

import os
import socket
import sys
from typing import Any


def is_open(title: str) -> bool:
    """Whether the window of this title, shown before, is still there: its own close button takes it away.

    Ask after every ``waitKey`` or ``pollKey``, in which the button does its work, and before anything else is
    asked of the window: OpenCV raises where the last window has gone.
    """
    import cv2

    try:
        return bool(cv2.getWindowProperty(title, cv2.WND_PROP_VISIBLE) >= 1)
    except cv2.error:
        return False


def small_letter(key: int) -> int:
    """A key's code with capitals as small letters: Caps Lock changes no key's meaning."""
    return key + 32 if ord("A") <= key <= ord("Z") else key


def character(key: int) -> str:
    """What a code of ``pollKey`` or ``waitKeyEx`` types, in small letters; "" where nothing is typed.

    Ask those two and cut nothing off: an arrow's code is a letter's in its last byte (0xFF51 and Q, X11's
    keysymdef.h), which is all that ``waitKey`` gives.
    """
    code = key & 0xFFFF if key > 0 else 0  # above stand modifiers under GTK, all of Win32's other keys
    code = ord("\b") if code == 0xFF08 else code  # GTK's
    return chr(small_letter(code)) if 0 < code < 128 else ""


def display_problem() -> str | None:
    """What stands in the way of opening a window, or None. Asked before any window call: without a display
    OpenCV ends the process."""
    if not sys.platform.startswith("linux"):
        return None
    if os.environ.get("WAYLAND_DISPLAY"):
        return None
    display = os.environ.get("DISPLAY", "")
    if not display:
        return "no display (DISPLAY is not set)"
    host, _, number = display.rpartition(":")
    number = number.split(".")[0]
    if not number.isdecimal():
        return f"DISPLAY={display} names no display"
    if host not in ("", "unix"):
        return (
            None
            if _answers((host, 6000 + int(number)), socket.AF_INET)
            else f"no display answers at {display}"
        )
    # X11 servers listen at this path or at its name in the abstract namespace
    path = f"/tmp/.X11-unix/X{number}"
    there = _answers(path, socket.AF_UNIX) or _answers(f"\0{path}", socket.AF_UNIX)
    return None if there else f"no display answers at {display}"


def _answers(address: Any, family: int) -> bool:
    try:
        with socket.socket(family, socket.SOCK_STREAM) as link:
            link.settimeout(1.0)
            link.connect(address)
    except OSError:
        return False
    return True
