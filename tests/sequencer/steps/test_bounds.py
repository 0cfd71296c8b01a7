"""Times and frequencies that nobody can mean are refused, with the least that makes sense."""

import pytest


@pytest.mark.parametrize(
    ("text", "words"),
    [
        # Common practice, no source.
        ("kind: warm_up, level: 1 W, time: 1 ms", "time: is too small; write 1 min or more"),
        ("kind: warm_up, level: 1 W, time: 1 min, frequency: 1 mHz", "frequency: is too small"),
        ("kind: warm_up, level: 1 W, time: 1 min, frequency: 20 kHz", "write 5 kHz or less"),
        ("kind: tone, level: 1 W, frequency: 1 Hz, record: 10 s", "write 5 Hz or more"),
        (
            "kind: tone, level: 100 W, frequency: 100 kHz, hold: 5 h",
            "burns the network at a unit's output; above 20 kHz hold and record for 10 s together",
        ),
        ("kind: load_check, stop_beyond: 50 %", "write 25 % or less"),
        ("kind: power_on, settle: 1 ms", "settle: is too small; write 1 s or more"),
        ("kind: power_on, settle: 0 s", "settle: must be more than zero"),
        ("kind: standby_power, settle: 1 ms", "write 1 s or more"),
        ("kind: servo_settling, record: 1 ms", "write 1 s or more"),
        ("kind: dc_offset, settle: 1 ms", "write 100 ms or more"),
        ("kind: idle, settle: 1 ms", "write 100 ms or more"),
        ("kind: wideband, record: 1 ms", "write 50 ms or more"),
        ("kind: intermodulation, record: 1 ms", "write 50 ms or more"),
        ("kind: damping_factor, record: 1 ms", "write 50 ms or more"),
        ("kind: level_sweep, record: 1 ms", "write 50 ms or more"),
        ("kind: exponential_sweep, time: 1 ms", "write 50 ms or more"),
        ("kind: sweep, start: 1 mHz", "write 1 Hz or more"),
    ],
)
def test_what_nobody_can_mean_is_refused_with_the_least_that_makes_sense(on, text, words):
    assert words in on.refusal(text)


@pytest.mark.parametrize(
    "text",
    [
        "kind: tone, level: 100 W, frequency: 20 kHz, hold: 1 min",
        "kind: tone, level: 12.5 W, frequency: 50 kHz, hold: 1 min",
        "kind: tone, level: 100 W, frequency: 50 kHz, hold: 7 s",
    ],
)
def test_power_above_the_audio_band_is_for_moments(on, text):
    assert on.step(text)
