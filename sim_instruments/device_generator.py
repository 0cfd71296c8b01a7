"""What the signal generator does, whatever tongue it is asked in. Levels are V rms."""

import math

from sim_instruments.disturbances import Disturbance, Disturbances
from sim_instruments.refusals import Reason, Refused
from sim_instruments.shared_bench import SharedBench

SHAPES = ("sine", "dual", "sweep", "noise")
OUTPUT_IMPEDANCE_OHM = 50.0
LEVEL_LIMIT_VRMS = 10.0
"""Greatest e.m.f."""

FREQUENCY_LIMITS_HZ = (1e-3, 1e6)
SWEEP_LIMITS_S = (1e-3, 3600.0)
LOAD_LIMITS_OHM = (1.0, 1e4)


class GeneratorDevice:
    """A low-distortion source of 50 ohm with two tones, one-shot sweep and programme noise.

    Levels and offset are what its display shows: volts across the load it has been told of. The
    e.m.f. is that times (load + 50) / load, so announcing a 50-ohm load doubles it.
    """

    def __init__(self, bench: SharedBench, disturbances: Disturbances) -> None:
        self._bench = bench
        self._disturbances = disturbances
        self._defaults()
        self._push()

    def _defaults(self) -> None:
        self.shape = "sine"
        self.frequencies_hz = [1000.0, 1000.0]
        self.levels_vrms = [0.0, 0.0]
        self.offset_v = 0.0
        self.is_output_on = False
        self.load_ohm = math.inf
        self.start_hz = 20.0
        self.stop_hz = 20000.0
        self.sweep_s = 1.0
        self._sweep_end_s = -math.inf

    def _push(self) -> None:
        self._bench.world.set_generator(
            shape=self.shape,
            frequency_hz=self.frequencies_hz[0],
            level_vrms=self.levels_vrms[0] * self.emf_factor,
            second_frequency_hz=self.frequencies_hz[1],
            second_level_vrms=self.levels_vrms[1] * self.emf_factor,
            offset_v=self.offset_v * self.emf_factor,
            output_on=self.is_output_on,
        )
        self._push_sweep()

    @property
    def emf_factor(self) -> float:
        """E.m.f. over displayed level."""
        if math.isinf(self.load_ohm):
            return 1.0
        return (self.load_ohm + OUTPUT_IMPEDANCE_OHM) / self.load_ohm

    @property
    def level_limit_vrms(self) -> float:
        """Greatest level that can be displayed with the load as announced."""
        return LEVEL_LIMIT_VRMS / self.emf_factor

    @property
    def is_driving(self) -> bool:
        """Whether the output is on and anything but zero."""
        levels = self.levels_vrms if self.shape == "dual" else self.levels_vrms[:1]
        return self.is_output_on and (any(levels) or self.offset_v != 0)

    def reset(self) -> None:
        """Sine 1 kHz at 0 V, output off, levels as e.m.f."""
        self._defaults()
        self._push()

    def set_shape(self, shape: str) -> None:
        """Choose one of SHAPES."""
        self.shape = shape
        self._bench.world.set_generator(shape=shape)

    def set_frequency(self, tone: int, frequency_hz: float) -> None:
        """Set tone 1, or 2 of the dual shape."""
        self.frequencies_hz[tone - 1] = _within(frequency_hz, *FREQUENCY_LIMITS_HZ)
        if tone == 1:
            self._bench.world.set_generator(frequency_hz=frequency_hz)
        else:
            self._bench.world.set_generator(second_frequency_hz=frequency_hz)

    def set_level(self, tone: int, level_vrms: float) -> None:
        """Set the level of tone 1 (or sweep, or noise), or of tone 2."""
        self.levels_vrms[tone - 1] = _within(level_vrms, 0.0, self.level_limit_vrms)
        emf_vrms = level_vrms * self.emf_factor
        if tone == 1:
            self._bench.world.set_generator(level_vrms=emf_vrms)
        else:
            self._bench.world.set_generator(second_level_vrms=emf_vrms)

    def set_offset(self, offset_v: float) -> None:
        """Set the DC that is added."""
        self.offset_v = _within(offset_v, -self.level_limit_vrms, self.level_limit_vrms)
        self._bench.world.set_generator(offset_v=offset_v * self.emf_factor)

    def set_load(self, load_ohm: float) -> None:
        """Announce the load levels are meant for; the displayed numbers stay, the e.m.f. follows.

        Raises Refused when a level that is set would need more e.m.f. than there is.
        """
        if not math.isinf(load_ohm):
            _within(load_ohm, *LOAD_LIMITS_OHM)
        before, self.load_ohm = self.load_ohm, load_ohm
        if max(*self.levels_vrms, abs(self.offset_v)) > self.level_limit_vrms:
            self.load_ohm = before
            raise Refused(Reason.CONFLICT)
        self._push()

    def set_sweep(
        self,
        *,
        start_hz: float | None = None,
        stop_hz: float | None = None,
        sweep_s: float | None = None,
    ) -> None:
        """Set any of the sweep's limits and its duration."""
        if start_hz is not None:
            self.start_hz = _within(start_hz, *FREQUENCY_LIMITS_HZ)
        if stop_hz is not None:
            self.stop_hz = _within(stop_hz, *FREQUENCY_LIMITS_HZ)
        if sweep_s is not None:
            self.sweep_s = _within(sweep_s, *SWEEP_LIMITS_S)
        self._push_sweep()

    def _push_sweep(self) -> None:
        # On the way from one pair of limits to another both may be equal: no sweep, yet no error.
        if self.start_hz != self.stop_hz:
            self._bench.world.set_generator(
                start_hz=self.start_hz, stop_hz=self.stop_hz, sweep_s=self.sweep_s
            )

    def trigger(self) -> None:
        """Play the sweep once. Raises Refused when another shape, or no span, is set."""
        if self.shape != "sweep":
            raise Refused(Reason.TRIGGER_IGNORED)
        if self.start_hz == self.stop_hz:
            raise Refused(Reason.CONFLICT)
        self._bench.world.play_sweep()
        self._sweep_end_s = self._bench.world.now_s + self.sweep_s

    def set_output(self, on: bool) -> None:
        """Switch the output."""
        if self._disturbances.take(Disturbance.STUCKRELAY):
            return
        self.is_output_on = on
        self._bench.world.set_generator(output_on=on)

    def is_sweeping(self) -> bool:
        """Whether a sweep is being played."""
        return self._bench.world.now_s < self._sweep_end_s

    def busy_until_s(self) -> float:
        """A sweep plays in the background: nothing waits for it."""
        return -math.inf


def _within(value: float, low: float, high: float) -> float:
    """The value. Raises Refused outside its limits (and for not-a-number)."""
    if not low <= value <= high:
        raise Refused(Reason.OUT_OF_RANGE)
    return value
