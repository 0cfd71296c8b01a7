"""The generator, spoken to through a command map.

Levels of the role are e.m.f.; the instrument's display may assume a load, so that it shows
load / (load + source impedance) of the e.m.f. What it assumes is asked (or stated by the map)
before the first level is sent.
"""

import math
from dataclasses import dataclass

from drivers.dialogue import Dialogue, Utterance
from drivers.errors import UnusableAnswer
from drivers.levels import is_decibel, level_from_unit, level_in_unit
from drivers.link import VisaLink
from drivers.registry import register
from drivers.roles import Identity, Role
from drivers.scpi_codec import parse_number_or_infinity
from drivers.settings import InstrumentSettings
from drivers.switching import output_switch

# Wider than any display's resolution (0.1 dB is 1.2 %), narrower than any confusion of units.
_READ_BACK_TOLERANCE = 0.02
_SMALLEST_CHECKED_VRMS = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class _TwoTone:
    """What is set: two tones, with their shares of the r.m.s. level of their sum."""

    lower_hz: float
    upper_hz: float
    lower_share: float
    upper_share: float


@register(Role.GENERATOR, "scpi", "mapped")
class MappedGenerator:
    """A generator that speaks the tongue of its command map."""

    def __init__(self, link: VisaLink, settings: InstrumentSettings) -> None:
        self._settings = settings
        self._map = settings.command_map
        self._dialogue = Dialogue(link, settings.command_map)
        self._output = output_switch(self._dialogue, "generator output")
        self._unit = self._map.choice("level_unit")
        self._noise_unit = self._map.choice("noise_level_unit")
        self._level_unit_now = self._unit
        self._two_tone: _TwoTone | None = None
        self._display_per_emf: float | None = None

    def prepare(self) -> Identity:
        """Check who answers, clear its state, learn which load its levels assume."""
        identity = self._dialogue.prepare(self._settings.identity)
        self._display_per_emf = self._asked_display_per_emf()
        return identity

    def set_sine(self, frequency_hz: float, level_vrms: float, *, offset_v: float = 0.0) -> None:
        """Set a sine of this e.m.f.; level 0 is silence with the source impedance in place."""
        _check_frequency(frequency_hz)
        offset_shown_v = offset_v * self._display_factor()
        setting = self._dialogue.setting(
            "set_sine",
            **_hz("frequency", frequency_hz),
            level=self._shown(level_vrms, self._unit),
            offset_v=offset_shown_v,
            offset_mv=offset_shown_v * 1e3,
        )
        self._set_checked("set_sine", setting, level_vrms, self._unit, frequency_hz)
        self._two_tone, self._level_unit_now = None, self._unit

    def set_level(self, level_vrms: float) -> None:
        """Change the level of the waveform that is set; of two tones, the r.m.s. of their sum."""
        if (tones := self._two_tone) is not None:
            self._send_two_tone(tones, level_vrms)
            return
        shown = self._shown(level_vrms, self._level_unit_now)
        setting = self._dialogue.setting("set_level", level=shown)
        self._set_checked("set_level", setting, level_vrms, self._level_unit_now)

    def set_two_tone(
        self, lower_hz: float, lower_vrms: float, upper_hz: float, upper_vrms: float
    ) -> None:
        """Set the sum of two sines, each with its own e.m.f."""
        _check_frequency(lower_hz)
        _check_frequency(upper_hz)
        _check_level(lower_vrms)
        _check_level(upper_vrms)
        sum_vrms = math.hypot(lower_vrms, upper_vrms)
        tones = _TwoTone(
            lower_hz=lower_hz,
            upper_hz=upper_hz,
            lower_share=lower_vrms / sum_vrms if sum_vrms else math.sqrt(0.5),
            upper_share=upper_vrms / sum_vrms if sum_vrms else math.sqrt(0.5),
        )
        self._send_two_tone(tones, sum_vrms)
        self._two_tone, self._level_unit_now = tones, self._unit

    def set_sweep(
        self, start_hz: float, stop_hz: float, duration_s: float, level_vrms: float
    ) -> None:
        """Set one exponential sweep, played once by start_sweep; silence before and after."""
        _check_frequency(start_hz)
        _check_frequency(stop_hz)
        if not 0 < duration_s < math.inf:
            raise ValueError(f"duration_s is {duration_s}, must be above 0")
        setting = self._dialogue.setting(
            "set_sweep",
            **_hz("start", start_hz),
            **_hz("stop", stop_hz),
            duration_s=duration_s,
            duration_ms=duration_s * 1e3,
            level=self._shown(level_vrms, self._unit),
        )
        self._set_checked("set_sweep", setting, level_vrms, self._unit)
        self._two_tone, self._level_unit_now = None, self._unit

    def start_sweep(self) -> None:
        """Play the sweep that is set, once, from its start; never sent twice."""
        self._dialogue.tell("start_sweep", energises=True)

    def set_programme_noise(self, level_vrms: float) -> None:
        """Set stationary noise with the spectrum of IEC 60268-1 clause 7."""
        shown = self._shown(level_vrms, self._noise_unit)
        self._dialogue.tell("set_programme_noise", level=shown)
        self._two_tone, self._level_unit_now = None, self._noise_unit

    def set_output(self, on: bool) -> None:
        """Switch the output and read back that it obeyed. Switching on is never repeated."""
        self._output.set(on)

    def is_output_on(self) -> bool:
        """State of the output as the instrument reports it."""
        return self._output.is_energised()

    def source_impedance_ohm(self) -> float:
        """Output impedance as the instrument reports it, or as its map states."""
        stated = self._map.number("source_impedance")
        if stated is not None:
            return stated
        return self._dialogue.ask("ask_source_impedance", self._dialogue.number)

    def assumed_load_ohm(self) -> float:
        """Load for which its level display is calibrated; inf for e.m.f. (high impedance)."""
        stated = self._map.number("assumed_load")
        if stated is not None:
            return stated
        return self._dialogue.ask("ask_assumed_load", self._load)

    def _load(self, answer: str) -> float:
        return parse_number_or_infinity(self._dialogue.plain(answer))

    def _display_factor(self) -> float:
        if self._display_per_emf is None:
            self._display_per_emf = self._asked_display_per_emf()
        return self._display_per_emf

    def _asked_display_per_emf(self) -> float:
        load_ohm = self.assumed_load_ohm()
        if math.isinf(load_ohm):
            return 1.0
        source_ohm = self.source_impedance_ohm()
        if load_ohm <= 0 or source_ohm < 0:
            problem = "loads and impedances must be above 0"
            raise self._dialogue.unusable("ask_assumed_load", f"{load_ohm:g}", problem)
        return load_ohm / (load_ohm + source_ohm)

    def _shown(self, level_vrms: float, unit: str) -> float:
        """What the instrument is told for an e.m.f."""
        _check_level(level_vrms)
        if level_vrms == 0 and is_decibel(unit):
            return self._map.number("silence_level") or 0.0
        return level_in_unit(level_vrms * self._display_factor(), unit)

    def _send_two_tone(self, tones: _TwoTone, sum_vrms: float) -> None:
        setting = self._dialogue.setting(
            "set_two_tone",
            **_hz("lower", tones.lower_hz),
            **_hz("upper", tones.upper_hz),
            lower_level=self._shown(sum_vrms * tones.lower_share, self._unit),
            upper_level=self._shown(sum_vrms * tones.upper_share, self._unit),
        )
        self._dialogue.run(setting, lambda _: None)

    def _set_checked(
        self,
        name: str,
        setting: list[Utterance],
        level_vrms: float,
        unit: str,
        frequency_hz: float | None = None,
    ) -> None:
        """Send a setting and compare what the instrument took with what was meant.

        unit is that of the waveform's level once it is set.
        """
        ask_level = self._dialogue.question_if_any("ask_level")
        ask_frequency = (
            [] if frequency_hz is None else self._dialogue.question_if_any("ask_frequency")
        )

        def read(answers: list[str]) -> list[float]:
            return [self._dialogue.number(answer) for answer in answers]

        taken = self._dialogue.run([*setting, *ask_level, *ask_frequency], read)
        if ask_level:
            self._check_level_taken(name, taken.pop(0), level_vrms, unit)
        if ask_frequency and frequency_hz is not None:
            self._check_frequency_taken(name, taken.pop(0), frequency_hz)

    def _check_level_taken(self, name: str, taken: float, level_vrms: float, unit: str) -> None:
        try:
            taken_vrms = level_from_unit(taken, unit) / self._display_factor()
        except ValueError as error:
            raise self._dialogue.unusable(name, f"{taken:g}", str(error)) from error
        allowed_vrms = max(level_vrms * _READ_BACK_TOLERANCE, _SMALLEST_CHECKED_VRMS)
        if abs(taken_vrms - level_vrms) > allowed_vrms:
            raise self._not_taken(name, taken, f"a level of {level_vrms:.6g} V rms was set")

    def _check_frequency_taken(self, name: str, taken: float, frequency_hz: float) -> None:
        if not math.isclose(taken, frequency_hz, rel_tol=1e-4):
            raise self._not_taken(name, taken, f"a frequency of {frequency_hz:.9g} Hz was set")

    def _not_taken(self, name: str, taken: float, problem: str) -> UnusableAnswer:
        return self._dialogue.unusable(name, f"{taken:g}", f"{problem}, the read-back differs")


def _hz(name: str, frequency_hz: float) -> dict[str, float]:
    return {f"{name}_hz": frequency_hz, f"{name}_khz": frequency_hz / 1e3}


def _check_frequency(frequency_hz: float) -> None:
    if not 0 < frequency_hz < math.inf:
        raise ValueError(f"frequency_hz is {frequency_hz}, must be above 0")


def _check_level(level_vrms: float) -> None:
    if not 0 <= level_vrms < math.inf:
        raise ValueError(f"level_vrms is {level_vrms}, must be 0 or above")
