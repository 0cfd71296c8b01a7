"""Is a record fit for the number that is asked of it? Refusals before any arithmetic.

Each check returns nothing or raises CannotMeasure with one of the refusal codes. What a check may
take for a fault and what it must let pass:

- overrange: the converter's own limit shows as many samples on exactly the same outermost code,
  with hardly any on the codes next to it. An amplifier that clips inside the range has noise on its
  flat tops, or, where the range is known, stops short of it: that is a result. The outermost few
  samples of any record may share a code by chance, a 16-bit sine has long crests on one code, and a
  sine coherent with the sample rate repeats every one of its values: none of that is a fault.
- dropout: a converter that repeats itself (a long run of one code), zeros in a record that keeps far
  from 0 V (no range ends there; one or two are a click), or a record with a block missing (the phase
  of its tone steps). A missing block has no flat part.
"""

from math import isfinite, lgamma, log, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sequencer.analysis.arrays import Phasors, Samples, as_samples
from sequencer.analysis.errors import CannotMeasure

RATE_TOLERANCE = 1e-4  # +-0.01 %
FREQUENCY_TOLERANCE = 0.01  # 44.1 and 48 kHz mixed up give 8.8 %
LEAST_TONE_CYCLES = 3.0
LEAST_TONE_SAMPLES = 128
_FEWEST_ON_LIMIT = 3
_MANY_ON_LIMIT = 12  # so many never share a code by chance when hardly any lie beside
_FEWEST_BESIDE = 12
_NEAR_RANGE_LIMIT = 0.99
_LONGEST_RUN = 24  # samples; does not happen with the noise of a 24-bit converter
_FEW_CODES = 8.5
_OF_ONE_TOP = 2.5  # codes
_MOST_REPEATS = 0.5  # of neighbours
_FEWEST_VALUES = 4
_CHANCE = 1e-7
_FEWEST_PARTS = 6
_LEAST_STEP_RAD = 0.02
_LEVEL_STEP = 0.1  # as a share: smaller ones turn no part by the least step
_STEP_OF_A_CODE = 0.5  # rad of a tone of one code; clean ones reach half of it (simulated)
_STEP_OVER_MEDIAN = 12.0
_STEP_OVER_NOISE = 6.0


def require_finite(samples: ArrayLike) -> Samples:
    """The record as float64; refused (nonfinite) where a sample is not a number."""
    record = as_samples(samples)
    if not (isfinite(record.min()) and isfinite(record.max())):
        first = int(np.argmax(~np.isfinite(record)))
        raise CannotMeasure(
            "nonfinite",
            f"sample {first} of {record.size} is not a number",
            "record again; a gap is never filled in",
        )
    return record


def require_usable(
    samples: ArrayLike,
    *,
    is_overrange: bool = False,
    range_peak_v: float | None = None,
    at_rest: NDArray[np.bool_] | None = None,
    is_live: bool = False,
) -> Samples:
    """The record as float64, or a refusal that no analysis could do without.

    Parameters
    ----------
    samples : shape (n,), volts
    is_overrange : what the instrument itself says of the record
    range_peak_v : full scale of the converter, volts peak, where it is known
    at_rest : shape (n,), where the signal rests on one value, if it may: an extreme that is met
        there only is no limit, unless the range says so
    is_live : whether the signal is never switched off, so that zeros far from all else are no samples

    Raises
    ------
    CannotMeasure : nonfinite, no_signal (all samples equal), overrange, or dropout (such zeros)
    """
    record = require_finite(samples)
    low, high = float(record.min()), float(record.max())
    if low == high:
        if range_peak_v is not None and abs(low) >= _NEAR_RANGE_LIMIT * range_peak_v:
            raise _overrange(f"all {record.size} samples lie at the end of the range, {low:.6g} V")
        raise CannotMeasure(
            "no_signal",
            f"all {record.size} samples are {low:g} V; a live input shows noise in its last bits",
            "check that the analyser is connected and recording; of a meter, keep more digits",
        )
    if is_overrange:
        raise _overrange("the analyser reports that its range was exceeded")
    for limit in (low, high):
        if limit == 0.0 and is_live:
            _require_no_zeros_apart(record)
        is_rest = at_rest is not None and range_peak_v is None and at_rest[record == limit].all()
        if not is_rest and _is_at_limit(record, limit, range_peak_v):
            raise _overrange(f"the record is cut off at {limit:.6g} V")
    return record


