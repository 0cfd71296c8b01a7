"""One SCPI-1999 instrument: executes program messages, keeps status, answers.

A message's units are carried out in order; an erroneous one is reported and skipped, those after
it are still carried out, and the answers of the queries among them go out as one line. A query that
fails answers nothing, so a message of which nothing else is a query stays unanswered.
"""

import math
import threading
from collections.abc import Callable, Iterable
from typing import Protocol

from sim_instruments.disturbances import Disturbance, Disturbances
from sim_instruments.refusals import Reason, Refused
from sim_instruments.replies import Overrun, Reply, disturbed_reply
from sim_instruments.scpi_errors import ScpiError
from sim_instruments.scpi_parameters import Block, Call, nr1, nr3, quoted
from sim_instruments.scpi_syntax import (
    Framer,
    Header,
    Kind,
    Token,
    parse_parameter,
    parse_unit,
    split_parameters,
    split_units,
)
from sim_instruments.scpi_tree import Answer, Command, CommandTree
from sim_instruments.shared_bench import SharedBench
from sim_instruments.status import OPERATION_COMPLETE, Status, StatusRegister

VERSION = "1999.0"

REFUSAL_NUMBERS = {
    Reason.OUT_OF_RANGE: -222,
    Reason.CONFLICT: -221,
    Reason.ILLEGAL_VALUE: -224,
    Reason.TRIGGER_IGNORED: -211,
    Reason.START_IGNORED: -213,
    Reason.NOTHING_THERE: -230,
}
_COUNT_LIMIT = 10**9
_SYSTEM_ERROR = -310
_OVERRUN = -363
_UNTERMINATED = -420
_INTERRUPTED = -410


class Device(Protocol):
    """What the common commands need of any instrument."""

    def reset(self) -> None:
        """Return to the state *RST stands for."""
        ...

    def busy_until_s(self) -> float:
        """Simulated time at which pending operations end; -inf when there are none."""
        ...


class Conditions(Protocol):
    """Bits of the two condition registers, as the instrument is now."""

    def operation(self) -> int:
        """Bits of STATus:OPERation."""
        ...

    def questionable(self) -> int:
        """Bits of STATus:QUEStionable."""
        ...


class NoConditions:
    """Conditions of an instrument that has none."""

    def operation(self) -> int:
        """No bit."""
        return 0

    def questionable(self) -> int:
        """No bit."""
        return 0


class _Exchange(threading.local):
    """What belongs to the message a client's thread is carrying out.

    Kept by thread: during a real wait the lock is free, and another client may be served.
    """

    def __init__(self) -> None:
        self.answers: list[bytes] = []
        self.is_scripting = False


