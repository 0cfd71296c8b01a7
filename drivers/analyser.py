"""The analyser (digitiser), spoken to through a command map.

A record counts only if it is the one that was started: the instrument's own count of records must
have risen by one with the start and still be there at the fetch. Where there is no count, a record
that equals the one before to the last bit is taken for stale, since two records of a real signal
never do.
"""

import hashlib
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.dialogue import Dialogue, Utterance
from drivers.levels import peak_from_unit, peak_in_unit
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role, Waveform
from drivers.scpi_codec import parse_whole_number, parse_word
from drivers.settings import InstrumentSettings
from drivers.waveforms import decoded_block, decoded_text, has_special_values, sample_bytes

_RANGE_TOLERANCE = 0.01
_RATE_TOLERANCE = 1e-6
_ASCII_BYTES_PER_SAMPLE = 40
# A converter clips one step below its range; the coarsest in use here has 8 bits.
_FULL_SCALE_SHARE = 0.999


@dataclass(frozen=True, slots=True, kw_only=True)
class _Started:
    """The record under way."""

    samples: int
    sample_rate_hz: float
    count: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Recorded:
    """What the instrument says about its record; None where it does not say."""

    count: int | None
    samples: int | None
    sample_rate_hz: float | None
    is_overrange: bool | None
    range_peak_v: float | None