def require_rate(found_hz: float, expected_hz: float) -> None:
    """Refuse (rate_mismatch) a record whose sample rate is off the expected one by over 0.01 %."""
    if not abs(found_hz - expected_hz) <= RATE_TOLERANCE * expected_hz:
        raise CannotMeasure(
            "rate_mismatch",
            f"the record was taken at {found_hz:.10g} samples/s, expected {expected_hz:.10g}",
            "set the analyser's sample rate again, or state the rate that is meant",
        )


def require_even_steps(times_s: ArrayLike) -> float:
    """Sample rate, in Hz, of a record with a time for every sample.

    Raises
    ------
    CannotMeasure : time_base when a step is 0, negative, not a number, or 1.5 times the median
    ValueError : fewer than two times
    """
    times = as_samples(times_s)
    if times.size < 2:
        raise ValueError(f"times_s: {times.size} of them; expected two or more")
    steps = np.diff(times)
    usual = float(np.median(steps))
    is_even = bool(np.all(np.isfinite(steps))) and usual > 0
    if not (is_even and steps.min() > 0 and steps.max() < 1.5 * usual):
        raise CannotMeasure(
            "time_base",
            "the time column does not advance in even steps "
            f"(median {usual:.4g} s, from {steps.min():.4g} to {steps.max():.4g} s)",
            "export the record again with every sample; if its times only lack digits, state the "
            "sample rate as well",
        )
    return (times.size - 1) / float(times[-1] - times[0])


def require_band(band_hz: tuple[float, float], sample_rate_hz: float) -> None:
    """Refuse (band_too_narrow) a band that reaches beyond half the sample rate.

    Raises
    ------
    ValueError : the edges are not in order
    """
    low, high = band_hz
    if not 0 <= low < high:
        raise ValueError(f"band_hz: {band_hz}; expected 0 <= lower < upper")
    if high > sample_rate_hz / 2 * (1 + 1e-9):
        raise CannotMeasure(
            "band_too_narrow",
            f"the band reaches to {whole(high)} Hz, the record only to half its sample rate, "
            f"{whole(sample_rate_hz / 2)} Hz",
            f"record at {whole(2 * high)} samples/s or more, or ask for a narrower band",
        )


def whole(rate_hz: float) -> str:
    """A rate in figures, without a power of ten: 1000000, 44100.5."""
    return f"{rate_hz:.10g}"


def require_sample_rate(sample_rate_hz: float, least_hz: float, what: str) -> None:
    """Refuse (band_too_narrow) a record of fewer samples a second than what it is for needs.

    Where nobody chose a band: a narrower one would be no remedy.

    Parameters
    ----------
    least_hz : samples a second, at least
    what : what needs them; begins the sentence
    """
    if sample_rate_hz < least_hz * (1 - 1e-9):
        raise CannotMeasure(
            "band_too_narrow",
            f"{what} needs {whole(least_hz)} samples/s or more, the record has "
            f"{whole(sample_rate_hz)}",
            f"record at {whole(least_hz)} samples/s or more",
        )


def require_duration(
    samples: Samples, sample_rate_hz: float, least_s: float, why: str, *, remedy: str | None = None
) -> None:
    """Refuse (too_short) a record of less than least_s seconds.

    Parameters
    ----------
    why : completes "needed for"
    remedy : what would be long enough; None for least_s
    """
    seconds = samples.size / sample_rate_hz
    if seconds < least_s * (1 - 1e-9):
        raise CannotMeasure(
            "too_short",
            f"the record lasts {seconds:.4g} s, {least_s:.4g} s are needed for {why}",
            remedy or f"record at least {least_s:.4g} s",
        )


def require_tone_samples(samples: Samples, sample_rate_hz: float) -> None:
    """Refuse (too_short) a record with fewer samples than any tone needs, whatever its frequency."""
    if samples.size < LEAST_TONE_SAMPLES:
        raise CannotMeasure(
            "too_short",
            f"the record holds {samples.size} samples, {samples.size / sample_rate_hz:.3g} s",
            f"record at least {LEAST_TONE_SAMPLES} samples, and three cycles of the tone, better ten",
        )


