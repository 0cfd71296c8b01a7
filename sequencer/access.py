"""The opened bench as steps see it: routes, waits, words. The only door to what energises."""

from collections.abc import Callable, Mapping

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
from sequencer.events import Answered, CautionAccepted, Energising, Event, Noted, Waiting
from sequencer.operator import Operator
from sequencer.steps.base import Load
from sequencer.unit_data import UnitData

# Guards look at the bench at least this often while a step waits.
GUARD_PERIOD_S = 10.0
# Inrush limiters must cool before mains comes on again (common practice, no source).
MAINS_OFF_TIME_S = 60.0
_BY_HAND = "The bench has no mains switch: switch the unit {state} by hand now."


class StepAccess:
    """BenchAccess for one run: adds the step's name to what it tells."""

    def __init__(
        self,
        bench: Bench,
        unit: UnitData,
        operator: Operator,
        emit: Callable[[Event], None],
        watch: Callable[[], None],
        given: Mapping[str, str],
    ) -> None:
        self._bench = bench
        self._operator = operator
        self._emit = emit
        self._watch = watch
        self._given = given
        self.unit = unit
        self.step = ""
        self._mains_off_s: float | None = None

    @property
    def load(self) -> Load:
        """The load on the bench."""
        return self._bench.spec.load

    @property
    def generator_ceiling_vrms(self) -> float:
        """Highest e.m.f. the bench file allows."""
        return self._bench.spec.generator_ceiling_vrms

    @property
    def generator(self) -> Generator:
        """The generator."""
        return self._bench.generator

    @property
    def analyser(self) -> Analyser:
        """The analyser."""
        return self._bench.analyser

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
        return self._bench.mains_switch

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

    def await_mains_rest(self) -> None:
        """Wait until mains may come on again after it went off (inrush limiters must cool)."""
        if self._mains_off_s is not None:
            self.wait(self._mains_off_s + MAINS_OFF_TIME_S - self.now_s())

    def switch_mains(self, on: bool) -> None:
        """Switch the unit's mains, on not before it has rested."""
        if on:
            self.await_mains_rest()
        if self.has(Role.MAINS_SWITCH):
            self.mains_switch.set_output(on)
        else:
            if on:
                self.energise("mains of the unit, by hand")
            self.acknowledge(_BY_HAND.format(state="on" if on else "off"))
        self._mains_off_s = None if on else self.now_s()

    def energise(self, what: str) -> None:
        """Announce it; sinks have it on disk when this returns."""
        self._emit(Energising(what=what))

    def wait(self, seconds: float) -> None:
        """Let bench time pass in slices, the guards watching between them."""
        left_s = seconds
        while left_s > 0.0:
            slice_s = min(left_s, GUARD_PERIOD_S)
            self._bench.clock.sleep(slice_s)
            left_s -= slice_s
            self._watch()
            if left_s > 0.0:
                self._emit(Waiting(step=self.step, left_s=left_s))

    def now_s(self) -> float:
        """Bench time in seconds."""
        return self._bench.clock.now_s()

    def note(self, text: str) -> None:
        """A remark for the person watching and for the record."""
        self._emit(Noted(step=self.step, text=text))

    def ask(self, question: str) -> str:
        """The operator's answer, recorded."""
        answer = self._operator.answer(question)
        self._emit(Answered(step=self.step, question=question, answer=answer))
        return answer

    def given(self, reading: str) -> str | None:
        """A reading that the job ticket gives beforehand, as written."""
        return self._given.get(reading)

    def acknowledge(self, caution: str) -> None:
        """Wait until the operator accepts, and record it."""
        self._operator.accept(caution)
        self._emit(CautionAccepted(caution=caution, accepted_by=self._operator.name))
