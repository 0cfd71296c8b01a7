"""The opened bench as steps see it: routes, waits, words. The only door to what energises."""

import math
from collections.abc import Callable, Mapping
from typing import Protocol

from drivers.errors import OperationMissing
from drivers.roles import (
    Analyser,
    Dmm,
    Generator,
    MainsSwitch,
    PowerMeter,
    Role,
    Router,
    Thermometer,
)
from sequencer.bench import Bench
from sequencer.bench_state import BenchState, NotedAnalyser, NotedGenerator, NotedMainsSwitch
from sequencer.errors import printable
from sequencer.events import Answered, CautionAccepted, Energising, Event, Noted, Waiting
from sequencer.operator import TRIES, Declined, Operator, is_done, is_yes
from sequencer.quantities import format_quantity
from sequencer.steps.base import Load, WiredWrong
from sequencer.unit_data import UnitData, suits_mains

# Guards look at the bench at least this often while a step waits.
GUARD_PERIOD_S = 10.0
# A record that takes so long is worth a word; one of more than a period of the guards is not taken
# blindly.
_LONG_RECORD_S = 5.0
# Waits shorter than this are for signals to settle; guards look at other moments.
_SHORT_WAIT_S = 1.0
# In real time whoever watches (screen, watchkeeper) is heard this often.
_REAL_SLICE_S = 1.0
# While a record runs a look must not push the end of a wait back: a look may take this long.
_LONGEST_LOOK_S = 3.0
# The bench's clock need not hit the end of a wait to the last digit.
_MOMENT_S = 1e-6
# Inrush limiters must cool before mains comes on again (common practice, no source).
MAINS_OFF_TIME_S = 60.0
# Below this a meter sees the unit's side of an open switch.
_NO_MAINS_V = 30.0
_NO_MAINS = (
    "the mains are switched on, but the power meter reads {volts:.0f} V: look for a blown fuse, an open "
    "socket or a plug that is out, and whether the unit is fed through the power meter"
)
# A power meter's mean of a voltage that has just come on is right within this (common practice, no
# source).
_METER_S = 3.0
_BY_HAND = "The bench has no mains switch: switch unit {serial} {state} by hand now."
_REMOVE_LOAD = (
    "The bench can't switch the load: see that no load is connected to the output of unit {serial} "
    "before its mains come on, for the DC is looked at without it (the meters stay connected)."
)
_CONNECT_LOAD = (
    "The DC at the output of unit {serial} has been looked at and nothing drives it: connect the load "
    "of {ohms} to its output now, by insulated plugs and without shorting it, for the unit is on."
)
_HAS_RESTED = (
    "The bench has no mains switch: has unit {serial} been switched off at the mains for "
    f"{MAINS_OFF_TIME_S:.0f} s or more? (yes/no; no asks you to switch it off now, and waits)"
)


class Guards(Protocol):
    """What watches over the run."""

    @property
    def shortest_period_s(self) -> float:
        """The longest wait without a look."""
        ...

    def look(self) -> None:
        """Look at the bench; raises GuardTripped where something is out of bounds."""
        ...


