"""Being asked to stop, by Ctrl-C or by a system that ends what runs: a KeyboardInterrupt each time.

Loads next to nothing, so that a run listens from its first moment.
"""

from __future__ import annotations

import time

TYPE_CHECKING = False  # typing alone takes long enough to load for Ctrl-C to fall into it
if TYPE_CHECKING:
    from types import FrameType
    from typing import Final

AGAIN_S: Final = 1.0
"""Within so long another one is the same wish: a person presses twice, a program asks a run and its group."""
_NAMES: Final = ("SIGINT", "SIGTERM")


class Stops:
    """Listens for what asks this process to stop.

    What the process was begun to ignore (a job in the background) stays ignored.
    """

    def __init__(self) -> None:
        self._last_s = float("-inf")

    def listen(self) -> None:
        """From here on, until :meth:`let_go`. Call it in the main thread."""
        import signal

        for name in _NAMES:
            number = getattr(signal, name)
            if signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, self._asked)

    def let_go(self) -> None:
        """All is done and told: what asks now only ends the process at once."""
        import signal

        for name in _NAMES:
            number = getattr(signal, name)
            if signal.getsignal(number) == self._asked:
                signal.signal(number, signal.SIG_DFL)

    def _asked(self, number: int, frame: FrameType | None) -> None:
        now_s = time.monotonic()
        is_again = now_s - self._last_s < AGAIN_S
        self._last_s = now_s
        if not is_again:
            raise KeyboardInterrupt
