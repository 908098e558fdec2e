"""Being asked to stop: one wish is one KeyboardInterrupt."""

from __future__ import annotations

import signal
import sys
import time

import pytest

from vision.stops import AGAIN_S, Stops

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are not sent there")


@pytest.fixture
def stops():
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    yield Stops()
    for number, handler in zip((signal.SIGINT, signal.SIGTERM), before, strict=True):
        signal.signal(number, handler)


@pytest.mark.parametrize("asked", [signal.SIGINT, signal.SIGTERM])
def test_twice_at_once_is_one_wish_and_later_is_another(
    asked: signal.Signals, stops: Stops, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = 100.0
    monkeypatch.setattr(time, "monotonic", lambda: now_s)
    stops.listen()
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(asked)
    signal.raise_signal(signal.SIGINT)
    now_s += 2 * AGAIN_S
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(asked)


def test_what_is_ignored_stays_so_and_the_end_is_left_to_the_system(stops: Stops) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    stops.listen()
    signal.raise_signal(signal.SIGINT)
    stops.let_go()
    assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
