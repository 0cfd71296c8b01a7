"""Spurs above the audio band: found against the local noise floor and integrated over their width.

Theory of operation. The record is cut into half-overlapped Hann segments of about 13 ms (76 Hz
bins) and their periodograms are averaged. A switching supply jitters: its power is spread over many
bins, and no peak of any spectrum shows its level. So neighbouring bins above the floor are taken
together, the floor is subtracted, and the power is integrated out to where a Gaussian spread of the
same width has ended. Then the floor is computed again with those bins left out, and all repeated.

References
----------
G. Heinzel, A. Ruediger, R. Schilling, "Spectrum and spectral density estimation by the DFT", 2002.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis import checks
from sequencer.analysis.arrays import Samples, Spectral
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.estimates import Estimate
from sequencer.analysis.noise_floor import (
    FLOOR_WINDOW_HZ,
    DensitySpectrum,
    averaged_spectrum,
    floor_under_spurs,
    leakage_of_lines,
    least_density,
)
from sequencer.analysis.spectrum import HANN_CORRELATION
from sequencer.analysis.spur_regions import (
    FALSE_ALARM_RATE,
    SATELLITE_HZ,
    Region,
    spur_regions,
)
from sequencer.analysis.tone_lines import ToneLine, without_harmonics

__all__ = ["FALSE_ALARM_RATE", "Spur", "WidebandResult", "alias_hz", "analyse_wideband"]

_LEAST_S = 0.1
_AUDIO_HZ = 10e3
# What signal and noise make together in two half-overlapped Hann segments correlates by 3/35 (means
# of sin^4 cos^4 and of sin^8), the noise's own power, of which averages are counted, by 1/36.
_BEATING_OVERLAP = (1.0 + 2.0 * 3.0 / 35.0) / (1.0 + 2.0 / 36.0)
_FWHM_PER_RMS = 2.0 * np.sqrt(2.0 * np.log(2.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Spur:
    """One discrete disturbance, integrated over its width.

    frequency_hz is its centre of power; level_vrms the RMS voltage of all of it; width_hz the full
    width at half power of a Gaussian spread with the same RMS width (2.355 times that), the
    window's own width removed. harmonic_of is the frequency of the spur whose harmonic this is.
    """

    frequency_hz: Estimate
    level_vrms: Estimate
    width_hz: Estimate
    harmonic_of: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WidebandResult:
    """Spurs in the searched band, strongest first, and the spectrum they were found in.

    tone_harmonics are lines of the driven tone, kept out of spurs. floor_v_per_rthz is the median
    of the floor in the band. density and floor are one-sided, V/sqrt(Hz), shape (bins,).
    """

    spurs: tuple[Spur, ...]
    tone_harmonics: tuple[Spur, ...]
    floor_v_per_rthz: float
    searched_hz: tuple[float, float]
    resolution_hz: float
    frequency_hz: Spectral
    density_v_per_rthz: Spectral
    floor_density_v_per_rthz: Spectral


def alias_hz(frequency_hz: float, sample_rate_hz: float) -> float:
    """Frequency at which a line appears when sampled without an anti-alias filter, in Hz.

    |f - round(f / fs) fs|.
    """
    return abs(frequency_hz - round(frequency_hz / sample_rate_hz) * sample_rate_hz)


def analyse_wideband(
    samples: Samples,
    sample_rate_hz: float,
    *,
    search_hz: tuple[float, float] = (20e3, 500e3),
    tone_hz: float | None = None,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
) -> WidebandResult:
    """Spurs between the edges of search_hz with frequency, integrated level and width.

    Parameters
    ----------
    samples : shape (n,), V; at least 0.1 s, better 0.8 s at 1.25 MS/s
    search_hz : lower and upper edge; the anti-alias corner of the digitiser must lie above
    tone_hz : a tone that drives the unit, below half the sample rate; its harmonics are listed
        apart, and lines spaced by it (an oscillation that comes and goes with the tone) count as one
        spur
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : the capture is unusable, too short, or sampled too slowly for band or tone
    ValueError : search_hz isn't an ascending pair of positive frequencies
    """
    _check_band(search_hz, sample_rate_hz)
    _check_tone(tone_hz, sample_rate_hz)
    record = checks.require_usable(samples, is_overrange=is_overrange, range_peak_v=range_peak_v)
    checks.require_no_flat_run(record)
    checks.require_duration(
        record,
        sample_rate_hz,
        _LEAST_S,
        "a search for spurs, which averages stretches of 13 ms",
        remedy=f"record at least {_LEAST_S:g} s, better 0.8 s",
    )
    measured = averaged_spectrum(record, sample_rate_hz)
    band = _searched_bins(measured, search_hz)
    spectrum, lines = without_harmonics(measured, tone_hz)
    least = least_density(record, sample_rate_hz)
    regions, floor = _find(measured, spectrum, band, least, tone_hz)
    spurs = [_spur(spectrum, floor, r) for r in regions]
    wanted = [s for s in spurs if _lies_within(s, search_hz)]
    inside = slice(*band)
    return WidebandResult(
        spurs=tuple(_by_level(_with_fundamentals(wanted, spectrum.step_hz))),
        tone_harmonics=tuple(_by_level(_driven(lines, measured.step_hz, search_hz))),
        floor_v_per_rthz=float(np.sqrt(np.median(floor[inside]))),
        searched_hz=search_hz,
        resolution_hz=spectrum.step_hz,
        frequency_hz=measured.frequency_hz,
        density_v_per_rthz=np.sqrt(measured.power),
        floor_density_v_per_rthz=np.sqrt(floor),
    )


def _check_band(search_hz: tuple[float, float], sample_rate_hz: float) -> None:
    low, high = search_hz
    if not 0.0 < low < high:
        raise ValueError(f"search_hz must be two ascending positive frequencies, got {search_hz}")
    checks.require_band(search_hz, sample_rate_hz)


def _check_tone(tone_hz: float | None, sample_rate_hz: float) -> None:
    """Refuse a tone whose lines can't be where they are looked for."""
    if tone_hz is not None and tone_hz >= sample_rate_hz / 2:
        raise CannotMeasure(
            "band_too_narrow",
            f"the driven tone, {tone_hz:g} Hz, does not lie below half the sample rate, "
            f"{sample_rate_hz / 2:g} Hz",
            f"record at more than {checks.whole(2 * tone_hz)} samples/s, or state the tone that was "
            "driven",
        )


