"""The status model of IEEE 488.2 clause 11 and SCPI-1999 volume 1, 9: registers and error queue."""

from collections import deque
from dataclasses import dataclass, field

from sim_instruments.scpi_errors import error_text, event_bit

QUEUE_LENGTH = 20
"""How many errors the queue holds; the last place is taken by -350 when more come."""

OPERATION_COMPLETE = 1
POWER_ON = 128
_OVERFLOW = -350

_ERROR_QUEUE_BIT = 4
_QUESTIONABLE_BIT = 8
_MESSAGE_AVAILABLE_BIT = 16
_EVENT_SUMMARY_BIT = 32
_MASTER_SUMMARY_BIT = 64
_OPERATION_BIT = 128
_REGISTER_MASK = 0x7FFF  # bit 15 is never used (SCPI-1999 volume 1, 9.2)


@dataclass(slots=True)
class StatusRegister:
    """A condition, the events latched from its rising bits, and which of them are summed up."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def observe(self, condition: int) -> None:
        """Take the condition as it is now and latch what has become true."""
        self.event |= condition & ~self.condition & _REGISTER_MASK
        self.condition = condition & _REGISTER_MASK

    def take_event(self) -> int:
        """The latched events; reading clears them."""
        event, self.event = self.event, 0
        return event

    def enable_bits(self, mask: int) -> None:
        """Choose the events that the status byte sums up."""
        self.enable = mask & _REGISTER_MASK

    @property
    def is_summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)


@dataclass(slots=True)
class Status:
    """One instrument's registers and its error queue."""

    errors: deque[int] = field(default_factory=deque)
    standard_event: int = POWER_ON
    standard_enable: int = 0
    service_enable: int = 0
    operation: StatusRegister = field(default_factory=StatusRegister)
    questionable: StatusRegister = field(default_factory=StatusRegister)

    def report(self, number: int) -> None:
        """Put an error into the queue and set the event bit of its class."""
        bit = event_bit(number)
        if bit is not None:
            self.standard_event |= 1 << bit
        if len(self.errors) < QUEUE_LENGTH:
            self.errors.append(number)
        else:
            self.errors[-1] = _OVERFLOW
            self.standard_event |= 1 << 3  # an overflow is a device-specific error

    def next_error(self) -> str:
        """The oldest error as SYSTem:ERRor? answers it; 0 when the queue is empty."""
        number = self.errors.popleft() if self.errors else 0
        return f'{number},"{error_text(number)}"'

    def take_standard_event(self) -> int:
        """The standard event status register; reading clears it."""
        event, self.standard_event = self.standard_event, 0
        return event

    def status_byte(self, *, has_answer: bool) -> int:
        """The status byte as *STB? answers it, with the master summary in bit 6."""
        byte = 0
        byte |= _ERROR_QUEUE_BIT if self.errors else 0
        byte |= _QUESTIONABLE_BIT if self.questionable.is_summary else 0
        byte |= _MESSAGE_AVAILABLE_BIT if has_answer else 0
        byte |= _EVENT_SUMMARY_BIT if self.standard_event & self.standard_enable else 0
        byte |= _OPERATION_BIT if self.operation.is_summary else 0
        byte |= _MASTER_SUMMARY_BIT if byte & self.service_enable else 0
        return byte

    def clear(self) -> None:
        """What *CLS clears: events and queue; enables and conditions stay."""
        self.errors.clear()
        self.standard_event = 0
        self.operation.event = 0
        self.questionable.event = 0

    def preset(self) -> None:
        """What STATus:PRESet does: the SCPI registers sum up nothing."""
        self.operation.enable_bits(0)
        self.questionable.enable_bits(0)