class ScpiInstrument:
    """An instrument that speaks SCPI-1999 over a byte stream."""

    terminator = b"\n"

    def __init__(
        self,
        *,
        identity: str,
        device: Device,
        commands: Iterable[Command],
        bench: SharedBench,
        disturbances: Disturbances,
        conditions: Conditions | None = None,
        trigger: Command | None = None,
    ) -> None:
        self.status = Status()
        self._identity = identity
        self._device = device
        self._bench = bench
        self._disturbances = disturbances
        self._conditions = conditions if conditions is not None else NoConditions()
        self._is_completion_due = False
        self._exchange = _Exchange()
        self._common = {command.pattern: command for command in self._common_commands()}
        if trigger is not None:
            self._common[trigger.pattern] = trigger
        self.tree = CommandTree([*self._system_commands(), *commands])

    def framer(self) -> Framer:
        """A fresh cutter of messages for one client."""
        return Framer()

    def respond(self, message: bytes | Overrun) -> Reply:
        """Carry out one program message; the caller holds the bench's lock."""
        if self._disturbances.take(Disturbance.ERROR):
            self.status.report(_SYSTEM_ERROR)
        if isinstance(message, Overrun):
            self.status.report(_OVERRUN)
            return Reply()
        self._exchange.answers, self._exchange.is_scripting = [], False
        path: tuple[str, ...] = ()
        for unit in split_units(message):
            path = self._attempt(unit, path)
        answers = self._exchange.answers
        if not answers:
            return Reply()
        line = b";".join(answers) + self.terminator
        if (
            self._exchange.is_scripting
        ):  # misbehaviour begins with the message after the one that scripts it
            return Reply(line=line)
        has_block = any(isinstance(answer, Block) for answer in answers)
        return disturbed_reply(line, self._disturbances, has_block=has_block)

    def hung_up(self, leftover: bytes) -> None:
        """A client left; a query it never ended is an error (IEEE 488.2 6.3.2.2)."""
        if b"?" in leftover:
            self.status.report(_UNTERMINATED)

    def interrupted(self) -> None:
        """An answer could not be sent to its end (IEEE 488.2 6.3.2.3)."""
        self.status.report(_INTERRUPTED)

    def mark_scripted(self) -> None:
        """The message being carried out scripts misbehaviour; its own answer is spared."""
        self._exchange.is_scripting = True

    def observe(self) -> None:
        """Bring registers up to the present."""
        self.status.operation.observe(self._conditions.operation())
        self.status.questionable.observe(self._conditions.questionable())

    def _attempt(self, unit: str, path: tuple[str, ...]) -> tuple[str, ...]:
        """Carry out one unit, reporting what goes wrong; the path for the next one."""
        try:
            header, rest = parse_unit(unit)
            command, call, path = self._look_up(header, rest, path)
            self._complete()
            answer = command.handler(call)
            if answer is not None:
                self._exchange.answers.append(_as_bytes(answer))
        except ScpiError as error:
            self.status.report(error.number)
        except Refused as refusal:
            self.status.report(REFUSAL_NUMBERS[refusal.reason])
        self.status.operation.observe(self._conditions.operation())
        return path

    def _look_up(
        self, header: Header, rest: str, path: tuple[str, ...]
    ) -> tuple[Command, Call, tuple[str, ...]]:
        suffix, has_suffix = 1, False
        if header.is_common:
            name = f"*{header.mnemonics[0]}{'?' if header.is_query else ''}"
            command = self._common.get(name)
            if command is None:
                raise ScpiError(-113)
        else:
            match = self.tree.find(header, path)
            command, path = match.command, match.path
            suffix, has_suffix = match.suffix, match.has_suffix
        return command, Call(_tokens(command, rest), suffix, has_suffix), path

    def _complete(self) -> None:
        """Set the operation-complete bit that *OPC asked for, once operations have ended."""
        if self._is_completion_due and self._bench.world.now_s >= self._device.busy_until_s():
            self._is_completion_due = False
            self.status.standard_event |= OPERATION_COMPLETE

    def _common_commands(self) -> list[Command]:
        status = self.status
        return [
            Command("*IDN?", lambda _: self._identity),
            Command("*CLS", self._clear),
            Command("*RST", self._reset),
            Command("*ESE", self._set_standard_enable, 1, 1),
            Command("*ESE?", lambda _: nr1(status.standard_enable)),
            Command("*ESR?", lambda _: nr1(status.take_standard_event())),
            Command("*SRE", self._set_service_enable, 1, 1),
            Command("*SRE?", lambda _: nr1(status.service_enable)),
            Command("*STB?", self._status_byte),
            Command("*OPC", self._ask_completion),
            Command("*OPC?", self._wait_and_answer),
            Command("*WAI", self._wait),
            Command("*TST?", lambda _: "0"),
        ]

    def _system_commands(self) -> list[Command]:
        status = self.status
        return [
            Command("SYSTem:ERRor[:NEXT]?", lambda _: status.next_error()),
            Command("SYSTem:ERRor:COUNt?", lambda _: nr1(len(status.errors))),
            Command("SYSTem:VERSion?", lambda _: VERSION),
            Command("STATus:PRESet", lambda _: status.preset()),
            *self._register_commands("STATus:OPERation", status.operation),
            *self._register_commands("STATus:QUEStionable", status.questionable),
            *script_commands(self._disturbances, self.mark_scripted),
        ]

    def _register_commands(self, node: str, register: StatusRegister) -> list[Command]:
        def event(_: Call) -> str:
            self.observe()
            return nr1(register.take_event())

        def condition(_: Call) -> str:
            self.observe()
            return nr1(register.condition)

        def enable(call: Call) -> None:
            register.enable_bits(call.integer(0, 0, 65535))

        return [
            Command(f"{node}[:EVENt]?", event),
            Command(f"{node}:CONDition?", condition),
            Command(f"{node}:ENABle", enable, 1, 1),
            Command(f"{node}:ENABle?", lambda _: nr1(register.enable)),
        ]

    def _clear(self, _: Call) -> None:
        self._is_completion_due = False
        self.status.clear()

    def _reset(self, _: Call) -> None:
        self._is_completion_due = False
        self._device.reset()

    def _set_standard_enable(self, call: Call) -> None:
        self.status.standard_enable = call.integer(0, 0, 255)

    def _set_service_enable(self, call: Call) -> None:
        # Bit 6 is the summary itself and cannot be enabled (IEEE 488.2 11.3.2.3).
        self.status.service_enable = call.integer(0, 0, 255) & ~64

    def _status_byte(self, _: Call) -> str:
        self.observe()
        return nr1(self.status.status_byte(has_answer=bool(self._exchange.answers)))

    def _ask_completion(self, _: Call) -> None:
        self._is_completion_due = True
        self._complete()

    def _wait(self, _: Call) -> None:
        self._bench.wait_until(self._device.busy_until_s())
        self._complete()

    def _wait_and_answer(self, call: Call) -> str:
        self._wait(call)
        return "1"