def _searched_bins(spectrum: DensitySpectrum, search_hz: tuple[float, float]) -> tuple[int, int]:
    """First bin and end of the bins looked at: the band, and beyond it room for the floor."""
    audio_hz = min(_AUDIO_HZ, search_hz[0] - min(SATELLITE_HZ, search_hz[0] / 2.0))
    low = max(search_hz[0] - FLOOR_WINDOW_HZ / 2.0, audio_hz, 8 * spectrum.step_hz)
    high = search_hz[1] + FLOOR_WINDOW_HZ / 2.0
    end = min(int(high / spectrum.step_hz) + 1, spectrum.power.size - 1)
    return int(low / spectrum.step_hz), end


def _find(
    measured: DensitySpectrum,
    spectrum: DensitySpectrum,
    band: tuple[int, int],
    least: float,
    tone_hz: float | None,
) -> tuple[list[Region], Spectral]:
    """Regions of spurs and the floor under them; twice, the second floor without the spurs.

    spectrum is the measured one with the tone's lines levelled, whose leakage is still there.
    """
    taken = np.zeros(spectrum.power.size, dtype=bool)
    floor = np.maximum(floor_under_spurs(spectrum, band, taken), least)
    regions = spur_regions(
        spectrum, floor, leakage_of_lines(measured, spectrum, floor), band, tone_hz
    )
    for region in regions:
        taken[region.first : region.last + 1] = True
    if np.count_nonzero(taken[slice(*band)]) > (band[1] - band[0]) // 2:
        return regions, floor  # too little left to see the noise in; the medians must do
    floor = np.maximum(floor_under_spurs(spectrum, band, taken), least)
    return spur_regions(
        spectrum, floor, leakage_of_lines(measured, spectrum, floor), band, tone_hz
    ), floor