@register(Role.ANALYSER, "scpi", "mapped")
class MappedAnalyser:
    """An analyser that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._link = link
        self._settings = settings
        self._map = settings.command_map
        self._dialogue = Dialogue(link, settings.command_map)
        self._range_unit = self._map.choice("range_unit")
        self._range_peak_v: float | None = None
        self._started: _Started | None = None
        self._last_digest: bytes | None = None

    def prepare(self) -> Identity:
        """Check who answers, clear its state, choose the form of records."""
        return self._dialogue.prepare(self._settings.identity)

    def ranges_peak_v(self) -> tuple[float, ...]:
        """Input ranges, volts peak, ascending."""
        return tuple(sorted(self._settings.ranges_peak_v))

    def sample_rates_hz(self) -> tuple[float, ...]:
        """Sample rates on offer, ascending."""
        return tuple(sorted(self._settings.sample_rates_hz))

    def channel_count(self) -> int:
        """1, or 2 when the second channel records the generator's drive."""
        return min(self._settings.channels, len(self._map.words("input_words")))

    def set_range(self, peak_v: float) -> float:
        """Take the smallest range that holds peak_v; returns the range taken, read back, V peak."""
        wanted_v = self._smallest_range(peak_v)
        setting = self._dialogue.setting(
            "set_range", range=peak_in_unit(wanted_v, self._range_unit)
        )
        ask = self._dialogue.question_if_any("ask_range")

        def read(answers: list[str]) -> float:
            return self._range(answers[0]) if answers else wanted_v

        self._range_peak_v = None
        taken_v = self._dialogue.run([*setting, *ask], read)
        if not math.isclose(taken_v, wanted_v, rel_tol=_RANGE_TOLERANCE):
            problem = f"the range of {wanted_v:g} V peak was set, the read-back differs"
            raise self._dialogue.unusable("set_range", f"{taken_v:g} V", problem)
        self._range_peak_v = wanted_v
        return wanted_v

    def start(self, samples: int, sample_rate_hz: float) -> None:
        """Begin a record now and return at once; both settings are read back."""
        if samples < 1:
            raise ValueError(f"samples is {samples}, must be 1 or more")
        if not 0 < sample_rate_hz < math.inf:
            raise ValueError(f"sample_rate_hz is {sample_rate_hz}, must be above 0")
        self._started = None
        points, rate_hz, before, after = self._start(samples, sample_rate_hz)
        self._check_record("start", samples, sample_rate_hz, points, rate_hz)
        if before is not None and after is not None and after != before + 1:
            answer = f"{before}, then {after}"
            raise self._dialogue.unusable("start", answer, "no new record was begun")
        self._started = _Started(samples=samples, sample_rate_hz=sample_rate_hz, count=after)

    def fetch(self, *, channels: int = 1) -> Waveform:
        """Wait for the record that was started and return it, volts.

        Raises UnusableAnswer for a record that is short, stale, at another rate or not numbers.
        """
        started = self._started
        if started is None:
            raise ValueError("no record was started")
        if not 1 <= channels <= self.channel_count():
            raise ValueError(f"channels is {channels}, must be 1 to {self.channel_count()}")
        recorded = self._recorded(started)
        range_peak_v = self._checked_range(recorded)
        inputs = self._map.words("input_words")[:channels]
        samples = np.stack([self._samples(word, started, range_peak_v) for word in inputs])
        return Waveform(
            samples=samples,
            sample_rate_hz=started.sample_rate_hz,
            range_peak_v=range_peak_v,
            is_overrange=self._is_overrange(recorded, samples[0], range_peak_v),
        )

    def _smallest_range(self, peak_v: float) -> float:
        for range_v in self.ranges_peak_v():
            if range_v >= peak_v * (1 - 1e-9):
                return range_v
        known = ", ".join(f"{range_v:g}" for range_v in self.ranges_peak_v())
        raise ValueError(f"peak_v is {peak_v:g}, no range holds it; ranges are {known} V peak")

    def _range(self, answer: str) -> float:
        return peak_from_unit(self._dialogue.number(answer), self._range_unit)

    def _rate(self, answer: str) -> float:
        return self._dialogue.number(answer) * (self._map.number("rate_scale") or 1.0)

    def _recorded_points(self, answer: str) -> str:
        return self._dialogue.field(answer, self._map.number("recorded_points_field"))

    def _recorded_rate(self, answer: str) -> str:
        return self._dialogue.field(answer, self._map.number("recorded_rate_field"))

    def _count(self, answer: str) -> int:
        return parse_whole_number(self._dialogue.plain(answer))

    def _start(
        self, samples: int, sample_rate_hz: float
    ) -> tuple[int | None, float | None, int | None, int | None]:
        """Set and start; returns points, rate, count before and count after as read back."""
        ask = self._dialogue.question_if_any
        count = ask("ask_record_count")
        ask_points, ask_rate = ask("ask_points"), ask("ask_rate")
        rate = {"rate_hz": sample_rate_hz, "rate_khz": sample_rate_hz / 1e3}
        whole = [
            *self._dialogue.setting("set_points", points=samples),
            *self._dialogue.setting("set_rate", **rate),
            *ask_points,
            *ask_rate,
            *count,
            *self._dialogue.setting("start"),
            *count,
        ]

        def read(
            answers: list[str],
        ) -> tuple[int | None, float | None, int | None, int | None]:
            left = iter(answers)
            points = self._count(next(left)) if ask_points else None
            rate_hz = self._rate(next(left)) if ask_rate else None
            before = self._count(next(left)) if count else None
            after = self._count(next(left)) if count else None
            return points, rate_hz, before, after

        return self._dialogue.run(whole, read)

    def _recorded(self, started: _Started) -> _Recorded:
        """Wait for the record and check that it is the one that was started."""
        recorded = self._asked_recorded(started)
        if started.count is not None and recorded.count != started.count:
            problem = f"record {started.count} was started, the record there is another"
            raise self._dialogue.unusable("ask_record_count", str(recorded.count), problem)
        self._check_record(
            "ask_waveform",
            started.samples,
            started.sample_rate_hz,
            recorded.samples,
            recorded.sample_rate_hz,
        )
        return recorded

    def _asked_recorded(self, started: _Started) -> _Recorded:
        names = (
            "wait",
            "ask_record_count",
            "ask_recorded_points",
            "ask_recorded_rate",
            "ask_overrange",
            "ask_range",
        )
        questions = [(name, self._dialogue.question_if_any(name)) for name in names]
        whole = [utterance for _, question in questions for utterance in question]
        asked = [name for name, question in questions if question]

        def read(answers: list[str]) -> _Recorded:
            said = dict(zip(asked, answers, strict=True))
            points, rate = said.get("ask_recorded_points"), said.get("ask_recorded_rate")
            count, peak = said.get("ask_record_count"), said.get("ask_range")
            over = said.get("ask_overrange")
            return _Recorded(
                count=None if count is None else self._count(count),
                samples=None if points is None else self._count(self._recorded_points(points)),
                sample_rate_hz=None if rate is None else self._rate(self._recorded_rate(rate)),
                is_overrange=None if over is None else self._overrange(over),
                range_peak_v=None if peak is None else self._range(peak),
            )

        if not whole:
            return read([])
        return self._dialogue.run(whole, read, timeout_s=self._longest_wait_s(started))

    def _longest_wait_s(self, started: _Started) -> float:
        return self._link.timeout_s + started.samples / started.sample_rate_hz

    def _check_record(
        self,
        name: str,
        samples: int,
        sample_rate_hz: float,
        samples_taken: int | None,
        rate_taken_hz: float | None,
    ) -> None:
        if samples_taken is not None and samples_taken != samples:
            problem = f"{samples} samples were asked for, the instrument has another number"
            raise self._dialogue.unusable(name, str(samples_taken), problem)
        if rate_taken_hz is not None and not math.isclose(
            rate_taken_hz, sample_rate_hz, rel_tol=_RATE_TOLERANCE
        ):
            problem = f"{sample_rate_hz:g} samples a second were asked for, the rate is another"
            raise self._dialogue.unusable(name, f"{rate_taken_hz:g}", problem)

    def _checked_range(self, recorded: _Recorded) -> float:
        """The range of the record: as read back, and the one that was set if one was."""
        told_v, set_v = recorded.range_peak_v, self._range_peak_v
        if told_v is None and set_v is None:
            raise ValueError("the range is not known: set it first")
        if told_v is None or set_v is None:
            return told_v or set_v or 0.0
        if not math.isclose(told_v, set_v, rel_tol=_RANGE_TOLERANCE):
            problem = f"the range was set to {set_v:g} V peak, the instrument has another"
            raise self._dialogue.unusable("ask_range", f"{told_v:g} V", problem)
        return set_v

    def _overrange(self, answer: str) -> bool:
        bit = self._map.number("overrange_bit")
        if bit is not None:
            return bool(self._count(answer) >> int(bit) & 1)
        yes, no = self._map.words("overrange_answers"), self._map.words("in_range_answers")
        return parse_word(answer, yes, no)

    def _is_overrange(
        self, recorded: _Recorded, samples: NDArray[np.float64], range_peak_v: float
    ) -> bool:
        peak_v = float(np.max(np.abs(samples)))
        if recorded.is_overrange is None:
            return peak_v >= range_peak_v * _FULL_SCALE_SHARE
        return recorded.is_overrange or peak_v > range_peak_v * (1 + _RANGE_TOLERANCE)

    def _samples(self, word: str, started: _Started, range_peak_v: float) -> NDArray[np.float64]:
        """The record of one input, volts."""
        raw = self._raw_samples(word, started)
        if len(raw) != started.samples:
            problem = f"{started.samples} samples were started, the record has another number"
            raise self._dialogue.unusable("ask_waveform", f"{len(raw)} samples", problem)
        if has_special_values(raw) or self._has_invalid_counts(raw):
            problem = "the record holds values that are not numbers"
            raise self._dialogue.unusable("ask_waveform", f"{len(raw)} samples", problem)
        if started.count is None and word == self._map.words("input_words")[0]:
            self._refuse_repeated(raw)
        return raw * self._scale(word, range_peak_v) + self._offset(word)

    def _has_invalid_counts(self, raw: NDArray[np.float64]) -> bool:
        invalid = self._map.number("invalid_count")
        return invalid is not None and bool(np.any(raw == invalid))

    def _refuse_repeated(self, raw: NDArray[np.float64]) -> None:
        digest = hashlib.sha256(raw.tobytes()).digest()
        if digest == self._last_digest:
            problem = "the record equals the one before to the last bit: it is stale"
            raise self._dialogue.unusable("ask_waveform", f"{len(raw)} samples", problem)
        self._last_digest = digest

    def _raw_samples(self, word: str, started: _Started) -> NDArray[np.float64]:
        *before, ask = self._dialogue.question("ask_waveform", input=word)
        if before:
            self._dialogue.run(before, lambda _: None)
        form = self._map.choice("waveform_form")
        wait_s = self._longest_wait_s(started)
        if form == "ascii":
            text = self._link.query(
                ask.text,
                timeout_s=wait_s,
                longest_bytes=started.samples * _ASCII_BYTES_PER_SAMPLE + 1000,
            )
            return self._decoded_text(ask, text)
        payload = self._link.query_block(
            ask.text, expected_bytes=started.samples * sample_bytes(form), timeout_s=wait_s
        )
        return decoded_block(payload, form, self._map.choice("byte_order"))

    def _decoded_text(self, ask: Utterance, text: str) -> NDArray[np.float64]:
        try:
            samples = self._dialogue.value_of(ask.text, text)
            return decoded_text(samples, self._map.choice("waveform_separator"))
        except ValueError as error:
            raise self._dialogue.unusable("ask_waveform", text[:80], str(error)) from error

    def _scale(self, word: str, range_peak_v: float) -> float:
        """Volts of one unit of a sample."""
        if self._dialogue.has("ask_waveform_scale"):
            return self._dialogue.ask("ask_waveform_scale", self._dialogue.number, input=word)
        full_scale = self._map.number("full_scale_count")
        if full_scale is not None:
            return range_peak_v / full_scale
        return self._map.number("waveform_scale") or 1.0

    def _offset(self, word: str) -> float:
        """Volts of the sample value 0."""
        if self._dialogue.has("ask_waveform_offset"):
            return self._dialogue.ask("ask_waveform_offset", self._dialogue.number, input=word)
        return self._map.number("waveform_offset") or 0.0