class StepAccess:
    """BenchAccess for one run: adds the step's name to what it tells."""

    def __init__(
        self,
        bench: Bench,
        unit: UnitData,
        operator: Operator,
        emit: Callable[[Event], None],
        guards: Guards,
        state: BenchState,
        given: Mapping[str, str],
        *,
        serial: str,
        is_load_left_on: bool = False,
    ) -> None:
        self._bench = bench
        self._serial = printable(serial)
        self._is_load_left_on = is_load_left_on
        self._operator = operator
        self._emit = emit
        self._guards = guards
        self._state = state
        self._given = given
        self.unit = unit
        self.step = ""
        self._load_at_begin: bool | None = None
        self._mains_off_s: float | None = None
        self._mains_by_hand = ""
        self._is_ready_for_mains = False
        self._record_until_s = -math.inf

    @property
    def load(self) -> Load:
        """The load on the bench."""
        return self._bench.spec.load

    @property
    def generator_ceiling_vrms(self) -> float:
        """Highest e.m.f. the bench file allows."""
        return self._bench.spec.generator_ceiling_vrms

    def can(self, role: Role, method: str) -> bool:
        """Whether the bench has this role, and its instrument this method of the role."""
        spec = self._bench.spec
        return spec.has(role) and method not in spec.instruments[role].missing_operations

    @property
    def generator(self) -> Generator:
        """The generator."""
        return NotedGenerator(self._bench.generator, self._state)

    @property
    def analyser(self) -> Analyser:
        """The analyser."""
        return NotedAnalyser(
            self._bench.analyser, self._state, self._record_begun, self._await_record
        )

    @property
    def dmm(self) -> Dmm:
        """The multimeter."""
        return self._bench.dmm

    @property
    def router(self) -> Router:
        """The router."""
        return self._bench.router

    @property
    def mains_switch(self) -> MainsSwitch:
        """The mains switch."""
        return NotedMainsSwitch(self._bench.mains_switch, self._state)

    @property
    def thermometer(self) -> Thermometer:
        """The thermometer."""
        return self._bench.thermometer

    @property
    def power_meter(self) -> PowerMeter:
        """The power meter."""
        return self._bench.power_meter

    def has(self, role: Role) -> bool:
        """Whether the bench has this role."""
        return self._bench.spec.has(role)

    def has_route(self, name: str) -> bool:
        """Whether the router has a channel of this name."""
        return name in self._bench.spec.routes

    def connect(self, route: str) -> None:
        """Close the router channel of this name."""
        self.router.close(self._bench.spec.routes[route])

    def disconnect(self, route: str) -> None:
        """Open the router channel of this name."""
        self.router.open(self._bench.spec.routes[route])

    def connect_load(self) -> None:
        """The load at the unit's output, whose DC was looked at: by its relay, else by hand.

        Where nobody is there it is connected all the time. Raises Declined.
        """
        if self.has_route("load"):
            self.connect("load")
        elif not self._is_load_left_on:
            ohms = format_quantity(self.load.resistance_ohm, "ohm")
            self.by_hand(_CONNECT_LOAD.format(ohms=ohms, serial=self._serial))

    def remove_load(self) -> None:
        """No load at the unit's output: by its relay, else by hand. Raises Declined.

        Where nobody is there it stays connected, which was accepted as a caution.
        """
        if self.has_route("load"):
            self.disconnect("load")
        elif not self._is_load_left_on:
            self.by_hand(_REMOVE_LOAD.format(serial=self._serial))

    def begin(self, step: str) -> None:
        """A step begins: its name, and how it finds the load."""
        self.step = step
        self._state.is_recording = False
        self._is_ready_for_mains = False
        self._load_at_begin = self._is_load_connected()

    def back_to_rest(self) -> None:
        """A step broke off: silence without offset, meters at the output, the load as it was.

        Raises InstrumentError where that can't be confirmed.
        """
        self._state.is_recording = False
        self.generator.set_sine(1000.0, 0.0)
        self.analyser.set_range(self.analyser.ranges_peak_v()[-1])
        for route in ("meter_output", "analyser_output"):
            if self.has_route(route):
                self.connect(route)
        if self._load_at_begin is not None and self._is_load_connected() != self._load_at_begin:
            (self.connect if self._load_at_begin else self.disconnect)("load")

    def _is_load_connected(self) -> bool | None:
        """State of the load's relay; None where the bench has none."""
        if not self.has_route("load"):
            return None
        return self.router.is_closed(self._bench.spec.routes["load"])

    def await_mains_rest(self) -> None:
        """Wait until mains may come on again after it went off (inrush limiters must cool).

        Where the bench has no mains switch and nothing is known, the operator is asked. Then what
        must hold before they come on: their voltage, as far as a meter shows it, and no standby
        command left from before.
        """
        self._await_rest()
        if not self._is_ready_for_mains:
            self._demand_mains_voltage()
            self._withdraw_standby()
            self._is_ready_for_mains = True

    def _await_rest(self) -> None:
        if self._mains_off_s is None and not self.has(Role.MAINS_SWITCH):
            self._have_switched_off()
        if self._mains_off_s is None:
            return
        left_s = self._mains_off_s + MAINS_OFF_TIME_S - self.now_s()
        if left_s > _SHORT_WAIT_S:
            self.note(
                f"the mains stay off for {left_s:.0f} s more: inrush limiters cool for "
                f"{MAINS_OFF_TIME_S:.0f} s before they come on"
            )
        self.wait(left_s)

    @property
    def mains_by_hand(self) -> str:
        """Why the mains, which no switch of the bench turns, are known to be off; empty if unknown."""
        return self._mains_by_hand

    def mains_not_switched_on_yet(self) -> None:
        """The run is at its beginning, and it is the run that has the unit switched on."""
        self._mains_by_hand = "unit not switched on in this run"

    def mains_found_off(self) -> None:
        """The mains switch was just seen off; how long before, nobody can tell."""
        self._state.is_mains_on = False
        self._mains_off_s = self.now_s()

    def demand_mains_off(self, what_for: str) -> None:
        """Go on only while the unit's mains are off, by the switch or by the operator's word.

        Raises WiredWrong when they are on.
        """
        if not self.has(Role.MAINS_SWITCH):
            if self._mains_off_s is None:
                self._have_switched_off()
        elif self.mains_switch.is_output_on():
            raise WiredWrong(f"the unit's mains are on, but {what_for} needs them off")

    def _have_switched_off(self) -> None:
        """Ask whether the unit has rested; if not, have it switched off, and count from then."""
        if is_yes(self._answered(_HAS_RESTED.format(serial=self._serial), is_yes)):
            self._mains_by_hand = self._confirmed_off()
            self._state.mains_are(False)
            self._mains_off_s = self.now_s() - MAINS_OFF_TIME_S
        else:
            self._have_switched("off")
            self._mains_off_s = self.now_s()

    def _have_switched(self, state: str) -> None:
        """Ask the operator to switch the mains.

        While he is asked they count as off: he may do it at any moment, and guards that judge a unit
        which is on would take a coming or going one for a faulty one.
        """
        self._mains_by_hand = ""
        self._state.mains_are(False)
        self.by_hand(_BY_HAND.format(serial=self._serial, state=state))
        self._state.mains_are(state == "on")
        self._mains_by_hand = self._confirmed_off() if state == "off" else ""

    def _confirmed_off(self) -> str:
        return f"unit switched off by hand, as {printable(self._operator.name)} confirmed"

    def switch_mains(self, on: bool) -> None:
        """Switch the unit's mains, on not before it has rested, and not on to a wrong voltage.

        Raises WiredWrong where the power meter shows another voltage than the unit's; a meter behind
        the switch can show that only when it is on.
        """
        if on:
            self.await_mains_rest()
        self._is_ready_for_mains = False
        if self.has(Role.MAINS_SWITCH):
            self.mains_switch.set_output(on)
        else:
            if on:
                self.energise("mains of the unit, by hand")
            self._have_switched("on" if on else "off")
        self._mains_off_s = None if on else self.now_s()
        if on:
            self._demand_mains_voltage(is_on=True)

    def _demand_mains_voltage(self, *, is_on: bool = False) -> None:
        """The mains, where a meter shows them, are the unit's; raises WiredWrong else.

        Before they come on a meter behind the switch shows none. Afterwards one that averages needs
        a moment to show as much as there is; too much is no matter of time.
        """
        if not self.can(Role.POWER_METER, "read_voltage_vrms"):
            return
        wanted = self.unit.mains_vrms
        volts = self.power_meter.read_voltage_vrms()
        until_s = self.now_s() + _METER_S
        while (
            is_on and volts < wanted and not suits_mains(volts, wanted) and self.now_s() < until_s
        ):
            self.wait(_METER_S / 10.0)
            volts = self.power_meter.read_voltage_vrms()
        if suits_mains(volts, wanted):
            return
        if volts < _NO_MAINS_V:
            if is_on:
                raise WiredWrong(_NO_MAINS.format(volts=volts))
        else:
            raise WiredWrong(
                f"the mains are at {volts:.0f} V, but the unit is one for {wanted:.0f} V (mains_voltage "
                "in its data): correct its data, or feed it from a transformer of the right voltage"
            )

    def _withdraw_standby(self) -> None:
        """No standby command stands that this step has not given: the unit would only look dead.

        Raises InstrumentError where that can't be confirmed.
        """
        if self._state.is_standby or not self.has(Role.MAINS_SWITCH):
            return
        try:
            was_found = self.mains_switch.withdraw_standby()
        except OperationMissing:
            return
        if was_found:
            self.note("the unit was found commanded to standby, and was commanded to operate first")

    def energise(self, what: str) -> None:
        """Announce it, the guards having looked; sinks have it on disk when this returns."""
        if not self._state.is_recording:
            self._guards.look()
        self._emit(Energising(what=what))

    def wait(self, seconds: float) -> None:
        """Let bench time pass in slices, the guards watching between them.

        What the guards take counts as waited. While a record runs they look only where the end of
        the wait does not move.
        """
        if seconds < _SHORT_WAIT_S:
            self._bench.clock.sleep(max(seconds, 0.0))
            return
        longest_s = min(GUARD_PERIOD_S, self._guards.shortest_period_s)
        if self._bench.spec.clock == "real":
            longest_s = _REAL_SLICE_S
        until_s = self.now_s() + seconds
        left_s = seconds
        while left_s > _MOMENT_S:
            self._bench.clock.sleep(min(left_s, longest_s))
            left_s = until_s - self.now_s()
            if left_s > _LONGEST_LOOK_S or not self._state.is_recording:
                self._guards.look()
                left_s = until_s - self.now_s()
            if left_s > _MOMENT_S:
                self._emit(Waiting(step=self.step, left_s=left_s))

    def look(self) -> None:
        """Let the guards look whose time has come."""
        self._guards.look()

    def _record_begun(self, seconds: float) -> None:
        self._record_until_s = self.now_s() + seconds if seconds >= _LONG_RECORD_S else -math.inf

    def _await_record(self) -> None:
        """Wait until a long record is there, the guards looking; of a shorter one only say so."""
        if math.isinf(self._record_until_s):
            return
        left_s = self._record_until_s - self.now_s()
        if left_s > GUARD_PERIOD_S:
            self.wait(left_s)
        elif left_s >= _LONG_RECORD_S:
            self._emit(Waiting(step=self.step, left_s=left_s))

    def now_s(self) -> float:
        """Bench time in seconds."""
        return self._bench.clock.now_s()

    def note(self, text: str) -> None:
        """A remark for the person watching and for the record."""
        self._emit(Noted(step=self.step, text=text))

    def ask(self, question: str) -> str:
        """The operator's answer, recorded; the guards look until it is there."""
        answer = self._operator.answer(question, self._guards.look)
        self._emit(Answered(step=self.step, question=question, answer=answer))
        return answer

    def given(self, reading: str) -> str | None:
        """A reading that the job ticket gives beforehand, as written."""
        return self._given.get(reading)

    def by_hand(self, what: str) -> None:
        """Ask the operator to do it; recorded as their answer.

        Raises NobodyThere when the run is unattended, Declined when the operator says no.
        """
        answer = self._answered(f"{what} (Enter when it is done, no to end the run)", is_done)
        if not is_done(answer):
            raise Declined(f'ended by the operator, who answered "{printable(answer, 40)}": {what}')

    def _answered(self, question: str, means: Callable[[str], bool | None]) -> str:
        """The operator's answer; one that means nothing is asked again, then taken for a no.

        Raises Declined.
        """
        asked = question
        for _ in range(TRIES):
            answer = self.ask(asked)
            if means(answer) is not None:
                return answer
            asked = f'"{printable(answer, 40)}" is no answer here. {question}'
        raise Declined(f"asked {TRIES} times without an answer that means something: {question}")

    def acknowledge(self, caution: str) -> None:
        """Wait until the operator accepts, the guards looking, and record it."""
        self._operator.accept(caution, self._guards.look)
        self._emit(CautionAccepted(caution=caution, accepted_by=self._operator.name))
