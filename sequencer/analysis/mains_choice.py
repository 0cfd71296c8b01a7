"""Which mains a record's hum belongs to, from what was found in each section of the record."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.estimates import Estimate
from sequencer.analysis.mains import STRONG_MULTIPLES, MainsFrequency
from sequencer.analysis.mains_nominals import is_told

FoundBySection = Sequence[Mapping[float, MainsFrequency]]
"""What find_each_mains found in each section of a record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """The mains that the hum of a record belongs to.

    nominal_hz is its nominal frequency; the first one looked for where no line says more. lines are
    the multiples of it that stand out in any section, is_told says whether they tell the frequency.
    stray_hz are lines that stand out too far from a nominal frequency to be told for its hum, or alone
    where weak lines lie, where there is no other. found
    holds the finds for nominal_hz, None for a section too short for them.
    """

    nominal_hz: float
    is_told: bool
    lines: tuple[int, ...]
    stray_hz: tuple[float, ...]
    found: tuple[MainsFrequency | None, ...]

    def frequency(self) -> Estimate:
        """Mean of the sections' mains frequencies, weighted by their doubt; no value if untold."""
        seen = [mains for mains in self.found if mains is not None and mains.is_seen]
        return _mean(seen) if self.is_told else Estimate(value=None)

    def section_hz(self) -> list[float]:
        """The mains frequency to look for lines at in each section.

        Where none stands out in a section: that of the others, else the best guess.
        """
        seen = [mains for mains in self.found if mains is not None and mains.is_seen]
        others_hz = _mean(seen).value
        return [self._guess_hz(mains, others_hz) for mains in self.found]

    def tones_hz(self) -> list[tuple[float, ...]]:
        """The lines beside each section's hum that are none of it."""
        return [() if mains is None else mains.tones_hz for mains in self.found]

    def _guess_hz(self, mains: MainsFrequency | None, others_hz: float | None) -> float:
        if mains is not None and (mains.is_seen or others_hz is None):
            return mains.value_hz
        return self.nominal_hz if others_hz is None else others_hz


def choose_hum(found: FoundBySection, nominals_hz: Sequence[float]) -> Hum:
    """The strongest hum that is told by its lines, taken over sections.

    Where none is: the mains that the strongest lone line belongs to, if it is no line of another.

    Parameters
    ----------
    nominals_hz : those that were looked for, the one that was said (or is likeliest) first
    """
    told = [f for f in nominals_hz if is_told(f, _lines(found, f), nominals_hz)]
    nominal_hz = max(told or nominals_hz, key=lambda f: _own_power(found, f))
    lines = _lines(found, nominal_hz)
    stray_hz: list[float] = []
    if not lines:
        stray_hz = _stray_hz([_of(found, f) for f in nominals_hz])
    elif not told and lines.isdisjoint(STRONG_MULTIPLES):
        # Hum has one of these; a tone near a weak line would have the others read beside theirs.
        stray_hz = [min(lines) * _mean_seen(_of(found, nominal_hz))]
    return Hum(
        nominal_hz=nominal_hz,
        is_told=bool(told),
        lines=tuple(sorted(lines)),
        stray_hz=tuple(stray_hz),
        found=tuple(section.get(nominal_hz) for section in found),
    )


def _of(found: FoundBySection, nominal_hz: float) -> list[MainsFrequency]:
    return [section[nominal_hz] for section in found if nominal_hz in section]


def _lines(found: FoundBySection, nominal_hz: float) -> set[int]:
    return {multiple for mains in _of(found, nominal_hz) for multiple in mains.seen}


def _own_power(found: FoundBySection, nominal_hz: float) -> float:
    return sum(mains.own_power for mains in _of(found, nominal_hz))


def _stray_hz(each: Iterable[Sequence[MainsFrequency]]) -> list[float]:
    """Median of the strays that each nominal frequency has in the sections."""
    by_nominal = [[m.stray_hz for m in finds if m.stray_hz is not None] for finds in each]
    return [float(np.median(strays)) for strays in by_nominal if strays]


def _mean_seen(finds: Sequence[MainsFrequency]) -> float:
    return float(np.mean([mains.value_hz for mains in finds if mains.is_seen]))


def _mean(seen: Sequence[MainsFrequency]) -> Estimate:
    if not seen:
        return Estimate(value=None)
    values = np.array([mains.value_hz for mains in seen])
    weights = np.array([mains.standard_uncertainty_hz for mains in seen]) ** -2.0
    mean = float(np.average(values, weights=weights))
    return Estimate(value=mean, standard_uncertainty=float(weights.sum() ** -0.5))
