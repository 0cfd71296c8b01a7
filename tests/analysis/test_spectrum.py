"""Windows and spectra against published figures and an independent transform."""

import numpy as np
import pytest

from sequencer.analysis.spectrum import (
    amplitude_spectrum,
    blackman_harris,
    hann,
    noise_bandwidth,
    periodogram,
)

# F. J. Harris, Proc. IEEE 66 (1978), and G. Heinzel, A. Ruediger, R. Schilling (2002): equivalent
# noise bandwidth in bins, loss half-way between two bins, highest sidelobe, width at -3 dB in bins.
FIGURES = {
    "hann": (hann, 1.5, 1.423622808, -31.46730784, 1.438204558),
    "blackman_harris": (blackman_harris, 2.004352938, 0.8255722309, -92.00974077, 1.896240721),
}


def response_db(window, offset_bins):
    """Response of a window to a line offset_bins from a bin's centre, dB re the centre."""
    n = np.arange(window.size)
    turns = np.exp(2j * np.pi * np.multiply.outer(offset_bins, n) / window.size)
    return 20 * np.log10(np.abs(turns @ window) / window.sum())


@pytest.mark.parametrize("name", FIGURES)
def test_windows_have_the_published_figures(name):
    make, bandwidth, scalloping_db, sidelobe_db, width = FIGURES[name]
    window = make(4096)
    assert noise_bandwidth(window, 4096.0) == pytest.approx(bandwidth, rel=1e-6)
    assert -response_db(window, 0.5) == pytest.approx(scalloping_db, abs=0.02)
    assert response_db(window, np.linspace(4, 12, 801)).max() <= sidelobe_db + 0.02
    assert response_db(window, width / 2) == pytest.approx(-3.0103, abs=0.02)


def test_hann_highest_sidelobe_is_31_5_db_down():
    window = hann(4096)
    # the first null lies at 2 bins (Harris 1978)
    assert response_db(window, np.linspace(2, 12, 2001)).max() == pytest.approx(-31.467, abs=0.02)


def test_windows_are_periodic_not_symmetric():
    # 8 points: periodic Hann 1.5 bins, the symmetric (filter design) one 1.714 bins; arithmetic
    assert noise_bandwidth(hann(8), 8.0) == pytest.approx(1.5, rel=1e-12)


def test_noise_bandwidth_refuses_a_window_without_area():
    with pytest.raises(ValueError, match="sums to zero"):
        noise_bandwidth(np.zeros(8), 1.0)


@pytest.mark.parametrize("window", ["hann", "blackman_harris"])
def test_amplitude_spectrum_reads_lines_at_a_bin_and_the_mean(window):
    count, rate = 4096, 48000.0
    hz = 341 * rate / count
    wave = 0.25 + 2.0 * np.cos(2 * np.pi * hz * np.arange(count) / rate)
    spectrum = amplitude_spectrum(wave, rate, window=window)
    assert spectrum.frequency_hz[341] == pytest.approx(hz, rel=1e-12)
    assert spectrum.level_vrms[341] == pytest.approx(np.sqrt(2), rel=1e-9)
    assert spectrum.level_vrms[0] == pytest.approx(0.25, rel=1e-9)


def test_white_noise_reads_its_density_times_the_bandwidth_of_a_bin():
    # 20 nV/sqrt(Hz) at 192 kS/s, 65536 samples, Hann: 41.926 nV a bin (Heinzel et al. 2002, ENBW)
    rng = np.random.default_rng(1)
    count, rate, density = 65536, 192000.0, 20e-9
    wave = density * np.sqrt(rate / 2) * rng.standard_normal(count)
    spectrum = amplitude_spectrum(wave, rate, window="hann")
    mean = np.sqrt(np.mean(spectrum.level_vrms[10:-10] ** 2))
    # 32748 bins, correlated: relative scatter of the mean square 0.8 %
    assert mean == pytest.approx(0.04192627458e-6, rel=0.016)
    assert density * np.sqrt(spectrum.enbw_hz) == pytest.approx(0.04192627458e-6, rel=1e-6)


@pytest.mark.parametrize("count", [4096, 4095, 5000, 4999])
def test_periodogram_equals_the_definition_in_double_precision(count):
    rng = np.random.default_rng(count)
    wave = 1e-6 * rng.standard_normal(count)
    found = periodogram(wave, 48000.0)
    used = round(48000.0 / found.bin_hz)
    assert 0.98 * count <= used <= count
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(used) / used)
    power = 2 * np.abs(np.fft.rfft(window * wave[:used])) ** 2 / (used * np.sum(window**2))
    power[0] /= 2
    if used % 2 == 0:
        power[-1] /= 2
    # single precision: 1e-7 of the rms in each bin's amplitude
    assert np.abs(np.sqrt(found.mean_square_v2) - np.sqrt(power)).max() < 1e-6 * 1e-6
    assert found.mean_square_v2.sum() == pytest.approx(power.sum(), rel=1e-6)


def test_bins_of_a_periodogram_add_up_to_a_lines_mean_square():
    wave = 3.0 * np.sin(2 * np.pi * 1234.5 * np.arange(8000) / 48000)
    power = periodogram(wave, 48000.0)
    assert power.mean_square_v2.sum() == pytest.approx(4.5, rel=1e-4)
