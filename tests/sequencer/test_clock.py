"""What time is: real time, or a simulated bench's that moves only when asked and acknowledged."""

import time
from datetime import UTC

import pytest

from sequencer.clock import RealClock, SimulatedClock


class Bench:
    """Answers the two diagnostic commands; may lose, or only half do, what it is asked."""

    def __init__(self, moves=1.0):
        self.now_s = 0.0
        self.moves = moves
        self.asked = []

    def query(self, text):
        self.asked.append(text)
        if text.startswith("DIAGnostic:CLOCk:ADVance "):
            self.now_s += self.moves * float(text.split(" ")[1].split(";")[0])
        assert text.endswith("DIAGnostic:CLOCk:TIME?")
        return f"{self.now_s:.9E}"


def test_real_time_passes_while_sleeping():
    clock = RealClock()
    begun, before = clock.now_s(), time.monotonic()
    clock.sleep(0.01)
    assert clock.now_s() - begun >= 0.01
    assert time.monotonic() - before >= 0.01


def test_a_wait_that_is_over_already_is_no_error():
    RealClock().sleep(-1.0)
    bench = Bench()
    SimulatedClock(bench.query).sleep(-1.0)
    SimulatedClock(bench.query).sleep(0.0)
    assert bench.asked == []


@pytest.mark.parametrize("clock", [RealClock(), SimulatedClock(Bench().query)])
def test_dates_are_of_the_real_world_with_a_time_zone(clock):
    assert clock.date().tzinfo is UTC


@pytest.mark.parametrize("seconds", [1e-6, 0.25, 10.0, 3600.0 * 8, 1e7])
def test_simulated_time_moves_by_what_was_asked(seconds):
    bench = Bench()
    clock = SimulatedClock(bench.query)
    clock.sleep(seconds)
    assert clock.now_s() == pytest.approx(seconds, rel=1e-9, abs=1e-9)


def test_eight_hours_cost_a_few_messages_and_no_real_time():
    bench = Bench()
    before = time.monotonic()
    SimulatedClock(bench.query).sleep(8 * 3600.0)
    assert len(bench.asked) == 2
    assert time.monotonic() - before < 1.0


def test_a_bench_that_moved_less_is_asked_for_the_rest_only():
    bench = Bench(moves=0.5)
    with pytest.raises(RuntimeError, match="does not reach"):
        SimulatedClock(bench.query).sleep(8.0)
    assert bench.now_s < 8.0  # never beyond, however often it is asked


def test_a_clock_that_stands_is_told():
    with pytest.raises(RuntimeError, match=r"stands at 0\.0 s and does not reach 1\.0"):
        SimulatedClock(Bench(moves=0.0).query).sleep(1.0)
