"""Rendering of line spectra against plain cosines."""

import numpy as np
import pytest

from sim_instruments.lines import Lines, fast_length, lines_of, synthesise


def _direct(lines, samples, rate_hz):
    t = np.arange(samples) / rate_hz
    return sum(
        (a * np.exp(2j * np.pi * f * t)).real
        for f, a in zip(lines.frequency_hz, lines.amplitude, strict=True)
    )


def _random_lines(count):
    rng = np.random.default_rng(5)
    return Lines(
        frequency_hz=rng.uniform(-20e3, 60e3, count),
        amplitude=rng.normal(size=count) + 1j * rng.normal(size=count),
    )


@pytest.mark.parametrize("count", [1, 7, 301, 700])
@pytest.mark.parametrize("samples", [1, 2, 1000, 4099])
def test_lines_are_rendered_as_their_cosines(count, samples):
    """Few lines take the matrix product, many the non-uniform transform: both are exact."""
    lines = _random_lines(count)
    got = synthesise(lines, samples, 96e3)
    assert got.shape == (samples,)
    # 1e-10 of the largest possible sum: the kernel's error bound.
    np.testing.assert_allclose(
        got, _direct(lines, samples, 96e3), atol=2e-10 * np.sum(np.abs(lines.amplitude))
    )


def test_no_lines_are_silence():
    assert not np.any(synthesise(lines_of(), 100, 1e3))


def test_mean_over_an_interval_is_the_integral():
    """(1/T) integral of cos(2 pi f t + phi) = [sin(2 pi f T + phi) - sin phi]/(2 pi f T)."""
    f, phi, T = 49.8, 0.7, 0.02
    expected = (np.sin(2 * np.pi * f * T + phi) - np.sin(phi)) / (2 * np.pi * f * T)
    lines = lines_of((f, complex(np.exp(1j * phi))), (0.0, 0.25 + 0j))
    assert lines.mean_over(T) == pytest.approx(expected + 0.25, rel=1e-12)
    assert lines.rms_ac() == pytest.approx(np.sqrt(0.5))


@pytest.mark.parametrize("wanted", [1, 2, 3, 17, 96000, 220800, 2**20, 2**20 + 1])
def test_fast_lengths_are_even_smooth_and_near(wanted):
    length = fast_length(wanted)
    assert length >= wanted
    assert length % 2 == 0
    assert length <= max(2, 1.2 * wanted + 2)
    for prime in (2, 3, 5):
        while length % prime == 0:
            length //= prime
    assert length == 1
