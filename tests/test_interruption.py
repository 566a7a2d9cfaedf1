"""Signals held back while a library is loaded come afterwards, whatever the library makes of its loading."""

from __future__ import annotations

import signal
import threading

import pytest

from pipeline.interruption import held_back


class Told(BaseException):
    """What the signal raises."""


def tell(*_: object) -> None:
    raise Told


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("fails", [False, True])
def test_a_signal_within_comes_after(number: signal.Signals, fails: bool) -> None:
    before = signal.signal(number, tell)
    went_on = []

    def body() -> None:
        with held_back():
            signal.raise_signal(number)
            went_on.append(number)
            if fails:
                raise ImportError("initialization failed")

    try:
        with pytest.raises(Told):
            body()
        assert signal.getsignal(number) is tell
    finally:
        signal.signal(number, before)
    assert went_on == [number]


def test_what_fails_without_a_signal_fails() -> None:
    with pytest.raises(ImportError), held_back():
        raise ImportError("no such library")


def test_a_thread_of_its_own_leaves_signals_alone() -> None:
    told: list[object] = []

    def body() -> None:
        with held_back():
            told.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=body)
    thread.start()
    thread.join()
    assert told == [signal.getsignal(signal.SIGTERM)]
