"""Kind damping_factor: loaded, open, loaded again, everything else kept out of the difference."""

import math

import pytest

from drivers.fakes import Call

STEP = "kind: damping_factor, record: 0.5 s"


@pytest.mark.parametrize(
    "text",
    [STEP + ", level: 0.1 Hz", "kind: damping_factor, record: 31 s", STEP + ", frequency: 0 Hz"],
)
def test_wrong_settings_are_refused(on, text):
    assert on.refusal(text)


def _bench(on, **options):
    bench = on.bench(**options)
    bench.amplifier.output_ohm = 0.05
    bench.connect("load")
    return bench


def test_output_resistance_and_damping_factor_are_those_of_the_divider(on):
    # U0/U = (R + Z)/R: IEC 60268-3 (from memory), damping factor R/Z.
    found = on.run(STEP, _bench(on)).findings(accuracy={})
    # 20 uV of noise on 2.8 V over half a second: parts in 10^7 of U, parts in 10^4 of Z.
    assert found["output_resistance"].value == pytest.approx(0.05, rel=2e-3)
    assert found["damping_factor"].value == pytest.approx(160.0, rel=2e-3)
    assert found["output_resistance"].unit == "ohm"


def test_the_loads_tolerance_is_the_doubt_that_remains(on):
    found = on.run(STEP, _bench(on)).findings()
    relative = found["damping_factor"].standard_uncertainty / found["damping_factor"].value
    assert relative == pytest.approx(0.01 / math.sqrt(3), rel=0.15)


def test_a_level_that_comes_back_a_little_off_does_not_count(on):
    # 0.002 dB is 0.023 % of the level, 4 % of the half per cent that Z makes.
    bench = _bench(on)
    steps = iter([1.0002, 0.9998, 1.0003])
    set_level = bench.generator.set_level

    def set_a_little_off(level: float) -> None:
        set_level(level)
        if level:
            factor = next(steps, 1.0)
            bench.generator.signal = type(bench.generator.signal)(
                level_vrms=level * factor,
                frequencies_hz=bench.generator.signal.frequencies_hz,
                levels_vrms=(level * factor,),
            )

    bench.generator.set_level = set_a_little_off
    found = on.run(STEP, bench).findings(accuracy={})
    assert found["damping_factor"].value == pytest.approx(160.0, rel=5e-3)


def test_a_gain_that_drifts_steadily_does_not_count(on):
    # 0.001 dB from record to record: 2 % of Z if the open level met only the first loaded one.
    bench = _bench(on)

    def drift() -> None:
        bench.amplifier.gain *= 10 ** (0.001 / 20)

    bench.before_record = drift
    found = on.run(STEP, bench).findings(accuracy={})
    assert found["damping_factor"].value == pytest.approx(160.0, rel=3e-3)


def test_without_a_second_channel_the_generators_accuracy_is_doubt(on):
    # sqrt(1/2 + 1) levels of 0.23 %/sqrt 3 against 0.62 %: no more than a bound is left.
    found = on.run(STEP, _bench(on, channels=1)).findings()["damping_factor"]
    if found.value is None:
        assert found.lower_bound < 160.0
    else:
        assert found.standard_uncertainty > 0.2 * found.value


def test_the_load_is_switched_only_undriven_and_on_the_highest_range(on):
    done = on.run(STEP, _bench(on))
    switched = []
    for entry, emf, peak in done.bench.states():
        if isinstance(entry, Call) and entry.method in ("open", "close"):
            switched.append(entry.method)
            assert (emf, peak) == (0.0, 100.0)
    assert switched[-2:] == ["open", "close"]
    assert 201 in done.bench.router.closed
    assert done.bench.levels()[-1] == 0.0


def test_all_records_are_taken_on_one_range_with_the_drive_beside(on):
    done = on.run(STEP, _bench(on))
    assert [capture.name for capture in done.captures] == ["loaded", "open", "loaded_again"]
    assert len({capture.range_peak_v for capture in done.captures}) == 1
    assert all(capture.samples.shape[0] == 2 for capture in done.captures)


def test_an_older_record_without_the_second_loaded_level_can_still_be_judged(on):
    done = on.run(STEP, _bench(on))
    del done.captures[2]
    assert done.findings(accuracy={})["damping_factor"].value == pytest.approx(160.0, rel=2e-3)


def test_a_level_out_of_reach_is_no_reading(on):
    bench = _bench(on)
    bench.amplifier.limit_v = 3.0
    found = on.run(STEP, bench).findings()
    assert found["damping_factor"].reason == "the wanted level was not reached"


def test_it_demands_a_router_that_switches_the_load(on):
    demand = on.demand(STEP)
    assert demand.routes == {"load"}
    assert "undriven" in on.describe(STEP)