def _tokens(command: Command, rest: str) -> tuple[Token, ...]:
    """The parameters of a command. Raises ScpiError for malformed ones, too many or too few."""
    tokens = tuple(parse_parameter(part) for part in split_parameters(rest))
    if len(tokens) > command.most:
        raise ScpiError(-108)
    if len(tokens) < command.least:
        raise ScpiError(-109)
    return tokens


def _as_bytes(answer: Answer) -> bytes:
    if isinstance(answer, bytes):
        return answer
    return (answer or "").encode("ascii")


def script_commands(disturbances: Disturbances, mark: Callable[[], None]) -> list[Command]:
    """DIAGnostic:DISTurb and its query, for one instrument's misbehaviour."""

    def script(call: Call) -> None:
        script_disturbance(call, disturbances)
        mark()

    def pending(_: Call) -> str:
        mark()
        return quoted(",".join(f"{kind} {due}" for kind, due in disturbances.pending().items()))

    return [
        Command("DIAGnostic:DISTurb", script, 1, 2),
        Command("DIAGnostic:DISTurb?", pending),
    ]


def script_disturbance(call: Call, disturbances: Disturbances) -> None:
    """Script what the call says: a kind with an optional count, or NONE.

    Raises ScpiError -224 for a kind unknown or impossible here.
    """
    if call.text(0).upper() == "NONE":
        disturbances.clear()
        return
    kind = Disturbance.__members__.get(call.text(0).upper())
    if kind is None or kind not in disturbances.possible:
        raise ScpiError(-224)
    count = call.integer(1, 1, _COUNT_LIMIT) if len(call) > 1 else 1
    disturbances.script(kind, count)


def clock_commands(bench: SharedBench) -> list[Command]:
    """DIAGnostic:CLOCk: read and move simulated time."""

    def advance(call: Call) -> None:
        seconds = call.number(0, {"S": 1.0, "SEC": 1.0, "MS": 1e-3})
        if not 0 <= seconds < math.inf:
            raise ScpiError(-222)
        bench.advance(seconds)

    return [
        Command("DIAGnostic:CLOCk[:TIME]?", lambda _: nr3(bench.world.now_s, 12)),
        Command("DIAGnostic:CLOCk:ADVance", advance, 1, 1),
    ]


class FaultSwitch:
    """Which service fault each simulated unit has been given, set over any port."""

    def __init__(self, bench: SharedBench, fault: str | None = None) -> None:
        self._bench = bench
        self._faults: dict[int, str | None] = {1: fault, 2: fault}

    def commands(self) -> list[Command]:
        """DIAGnostic:FAULt[1|2] "name[:severity]" or "NONE", and its query."""
        return [
            Command("DIAGnostic:FAULt{2}", self._set, 1, 1),
            Command("DIAGnostic:FAULt{2}?", self._get),
        ]

    def _set(self, call: Call) -> None:
        text = call.text(0)
        fault = None if text.upper() == "NONE" else text if _is_string(call) else text.lower()
        unit = call.suffix if call.has_suffix else None
        try:
            self._bench.world.set_fault(fault, unit)
        except ValueError as error:
            raise ScpiError(-224) from error
        for which in (1, 2) if unit is None else (unit,):
            self._faults[which] = fault

    def _get(self, call: Call) -> str:
        if call.has_suffix:
            return quoted(self._faults[call.suffix] or "NONE")
        names = dict.fromkeys(self._faults[unit] or "NONE" for unit in (1, 2))
        return ",".join(quoted(name) for name in names)


def _is_string(call: Call) -> bool:
    return call.tokens[0].kind is Kind.STRING
