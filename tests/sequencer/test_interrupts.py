"""Signals become one exception, never while the bench is made safe and never halfway."""

import os
import signal
import threading

import pytest

from sequencer.errors import Interrupted
from sequencer.interrupts import SIGNALS, held, interruptible, shielded


@pytest.fixture(autouse=True)
def _same_handlers_after():
    before = [signal.getsignal(number) for number in SIGNALS]
    yield
    assert [signal.getsignal(number) for number in SIGNALS] == before


@pytest.mark.parametrize(
    ("number", "code"),
    [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)],
)
def test_a_signal_is_an_exception_with_the_shell_s_exit_code(number, code):
    # 128 + n is the shells' convention (POSIX 2.8.2: above 128).
    with pytest.raises(Interrupted) as caught, interruptible():
        signal.raise_signal(number)
    assert caught.value.exit_code == code


def test_no_step_can_swallow_it():
    assert str(Interrupted(signal.SIGINT)) == "stopped by you (Ctrl-C)"
    assert "SIGTERM" in str(Interrupted(signal.SIGTERM))
    assert not issubclass(Interrupted, Exception)


def test_a_blocked_read_is_broken_off():
    reader, writer = os.pipe()
    alarm = threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGTERM))
    alarm.start()
    try:
        with pytest.raises(Interrupted), interruptible():
            os.read(reader, 1)
    finally:
        alarm.join()
        os.close(reader)
        os.close(writer)


def _interrupted(work):
    """Do the work within reach of signals; returns the interruption it must end with."""
    with pytest.raises(Interrupted) as caught, interruptible():
        work()
    return caught.value


def test_a_second_signal_does_not_cut_the_way_to_the_safe_end():
    done = []

    def work():
        try:
            signal.raise_signal(signal.SIGINT)
        finally:
            signal.raise_signal(signal.SIGINT)
            signal.raise_signal(signal.SIGTERM)
            done.append("made safe")

    assert _interrupted(work).exit_code == 130
    assert done == ["made safe"]


def test_nothing_interrupts_within_the_shield():
    with interruptible(), shielded():
        for number in SIGNALS:
            signal.raise_signal(number)


def test_after_the_shield_signals_count_again():
    def work():
        with shielded():
            pass
        signal.raise_signal(signal.SIGTERM)

    _interrupted(work)


def test_a_held_signal_comes_at_the_end():
    passed = []

    def work():
        with held():
            signal.raise_signal(signal.SIGTERM)
            passed.append("whole")
        passed.append("never")

    assert _interrupted(work).exit_code == 143
    assert passed == ["whole"]


def test_a_held_signal_comes_also_when_the_work_fails():
    def work():
        with held():
            signal.raise_signal(signal.SIGTERM)
            raise OSError("disk full")

    _interrupted(work)


def test_within_the_shield_a_held_signal_stays_ignored():
    with interruptible(), shielded(), held():
        signal.raise_signal(signal.SIGTERM)


def test_off_the_main_thread_holding_does_nothing():
    told = []

    def work():
        with held():
            told.append("done")

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert told == ["done"]
