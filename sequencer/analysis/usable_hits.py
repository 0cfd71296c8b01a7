"""The hits of a record, and which of them can be used where it is cut off somewhere."""

from dataclasses import replace

import numpy as np

from sequencer.analysis.arrays import Samples
from sequencer.analysis.checks import require_duration, require_no_held_sample, require_usable
from sequencer.analysis.errors import CannotMeasure
from sequencer.analysis.ring_hum import RingHum
from sequencer.analysis.ring_stretches import BEFORE_HIT_S, LONG_ENOUGH, least_duration_s
from sequencer.analysis.tap_hits import Hit, find_hits

_CLEAR_S = 0.05  # after what was cut off


def usable_hits(
    record: Samples,
    sample_rate_hz: float,
    highest_hz: float,
    *,
    hum: RingHum | None,
    is_overrange: bool,
    range_peak_v: float | None,
) -> tuple[tuple[Hit, ...], CannotMeasure | None]:
    """The hits in order of time, those that are cut off, or follow that too soon, marked; and the
    refusal of a record that is cut off, for where nothing rings after the others.

    Parameters
    ----------
    record : shape (n,), V, finite
    highest_hz : upper edge of the band of modes
    hum : what no hit is to be looked for in
    range_peak_v : full scale of the converter, volts peak, where known

    Raises
    ------
    CannotMeasure : dropout, too_short; overrange, where no hit can be used
    """
    cut_off: CannotMeasure | None = None
    try:
        require_usable(record, is_overrange=is_overrange, range_peak_v=range_peak_v)
        require_usable(record)  # tops cut off inside the range are no ringing either
    except CannotMeasure as refusal:
        if refusal.code != "overrange" or is_overrange:
            raise
        cut_off = refusal
    least_s = least_duration_s(sample_rate_hz)
    what = "a hit and its ringing"
    require_duration(record, sample_rate_hz, least_s, what, remedy=LONG_ENOUGH)
    hits = find_hits(_without(hum, record, sample_rate_hz), sample_rate_hz, highest_hz)
    try:
        if cut_off is None:
            require_no_held_sample(record, hits[0].start, record.size)
    except CannotMeasure as refusal:
        if refusal.code != "overrange":
            raise
        cut_off = refusal
    if cut_off is None:
        return hits, None
    marked = _clean_ones_marked(record, sample_rate_hz, hits, range_peak_v)
    if not _any_clean(marked):
        # beside a tap too hard for the range the softer ones before it weren't seen as hits
        marked = with_earlier_hits(
            record,
            sample_rate_hz,
            marked,
            highest_hz,
            hum=hum,
            is_cut_off=True,
            range_peak_v=range_peak_v,
        )
    if not _any_clean(marked):
        raise cut_off
    return marked, cut_off


def with_earlier_hits(
    record: Samples,
    sample_rate_hz: float,
    hits: tuple[Hit, ...],
    highest_hz: float,
    *,
    hum: RingHum | None,
    is_cut_off: bool,
    range_peak_v: float | None,
) -> tuple[Hit, ...]:
    """The hits, and those too soft beside them to be seen that come before the first, if there's room.

    Parameters
    ----------
    is_cut_off : the record is, somewhere: which hits that concerns is marked

    Raises
    ------
    CannotMeasure : dropout
    """
    end = hits[0].start - int(BEFORE_HIT_S * sample_rate_hz)
    if end < least_duration_s(sample_rate_hz) * sample_rate_hz:
        return hits
    before = _without(hum, record[:end], sample_rate_hz)
    together = (*find_hits(before, sample_rate_hz, highest_hz), *hits)
    if not is_cut_off:
        return together
    return _clean_ones_marked(record, sample_rate_hz, together, range_peak_v)


def _without(hum: RingHum | None, record: Samples, sample_rate_hz: float) -> Samples:
    return record if hum is None else record - hum.volts(np.arange(record.size) / sample_rate_hz)


def _any_clean(hits: tuple[Hit, ...]) -> bool:
    return any(hit.is_clean for hit in hits)


def _clean_ones_marked(
    record: Samples,
    sample_rate_hz: float,
    hits: tuple[Hit, ...],
    range_peak_v: float | None,
) -> tuple[Hit, ...]:
    """The hits of a record that is cut off somewhere, with those marked that it doesn't concern.

    Raises
    ------
    CannotMeasure : dropout
    """
    at_limit = (record == record.min()) | (record == record.max())
    clear = int(_CLEAR_S * sample_rate_hz)
    ends = [*(hit.start - int(BEFORE_HIT_S * sample_rate_hz) for hit in hits[1:]), record.size]
    marked = []
    for hit, end in zip(hits, ends, strict=True):
        is_clean = not np.any(at_limit[max(hit.start - clear, 0) : end])
        if is_clean:
            try:
                require_usable(record[hit.start : end], range_peak_v=range_peak_v)
                require_usable(record[hit.start : end])
                require_no_held_sample(record, hit.start, end)
            except CannotMeasure as refusal:
                if refusal.code == "dropout":
                    raise
                is_clean = False
        marked.append(replace(hit, is_clean=is_clean))
    return tuple(marked)
