"""Stretches of a spectrum that stand above its noise floor.

On noise, a bin of an averaged spectrum over the floor follows a gamma distribution, so the
threshold is set from the wanted rate of false alarms.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from sequencer.analysis.arrays import Spectral
from sequencer.analysis.noise_floor import DensitySpectrum
from sequencer.analysis.spectrum import HANN_CORRELATION

FALSE_ALARM_RATE = 1e-5
"""Expected number of false spurs in one capture of noise without any."""

SATELLITE_HZ = 5e3
"""A weak line that close to a spur that is spread is part of it."""

_SATELLITE_DB = 10.0
_LINE_BINS = 1.0  # of RMS width: what noise adds to a line's, and no spread
_SMOOTHED_BINS = 16
# Second moment of the Hann window's power spectrum: int w'^2 / (4 pi^2 int w^2) = 1/3 bin^2.
_HANN_VARIANCE_BINS = 1.0 / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """Bins first..last (inclusive) with the moments of the power above the floor in them."""

    first: int
    last: int
    power: float
    centre: float
    rms_bins: float


def spur_regions(
    spectrum: DensitySpectrum,
    floor: Spectral,
    leakage: Spectral,
    band: tuple[int, int],
    tone_hz: float | None,
) -> list[Region]:
    """Stretches of bins that hold a spur, those of one spur merged, in order of frequency."""
    ground = np.maximum(floor, leakage)
    ratio = spectrum.power[band[0] : band[1]] / ground[band[0] : band[1]]
    runs = _runs(_above(ratio, spectrum.averages), _seeds(ratio, spectrum.averages), band[0])
    regions = [_moments(spectrum, floor, first, last) for first, last in runs]
    regions = [r for r in regions if r.power > 0.0]
    widened = [_widened(spectrum, floor, r, band) for r in regions]
    return _merged(spectrum, floor, widened, tone_hz)


def _moving_mean(values: Spectral, width: int) -> Spectral:
    """Centred mean over width values, the ends repeated; same length."""
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    total = np.cumsum(np.concatenate(([0.0], padded)))
    return np.asarray((total[width:] - total[:-width]) / width)


def _seeds(ratio: Spectral, averages: float) -> NDArray[np.bool_]:
    """Bins which noise alone would lift that far FALSE_ALARM_RATE times a capture, at most."""
    chance = FALSE_ALARM_RATE / (2.0 * ratio.size)
    single = float(scipy.special.gammainccinv(averages, chance)) / averages
    degrees = averages * _SMOOTHED_BINS / HANN_CORRELATION
    # 25 % at least: the floor itself isn't known better where its shape is unusual
    smooth = max(float(scipy.special.gammainccinv(degrees, chance)) / degrees, 1.25)
    narrow: NDArray[np.bool_] = ratio > 1.0 + 1.05 * (single - 1.0)
    wide: NDArray[np.bool_] = _moving_mean(ratio, _SMOOTHED_BINS) > smooth
    return narrow | wide


def _above(ratio: Spectral, averages: float) -> NDArray[np.bool_]:
    """Bins that, meant over five, stand two standard deviations above the floor; gaps closed."""
    above: NDArray[np.bool_] = _moving_mean(ratio, 5) > 1.0 + 2.0 * np.sqrt(1.7 / (5.0 * averages))
    gap_closed = above.copy()
    for shift in (1, 2):
        gap_closed[shift:-shift] |= above[: -2 * shift] & above[2 * shift :]
    return gap_closed


def _runs(above: NDArray[np.bool_], seeds: NDArray[np.bool_], offset: int) -> list[tuple[int, int]]:
    """Runs of bins above the floor that hold a seed, as first and last bin of the spectrum."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (above | seeds).astype(np.int8), [0]))))
    starts, ends = edges[::2], edges[1::2]
    count = np.concatenate(([0], np.cumsum(seeds)))
    held = count[ends] > count[starts]
    return [
        (int(a) + offset, int(b) - 1 + offset)
        for a, b in zip(starts[held], ends[held], strict=True)
    ]


def _moments(spectrum: DensitySpectrum, floor: Spectral, first: int, last: int) -> Region:
    """Power (V^2), centre and RMS width (bins) of what stands above the floor in these bins."""
    bins = np.arange(first, last + 1)
    excess = spectrum.power[bins] - floor[bins]
    total = float(np.sum(excess))
    if total <= 0.0:
        return Region(first=first, last=last, power=0.0, centre=(first + last) / 2, rms_bins=0.0)
    centre = float(np.sum(bins * excess)) / total
    variance = float(np.sum((bins - centre) ** 2 * excess)) / total
    return Region(
        first=first,
        last=last,
        power=total * spectrum.step_hz,
        centre=min(max(centre, first), last),
        rms_bins=float(np.sqrt(max(variance - _HANN_VARIANCE_BINS, 0.0))),
    )


def _widened(
    spectrum: DensitySpectrum, floor: Spectral, region: Region, band: tuple[int, int]
) -> Region:
    """The region out to 4.5 RMS widths: the tails below the threshold hold per cents of power."""
    reach = 4.5 * region.rms_bins + 3.0
    first = max(min(region.first - 2, int(region.centre - reach)), band[0])
    last = min(max(region.last + 2, int(region.centre + reach) + 1), band[1] - 1)
    return _moments(spectrum, floor, first, last)


def _merged(
    spectrum: DensitySpectrum, floor: Spectral, regions: list[Region], tone_hz: float | None
) -> list[Region]:
    """Neighbours that overlap or belong together made one, until nothing changes."""
    merged: list[Region] = []
    for region in sorted((r for r in regions if r.power > 0.0), key=lambda r: r.first):
        current = region
        while merged and _belong_together(merged[-1], current, spectrum.step_hz, tone_hz):
            before = merged.pop()
            first, last = before.first, max(before.last, current.last)
            current = _moments(spectrum, floor, min(first, current.first), last)
        if current.power > 0.0:
            merged.append(current)
    return merged


def _belong_together(a: Region, b: Region, step_hz: float, tone_hz: float | None) -> bool:
    """Whether two regions (a below b) are parts of one spur.

    They overlap; or one is a weak satellite close to the other, and they are no two lines with nothing
    between them; or a tone switches the spur on and off, which splits it into lines one or two tone
    frequencies apart.
    """
    if b.first <= a.last + 1:
        return True
    apart_hz = (b.first - a.last) * step_hz
    unequal_db = abs(10.0 * np.log10(a.power / b.power))
    are_lines = max(a.rms_bins, b.rms_bins) < _LINE_BINS
    if apart_hz < SATELLITE_HZ and unequal_db >= _SATELLITE_DB and not are_lines:
        return True
    centres_hz = (b.centre - a.centre) * step_hz
    return tone_hz is not None and tone_hz <= SATELLITE_HZ / 2 and centres_hz < 2.3 * tone_hz