def require_tone_length(samples: Samples, sample_rate_hz: float, frequency_hz: float) -> None:
    """Refuse (too_short) a record with fewer than three cycles of the tone, or 128 samples."""
    cycles = samples.size * frequency_hz / sample_rate_hz
    if cycles < LEAST_TONE_CYCLES or samples.size < LEAST_TONE_SAMPLES:
        least = max(LEAST_TONE_SAMPLES, LEAST_TONE_CYCLES * sample_rate_hz / frequency_hz)
        raise CannotMeasure(
            "too_short",
            f"the record holds {samples.size} samples, {cycles:.2g} cycles of {frequency_hz:.4g} Hz",
            f"record at least {least / sample_rate_hz:.3g} s (three cycles, better ten)",
        )


def require_frequency(found_hz: float, expected_hz: float) -> None:
    """Refuse (wrong_frequency) a tone that is off the expected frequency by over 1 %."""
    if abs(found_hz - expected_hz) > FREQUENCY_TOLERANCE * expected_hz:
        raise CannotMeasure(
            "wrong_frequency",
            f"the tone lies at {found_hz:.6g} Hz, expected {expected_hz:.6g} Hz",
            "check the generator's frequency and the sample rate of the record",
        )


def require_no_flat_run(
    samples: Samples, *, sample_rate_hz: float = 0.0, frequency_hz: float = 0.0
) -> None:
    """Refuse (dropout) a record with a run of equal samples too long for its own noise.

    The limit is 24 samples; more where the record's codes are so coarse that longer runs come
    about by chance, or on the crests of a slow tone whose frequency is given. A run at the very
    extreme, where the signal goes again and again, is a limit that it met (overrange).
    """
    # a run of 25 holds two samples in succession of every twelfth
    sparse = samples[::12]
    if not np.any(sparse[1:] == sparse[:-1]):
        return
    is_repeat = samples[1:] == samples[:-1]
    starts, lengths = _runs(is_repeat)
    longest = int(lengths.max())
    if longest <= _LONGEST_RUN:
        return
    share = (np.count_nonzero(is_repeat) - longest + 1) / max(samples.size - longest, 1)
    limit = _longest_by_chance(share, samples.size)
    if frequency_hz > 0:
        limit = max(limit, 2 * _crest_run(samples, sample_rate_hz, frequency_hz))
    if longest > limit:
        start = int(starts[int(lengths.argmax())])
        held_v = float(samples[start])
        # the tops of a coarse record differ by a code or two
        far_v = _OF_ONE_TOP * code_step(samples)
        is_extreme = min(held_v - float(samples.min()), float(samples.max()) - held_v) <= far_v
        held = samples[starts[lengths > _LONGEST_RUN]]
        if is_extreme and np.count_nonzero(np.abs(held - held_v) <= far_v) > 1:
            raise _held_at_limit(f"again and again the record is held at {held_v:.6g} V", longest)
        raise _flat_run(start, longest)


def is_of_few_codes(samples: Samples) -> bool:
    """Whether a record spans so few codes that long runs of one are its own, and say nothing."""
    return float(np.ptp(samples)) < _FEW_CODES * code_step(samples)


def require_no_held_sample(record: Samples, first: int, end: int) -> None:
    """Refuse (dropout) a voltage that stands still where its neighbours say it should move or scatter.

    For what dies away between two samples of a record. Its samples may rightly repeat: those of a
    coarse meter, of a muted output before it, of a rest at the end. So a run of over 24 equal ones is
    a fault only where on both sides of it, as far as it reaches, most samples differ from the one
    before and lie on four values or more: noise below a step toggles between two or three. A run at
    the record's very extreme is a limit that it met (overrange), be it once: what strikes falls off.
    """
    part = record[first:end]
    is_repeat = part[1:] == part[:-1]
    starts, lengths = _runs(is_repeat)
    is_long = lengths > _LONGEST_RUN
    for start, length in zip(starts[is_long].tolist(), lengths[is_long].tolist(), strict=True):
        sides = slice(max(start - length, 0), start), slice(start + length, start + 2 * length)
        if min(part[side].size for side in sides) <= _LONGEST_RUN:
            continue
        share = max(float(np.mean(is_repeat[side][:-1])) for side in sides)
        is_lively = share <= _MOST_REPEATS and all(
            np.unique(part[side]).size >= _FEWEST_VALUES for side in sides
        )
        if is_lively and length > _longest_by_chance(share, part.size):
            held_v = float(part[start])
            if held_v in (float(record.min()), float(record.max())):
                raise _held_at_limit(f"the record is held at {held_v:.6g} V", length)
            raise _flat_run(first + start, length)


