"""A record that holds its tone for part of the time; truths are those of the signals made here."""

import numpy as np
import pytest

from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.tone import analyse_tone
from sequencer.analysis.tone_parts import tone_of_parts
from sequencer.analysis.tone_presence import require_presence

RATE_HZ = 48000.0
SECONDS = 4.0
TIME_S = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
PART_S = SECONDS / 64


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def record(envelope, rng, noise_v=1e-5, tone_hz=997.3):
    """A tone of 1 V under an envelope of TIME_S, with hum that goes on throughout."""
    tone = envelope(TIME_S) * np.cos(2 * np.pi * tone_hz * TIME_S)
    hum = 1e-3 * np.cos(2 * np.pi * 50.02 * TIME_S)
    return tone + hum + noise_v * rng.standard_normal(TIME_S.size)


def refusal(volts):
    with pytest.raises(CannotMeasure) as refused:
        analyse_tone(volts, RATE_HZ)
    assert refused.value.code == "dropout"
    return refused.value


def offered(refused):
    """The span that the record should be cut to, s."""
    words = refused.remedy.split("cut the record to ")[1].split()
    return float(words[0]), float(words[3])


@pytest.mark.parametrize("noise_v", [0.0, 1e-5, 0.1])
@pytest.mark.parametrize(
    ("envelope", "begins_s", "ends_s"),
    [
        pytest.param(lambda t: t > 0.7, 0.7, SECONDS, id="starts late"),
        pytest.param(lambda t: t < 3.3, 0.0, 3.3, id="ends early"),
        pytest.param(lambda t: t > 3.0, 3.0, SECONDS, id="there for the last quarter"),
        pytest.param(lambda t: (t < 1.0) | (t > 1.5), 1.5, SECONDS, id="pauses"),
        pytest.param(
            lambda t: np.clip(t / 0.3, 0, 1) * np.clip((SECONDS - t) / 0.3, 0, 1),
            0.3,
            SECONDS - 0.3,
            id="fades",
        ),
    ],
)
def test_a_tone_for_part_of_the_record_is_refused_and_the_good_part_offered(
    envelope, begins_s, ends_s, noise_v, rng
):
    volts = record(envelope, rng, noise_v)
    refused = refusal(volts)
    assert "starts late, ends early, fades or pauses" in refused.reason
    first_s, last_s = offered(refused)
    assert first_s == pytest.approx(begins_s, abs=3 * PART_S)
    assert last_s == pytest.approx(ends_s, abs=3 * PART_S)


@pytest.mark.parametrize(
    "envelope", [lambda t: t > 0.7, lambda t: t < 3.3, lambda t: (t < 1.0) | (t > 1.5)]
)
def test_the_part_that_is_offered_is_measured(envelope, rng):
    volts = record(envelope, rng)
    first_s, last_s = offered(refusal(volts))
    found = analyse_tone(volts[round(first_s * RATE_HZ) : round(last_s * RATE_HZ)], RATE_HZ)
    assert found.level_vrms.value == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert found.frequency_hz.value == pytest.approx(997.3, abs=1e-5)


@pytest.mark.parametrize("seconds", [0.01, 0.02, 0.1, 1.0])
@pytest.mark.parametrize("tone_hz", [330.0, 997.3, 9973.0])
def test_a_tone_in_much_noise_is_there(seconds, tone_hz, rng):
    """Noise with nearly the tone's power, the most that leaves it one tone."""
    time = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    for _ in range(100):
        tone = np.cos(2 * np.pi * tone_hz * time + rng.uniform(0, 2 * np.pi))
        volts = tone + 0.6 * rng.standard_normal(time.size)
        require_presence(volts, RATE_HZ, tone_of_parts(volts, RATE_HZ, tone_hz))


def test_a_level_that_falls_by_a_third_is_measured(rng):
    found = analyse_tone(record(lambda t: 1 - t / 12, rng), RATE_HZ)
    assert found.level_range_db == pytest.approx(20 * np.log10(1.5), rel=0.05)


@pytest.mark.parametrize(
    "levels", [(0.7, 0.0, 1.0), (1.0, 0.0, 0.7), (1.0, 0.3, 0.3), (0.2, 0.4, 1.0)]
)
def test_levels_that_step_are_told_whichever_lasts_longest(levels, rng):
    """A louder stretch that is shorter than a weaker one, and weak ones in which the tone goes on."""
    first, second, third = levels
    refused = refusal(
        record(lambda t: np.where(t < 2.2, first, np.where(t < 2.6, second, third)), rng)
    )
    begins_s, ends_s = offered(refused)
    loud = {first: (0.0, 2.2), third: (2.6, SECONDS)}[max(levels)]
    assert loud[0] <= begins_s < ends_s <= loud[1]


def test_a_fade_that_lasts_throughout_is_refused(rng):
    assert "less than half" in refusal(record(lambda t: t / SECONDS, rng)).reason
