"""The opened bench: drivers by role, and its clock.

The bench owns the one resource manager and every link; a driver never opens or closes anything.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from typing import cast

import pyvisa

from drivers.link import Exchange, LinkSettings, VisaLink
from drivers.registry import make
from drivers.roles import (
    Analyser,
    Dmm,
    Generator,
    Instrument,
    MainsSwitch,
    PowerMeter,
    Role,
    Router,
    Thermometer,
)
from drivers.settings import link_settings
from sequencer.bench_spec import BenchSpec, InstrumentSpec
from sequencer.clock import Clock, RealClock, SimulatedClock, real_monotonic_s
from sequencer.errors import BenchError, CapabilityMissing

# A long wait of hours moves many states of the simulated bench.
_CLOCK_TIMEOUT_S = 60.0
# Generator, then mains, within 5 s also when one of them is dead: an exchange and a reconnection.
_HURRY_S = 0.6


class Bench:
    """The opened bench: drivers by role, and its clock."""

    def __init__(
        self,
        spec: BenchSpec,
        instruments: Mapping[Role, Instrument],
        clock: Clock,
        links: Sequence[VisaLink] = (),
    ) -> None:
        self.spec = spec
        self.instruments = instruments
        self.clock = clock
        self._links = links

    @contextmanager
    def hurried(self, turn: int, *, attempts: int = 1) -> Iterator[None]:
        """Within it no instrument is waited for long, so that a dead one can't hold up the rest.

        The patience grows with each turn, from 0, up to what the bench file allows. attempts are those
        of each exchange.
        """
        patience_s = _HURRY_S * 3.0**turn
        with ExitStack() as stack:
            for link in self._links:
                stack.enter_context(link.limited(timeout_s=patience_s, attempts=attempts))
            yield

    def prove(self, role: Role) -> None:
        """Prove that the instrument of a role still answers.

        Raises InstrumentError when it does not. One with a driver of the user's own is passed over:
        how it is reached is that driver's affair.
        """
        if ":" in self.spec.instruments[role].driver:
            return
        for link in self._links:
            if link.role == role.value:
                link.prove()

    def _of(self, role: Role) -> Instrument:
        try:
            return self.instruments[role]
        except KeyError:
            raise CapabilityMissing(f"the bench has no {role.value}") from None

    @property
    def generator(self) -> Generator:
        """The generator."""
        return cast(Generator, self._of(Role.GENERATOR))

    @property
    def analyser(self) -> Analyser:
        """The analyser."""
        return cast(Analyser, self._of(Role.ANALYSER))

    @property
    def dmm(self) -> Dmm:
        """The multimeter."""
        return cast(Dmm, self._of(Role.DMM))

    @property
    def router(self) -> Router:
        """The router."""
        return cast(Router, self._of(Role.ROUTER))

    @property
    def mains_switch(self) -> MainsSwitch:
        """The mains switch."""
        return cast(MainsSwitch, self._of(Role.MAINS_SWITCH))

    @property
    def thermometer(self) -> Thermometer:
        """The thermometer."""
        return cast(Thermometer, self._of(Role.THERMOMETER))

    @property
    def power_meter(self) -> PowerMeter:
        """The power meter."""
        return cast(PowerMeter, self._of(Role.POWER_METER))


class _Drivers(Mapping[Role, Instrument]):
    """The drivers of a bench, each made when it is first asked for."""

    def __init__(self, makers: Mapping[Role, Callable[[], Instrument]]) -> None:
        self._makers = makers
        self._made: dict[Role, Instrument] = {}

    def __getitem__(self, role: Role) -> Instrument:
        if role not in self._made:
            self._made[role] = self._makers[role]()
        return self._made[role]

    def __contains__(self, role: object) -> bool:
        return role in self._makers

    def __iter__(self) -> Iterator[Role]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)


@contextmanager
def open_bench(
    spec: BenchSpec,
    on_exchange: Callable[[Exchange], None],
    on_energise: Callable[[str, str], None],
    *,
    is_lazy: bool = False,
) -> Iterator[Bench]:
    """The bench with a link to each instrument; sessions open on first use and close at exit.

    is_lazy: a driver is made only when it is used, so that one which can't be stands in no other's way.

    on_exchange hears of each message to an instrument after its answer and before the next one;
    on_energise(role, command) just before a command that energises is sent.
    """
    with ExitStack() as stack:
        managers: dict[str, pyvisa.ResourceManager] = {}
        for backend in {instrument.backend for instrument in spec.instruments.values()}:
            managers[backend] = resource_manager(backend)
        makers: dict[Role, Callable[[], Instrument]] = {}
        links: list[VisaLink] = []
        for role, instrument in spec.instruments.items():
            link = stack.enter_context(
                _closing(_link(instrument, managers[instrument.backend], on_exchange, on_energise))
            )
            links.append(link)
            makers[role] = partial(make, role, instrument.driver, link, instrument.settings)
        instruments = _Drivers(makers)
        if not is_lazy:
            for role in instruments:
                instruments[role]
        clock: Clock = RealClock()
        if spec.clock == "simulated":
            clock = SimulatedClock(stack.enter_context(_closing(_clock_link(spec, managers))).query)
        yield Bench(spec, instruments, clock, links)


def resource_manager(backend: str) -> pyvisa.ResourceManager:
    """The resource manager of a VISA backend.

    pyvisa has one of each backend in a process and closes it as the process ends; whoever closed it
    here would end every other session of the process.

    Raises BenchError when the backend can't be used.
    """
    try:
        return pyvisa.ResourceManager(backend)
    except Exception as error:  # backends fail with whatever they like (transport notes)
        raise BenchError(f"the VISA backend {backend!r} can't be used: {error}") from error


@contextmanager
def _closing(link: VisaLink) -> Iterator[VisaLink]:
    """The link, closed afterwards but opened only on first use."""
    try:
        yield link
    finally:
        link.close()


def _link(
    spec: InstrumentSpec,
    manager: pyvisa.ResourceManager,
    on_exchange: Callable[[Exchange], None],
    on_energise: Callable[[str, str], None],
) -> VisaLink:
    return VisaLink(
        manager,
        spec.role.value,
        spec.address,
        link_settings(spec.settings.command_map, timeout_s=spec.timeout_s),
        on_exchange=on_exchange,
        on_energise=on_energise,
        monotonic=real_monotonic_s,
    )


def _clock_link(spec: BenchSpec, managers: Mapping[str, pyvisa.ResourceManager]) -> VisaLink:
    manager = managers.get(spec.backend) or next(iter(managers.values()))
    settings = LinkSettings(timeout_s=_CLOCK_TIMEOUT_S)
    return VisaLink(
        manager, "clock", spec.clock_address or "", settings, monotonic=real_monotonic_s
    )