def require_steady_phase(
    samples: Samples, sample_rate_hz: float, frequency_hz: float, tone: Phasors
) -> None:
    """Refuse (dropout) a tone whose phase steps: a block of the record is missing.

    A step of the phase between neighbouring parts that differs from the median step by over 0.02 rad,
    over 12 times the median difference, over 6 standard deviations of the noise and over what rounding
    does to a tone of few codes is a fault. A loss of whole cycles can't be seen. A step of the level,
    which turns the part that it lies in and no other, is none.

    Parameters
    ----------
    samples : shape (n,), volts
    tone : in each part of the record, by tone_of_parts with that frequency
    """
    if tone.size < _FEWEST_PARTS:
        return
    length = samples.size // tone.size
    omega = 2 * pi * frequency_hz / sample_rate_hz
    if not np.all(tone):
        return  # no tone at all in a part: there is no phase to compare
    steps = np.angle(tone[1:] / tone[:-1] * np.exp(-1j * omega * length))
    off = np.angle(np.exp(1j * (steps - _circular_middle(steps))))
    usual = float(np.median(np.abs(off)))
    worst = int(np.abs(off).argmax())
    amplitude = float(np.median(np.abs(tone)))
    rest_v2 = max(float(np.var(samples)) - amplitude**2 / 2, 0.0)
    # phase of one part: variance 2 rest/(A^2 length), half as much again for the window
    noise = sqrt(2 * 3 * rest_v2 / length) / amplitude
    # that of a tone of a few codes is the place of a few edges, which rounding moves
    rounding = _STEP_OF_A_CODE * code_step(samples) / amplitude
    limit = max(_LEAST_STEP_RAD, _STEP_OVER_MEDIAN * usual, _STEP_OVER_NOISE * noise, rounding)
    if abs(off[worst]) > limit and not _is_step_of_level(tone, off, worst, limit):
        raise CannotMeasure(
            "dropout",
            f"the phase of the tone steps by {np.degrees(off[worst]):.1f} degrees near sample "
            f"{(worst + 1) * length}: a block of the record is missing",
            "record again; look for an overloaded connection to the analyser",
        )


