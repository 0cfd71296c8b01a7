"""Slow state of one amplifier: power, relay, heat, offset. Moved in closed form or large steps."""

import math
from dataclasses import dataclass

import numpy as np

from sim_instruments import servo, thermal
from sim_instruments.amplifier import Amplifier, crossover_at
from sim_instruments.faults import with_fault
from sim_instruments.parameters import UnitParameters
from sim_instruments.servo import OffsetState
from sim_instruments.thermal import Drive, Heat

RAIL_RISE_S = 0.15
RAIL_FALL_S = 2.0
REFERENCE_RISE_K = 10.2
"""Rise of the junctions above ambient in an idling unit, where gain has its nominal value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """One unit at one moment, as records and meters see it."""

    number: int
    parameters: UnitParameters
    amplifier: Amplifier
    is_powered: bool
    is_through: bool
    """Whether the mute relay is closed."""
    closed_at_s: float
    bias_a: float
    raw_v: float
    offset: OffsetState
    rail_share: float
    spur_hz: float


class Unit:
    """One amplifier of the pair. Times are simulated seconds."""

    def __init__(self, number: int, healthy: UnitParameters, ambient_c: float, seed: int) -> None:
        self.number = number
        self.healthy = healthy
        self.fault: str | None = None
        self.parameters = healthy
        self.heat = Heat(sink_c=ambient_c)
        self.powered_at_s: float | None = None
        self.closed_at_s: float | None = None
        self.is_cut_out = False
        self._ambient_c = ambient_c
        self._seed = seed
        self._now_s = 0.0
        self._offset = OffsetState(offset_v=0.0, slope_v_per_s=0.0)
        self._closings = 0
        self._rail_share = 0.0
        self._spur_warmth = 0.0

    @property
    def rise_k(self) -> float:
        """Heatsink above ambient."""
        return self.heat.sink_c - self._ambient_c

    @property
    def is_powered(self) -> bool:
        """Whether its rails are up."""
        return self.powered_at_s is not None

    @property
    def is_through(self) -> bool:
        """Whether its mute relay is closed."""
        return self.closed_at_s is not None

    @property
    def bias_a(self) -> float:
        """Bias current, 0 when off."""
        return thermal.bias_a(self.parameters.thermal, self.rise_k) if self.is_powered else 0.0

    @property
    def next_event_s(self) -> float:
        """When its relay will close, inf if it won't."""
        if self.powered_at_s is None or self.is_through:
            return math.inf
        return self.powered_at_s + self.parameters.servo.relay_delay_s

    def set_fault(self, fault: str | None) -> None:
        """Take on a fault, or None to be healthy; slow states carry on."""
        self.parameters = with_fault(self.healthy, fault)
        self.fault = fault

    def switch(self, on: bool) -> None:
        """Power up (relay closes later), or down (relay opens at once)."""
        if on == self.is_powered:
            return
        self.powered_at_s = self._now_s if on else None
        self.closed_at_s = None

    def set_time(self, now_s: float) -> None:
        """Take over the world's time exactly, so that rounding doesn't add up."""
        self._now_s = now_s

    def release_cut_out(self) -> None:
        """Let the thermal cut-out be reset by switching off."""
        self.is_cut_out = False

    def advance(self, seconds: float, drive: Drive, has_standby: bool) -> float:
        """Let time pass, at most to the next own event; returns the time that passed."""
        seconds = min(seconds, max(self.next_event_s - self._now_s, 0.0))
        heat, passed = thermal.after(
            self.parameters.thermal,
            self.heat,
            ambient_c=self._ambient_c,
            drive=drive if self.is_powered else None,
            seconds=seconds,
        )
        self._settle(passed, has_standby)
        self.heat = heat
        self._now_s += passed
        self._advance_offset(passed)
        if passed < seconds:
            self.is_cut_out = True
            self.switch(False)
        if self.next_event_s <= self._now_s + 1e-9:
            self._close_relay()
        return passed

    def advance_idle(self, seconds: float) -> None:
        """Let time pass for a unit that is off and not on the bench."""
        self.heat, _ = thermal.after(
            self.parameters.thermal,
            self.heat,
            ambient_c=self._ambient_c,
            drive=None,
            seconds=seconds,
        )
        self._settle(seconds, has_standby=False)
        self._now_s += seconds

    def view(self, load_ohm: float) -> UnitView:
        """The unit as it is now, with this load at its terminals."""
        parameters = self.parameters
        bias = self.bias_a
        path = parameters.path
        warmth = self.rise_k + self.heat.junction_rise_k - REFERENCE_RISE_K
        gain = path.gain * 10.0 ** (path.gain_drift_db_per_k * warmth / 20.0)
        nominal = parameters.thermal.bias_nominal_a
        amplifier = Amplifier(
            path=path,
            output=parameters.output,
            servo=parameters.servo,
            crossover=crossover_at(max(bias, 1e-3), nominal, path),
            gain=gain,
            load_ohm=load_ohm,
            contact_factor=self._contact_factor(),
        )
        spur = parameters.spur
        return UnitView(
            number=self.number,
            parameters=parameters,
            amplifier=amplifier,
            is_powered=self.is_powered,
            is_through=self.is_through,
            closed_at_s=-math.inf if self.closed_at_s is None else self.closed_at_s,
            bias_a=bias,
            raw_v=self._raw_v(),
            offset=self._offset,
            rail_share=self._rail_share,
            spur_hz=spur.frequency_hz * (1.0 + spur.warm_up_shift * self._spur_warmth),
        )

    def _raw_v(self) -> float:
        parameters = self.parameters.servo
        return parameters.raw_v + parameters.raw_per_k * self.rise_k

    def _advance_offset(self, seconds: float) -> None:
        if self.is_through:
            self._offset = servo.state_after(
                self.parameters.servo, self._raw_v(), self._offset, seconds
            )

    def _close_relay(self) -> None:
        self.closed_at_s = self._now_s
        self._closings += 1
        self._offset = servo.offset_at_relay(self.parameters.servo, self._raw_v())

    def _contact_factor(self) -> float:
        scatter = self.parameters.output.contact_scatter
        if not scatter or self._closings < 2:
            return 1.0
        rng = np.random.default_rng([self._seed, 6, self.number, self._closings])
        return float(np.exp(np.clip(rng.normal(0.0, scatter), -0.5, 0.5)))

    def _settle(self, seconds: float, has_standby: bool) -> None:
        """Rails and the standby supply's warmth, both plain exponentials."""
        tau, target = (RAIL_RISE_S, 1.0) if self.is_powered else (RAIL_FALL_S, 0.0)
        self._rail_share = target + (self._rail_share - target) * math.exp(-seconds / tau)
        warm = 1.0 if self.is_powered or has_standby else 0.0
        decay = math.exp(-seconds / self.parameters.spur.warm_up_s)
        self._spur_warmth = warm + (self._spur_warmth - warm) * decay
