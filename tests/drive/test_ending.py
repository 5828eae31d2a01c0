"""Signals while the prop goes dark: they wait, and then act as they would have."""

from __future__ import annotations

import signal
import threading

import pytest

from benchtest.drive.ending import undisturbed


def test_ctrl_c_waits_and_then_acts_once() -> None:
    done = []

    def end() -> None:
        with undisturbed():
            for _ in range(3):
                signal.raise_signal(signal.SIGINT)
            done.append("dark")

    with pytest.raises(KeyboardInterrupt):
        end()
    assert done == ["dark"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_what_is_ignored_stays_ignored() -> None:
    """A program under nohup outlives its terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with undisturbed():
            signal.raise_signal(signal.SIGHUP)
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_another_thread_may_take_the_prop_dark_too() -> None:
    went = []

    def end() -> None:
        with undisturbed():
            went.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=end)
    thread.start()
    thread.join()
    assert went == [signal.default_int_handler]