def _runs(is_repeat: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First sample and length of each run of equal samples; is_repeat: equal to the one before."""
    starts = np.concatenate([[0], np.flatnonzero(~is_repeat) + 1])
    return starts, np.diff(starts, append=is_repeat.size + 1)


def _longest_by_chance(share: float, count: int) -> float:
    """Samples in the longest run that a record may well hold, a share of which repeat by chance."""
    if share <= 0:
        return float(_LONGEST_RUN)
    return max(float(_LONGEST_RUN), 3 * log(count) / -log(min(share, 1 - 1e-6)))


def _flat_run(start: int, length: int) -> CannotMeasure:
    return CannotMeasure(
        "dropout",
        f"{length} samples in a row are equal, from sample {start} on",
        "record again; look for an interrupted connection or a full buffer",
    )


def _held_at_limit(what: str, longest: int) -> CannotMeasure:
    return CannotMeasure(
        "overrange",
        f"{what}, up to {longest} samples in a row; the tops that an amplifier cuts off have noise "
        "on them",
        "lower the level, or use a higher range of whatever recorded it",
    )


def _overrange(reason: str) -> CannotMeasure:
    return CannotMeasure(
        "overrange", reason, "use a higher range of the analyser, or a lower level"
    )


def _is_at_limit(record: Samples, limit: float, range_peak_v: float | None) -> bool:
    """Whether an extreme of the record is the converter's limit."""
    on_limit = int(np.count_nonzero(record == limit))
    if on_limit < _FEWEST_ON_LIMIT:
        return False
    if range_peak_v is not None:
        return abs(limit) >= _NEAR_RANGE_LIMIT * range_peak_v
    return _is_cut_off(record, limit, on_limit)


def _is_cut_off(record: Samples, limit: float, on_limit: int) -> bool:
    """Whether so many samples on one value, and so few beside it, can't be the signal's own."""
    step = code_step(record)
    inward = _beside(record, limit, on_limit)
    if inward.size < _FEWEST_BESIDE:  # a click in silence, or a square wave
        return _is_of_many_codes(record, step)
    beside = int(np.count_nonzero(inward <= 8.01 * step))
    _, repeats = np.unique(np.round(inward / step), return_counts=True)
    spacing = float(inward[11]) / 12
    if spacing <= 0 or beside > on_limit / 4 or repeats.max() > on_limit / 4:
        return False
    if on_limit > _MANY_ON_LIMIT:
        return True
    # c outermost values of a falling tail, a spacing apart, share a code: (c - 1)!
    # (step/spacing)^(c-1)
    chance = lgamma(on_limit) + (on_limit - 1) * log(min(step / spacing, 1.0))
    return chance < log(_CHANCE)


def _require_no_zeros_apart(record: Samples) -> None:
    """Refuse (dropout) samples of 0 V at an extreme that hardly any other comes near.

    Where most samples are 0 V they are the signal.
    """
    zeros = int(np.count_nonzero(record == 0.0))
    if not _FEWEST_ON_LIMIT <= zeros < record.size / 2:
        return
    if _beside(record, 0.0, zeros).size >= _FEWEST_BESIDE:
        return
    if _is_of_many_codes(record, code_step(record)):
        raise CannotMeasure(
            "dropout",
            f"{zeros} samples are 0 V, the first of them sample {int(np.argmax(record == 0.0))}, far "
            "from all others: samples are missing, or there was no signal yet",
            "record again; look for an interrupted connection or a full buffer",
        )


def _beside(record: Samples, limit: float, on_limit: int) -> Samples:
    """How far the samples next to an extreme are from it, sorted, up to half the swing."""
    inward = np.sort(np.abs(_outermost(record, limit) - limit))
    inward = inward[: np.searchsorted(inward, np.ptp(record) / 2)]
    return np.asarray(inward[on_limit : on_limit + 4 * on_limit + 12])


def _is_of_many_codes(record: Samples, step: float) -> bool:
    """Whether a record spans many codes: one of a handful rests on its outermost by itself."""
    return step < 1e-3 * float(np.ptp(record))


def _outermost(record: Samples, limit: float) -> Samples:
    """The samples nearest one extreme: enough of them to see what the signal does there."""
    span = float(record.max() - record.min())
    for share in (0.01, 0.1):
        near = record[np.abs(record - limit) <= share * span]
        if near.size > 5 * np.count_nonzero(near == limit) + 12:
            return near
    return record


def code_step(record: Samples) -> float:
    """Smallest difference between two of a few thousand samples: a code's width, or less noise."""
    chosen = np.sort(record[:: max(1, record.size // 4096)])
    steps = np.diff(chosen)
    return float(steps[steps > 0].min(initial=float(np.ptp(record))))


def _crest_run(samples: Samples, sample_rate_hz: float, frequency_hz: float) -> float:
    """Samples that a sine stays on its outermost code, 2 acos(1 - step/amplitude) of a turn."""
    amplitude = float(np.ptp(samples)) / 2
    return sample_rate_hz / (pi * frequency_hz) * sqrt(2 * code_step(samples) / amplitude)


def _is_step_of_level(tone: Phasors, off: NDArray[np.float64], worst: int, limit: float) -> bool:
    """Whether the level of a tone steps where its phase does, which then is what it was."""
    before, after = max(worst - 1, 0), min(worst + 2, tone.size - 1)
    change = abs(log(float(abs(tone[after]) / abs(tone[before]))))
    return change > _LEVEL_STEP and abs(float(off[before:after].sum())) < limit


def _circular_middle(steps: NDArray[np.float64]) -> float:
    """Median of angles that may lie around the turn."""
    first = float(np.angle(np.exp(1j * steps).sum()))
    return first + float(np.median(np.angle(np.exp(1j * (steps - first)))))