def _spur(spectrum: DensitySpectrum, floor: Spectral, region: Region) -> Spur:
    """The spur of a region with the uncertainty that noise and averaging leave."""
    bins = np.arange(region.first, region.last + 1)
    ground = floor[bins]
    signal = np.maximum(spectrum.power[bins] - ground, 0.0)
    # line plus noise: the mean square of a bin has variance ground^2 + 2 ground * signal
    beating = 2.0 * _BEATING_OVERLAP * ground * signal
    spread = (ground**2 + beating) * HANN_CORRELATION / spectrum.averages
    floor_bins = FLOOR_WINDOW_HZ / spectrum.step_hz / HANN_CORRELATION
    floor_doubt = 1.25 * float(np.sum(ground)) / np.sqrt(spectrum.averages * floor_bins)
    guessed_doubt = _guess_doubt(spectrum, bins)
    lost, shift = _cut_off(np.asarray(bins - region.centre, dtype=np.float64))
    power_doubt = np.hypot(
        spectrum.step_hz * np.sqrt(np.sum(spread) + floor_doubt**2 + guessed_doubt**2),
        lost * region.power,
    )
    level = float(np.sqrt(region.power))
    scale = spectrum.step_hz**2 / region.power
    distance = bins - region.centre
    centre_doubt = scale * np.sqrt(float(np.sum(distance**2 * spread)))
    wander = region.rms_bins * spectrum.step_hz / np.sqrt(spectrum.averages)
    second = (spectrum.step_hz**2 * scale) * np.sqrt(float(np.sum(distance**4 * spread)))
    rms_hz = region.rms_bins * spectrum.step_hz
    width_doubt = min(second / (2.0 * rms_hz), np.sqrt(second)) if rms_hz else np.sqrt(second)
    return Spur(
        frequency_hz=Estimate(
            value=region.centre * spectrum.step_hz,
            standard_uncertainty=float(
                np.sqrt(centre_doubt**2 + wander**2 + (shift * spectrum.step_hz) ** 2)
            ),
        ),
        level_vrms=Estimate(value=level, standard_uncertainty=float(power_doubt / (2.0 * level))),
        width_hz=Estimate(
            value=float(_FWHM_PER_RMS * rms_hz),
            standard_uncertainty=float(_FWHM_PER_RMS * np.hypot(width_doubt, wander)),
        ),
    )


def _cut_off(distance: Spectral) -> tuple[float, float]:
    """What the side lobes beyond some bins hold of a line: share of its power, shift of its centre.

    Not corrected for, since a smeared spur has other lobes, but counted as doubt. The Hann window's
    transform is sinc(d)/(1 - d^2), the squares of which add up to 3/2.
    """
    near_one = np.abs(np.abs(distance) - 1.0) < 1e-6
    lobes = np.sinc(distance) / np.where(near_one, 1.0, 1.0 - distance**2)
    power = np.where(near_one, 0.25, lobes**2) / 1.5
    return max(1.0 - float(np.sum(power)), 0.0), float(np.sum(distance * power))


def _guess_doubt(spectrum: DensitySpectrum, bins: NDArray[np.intp]) -> float:
    """Doubt of the sum over bins of which some were guessed under a tone's lines, V^2/Hz."""
    return 0.0 if spectrum.guessed is None else float(np.sum(spectrum.guessed[bins]))


def _value(estimate: Estimate) -> float:
    return estimate.value if estimate.value is not None else 0.0


def _lies_within(spur: Spur, search_hz: tuple[float, float]) -> bool:
    return search_hz[0] <= _value(spur.frequency_hz) <= search_hz[1]


def _by_level(spurs: list[Spur]) -> list[Spur]:
    return sorted(spurs, key=lambda s: _value(s.level_vrms), reverse=True)


def _with_fundamentals(spurs: list[Spur], step_hz: float) -> list[Spur]:
    """The spurs, each harmonic of a lower one marked with the frequency of its fundamental."""
    rising = sorted(spurs, key=lambda s: _value(s.frequency_hz))
    found: list[Spur] = []
    for spur in rising:
        parents = [p for p in found if p.harmonic_of is None and _is_harmonic(spur, p, step_hz)]
        parent = max(parents, key=lambda p: _value(p.level_vrms), default=None)
        found.append(
            replace(spur, harmonic_of=None if parent is None else _value(parent.frequency_hz))
        )
    return found


def _is_harmonic(spur: Spur, fundamental: Spur, step_hz: float) -> bool:
    """Whether spur sits at an integer multiple (2 to 10) of fundamental, within both widths."""
    base = _value(fundamental.frequency_hz)
    order = round(_value(spur.frequency_hz) / base)
    doubt = order * fundamental.frequency_hz.standard_uncertainty
    room = 1.5 * step_hz + 3.0 * np.hypot(doubt, spur.frequency_hz.standard_uncertainty)
    is_near = abs(_value(spur.frequency_hz) - order * base) < room
    stronger_db = 20.0 * np.log10(_value(spur.level_vrms) / _value(fundamental.level_vrms))
    return 2 <= order <= 10 and bool(is_near) and bool(stronger_db < 20.0)


def _driven(lines: list[ToneLine], step_hz: float, search_hz: tuple[float, float]) -> list[Spur]:
    """The tone's lines inside the band, as spurs without width."""
    return [
        Spur(
            frequency_hz=Estimate(value=line.frequency_hz, standard_uncertainty=0.05 * step_hz),
            level_vrms=Estimate(value=line.level_vrms, standard_uncertainty=line.level_doubt_vrms),
            width_hz=Estimate(value=0.0, standard_uncertainty=step_hz),
        )
        for line in lines
        if search_hz[0] <= line.frequency_hz <= search_hz[1]
    ]
