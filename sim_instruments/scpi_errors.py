"""The standard error/event numbers, their texts, and the event bit each class sets.

Source: SCPI-1999 volume 2, chapter 21 (SYSTem:ERRor); classes as in IEEE 488.2 clause 11.5.1.
"""

from types import MappingProxyType

ERROR_TEXTS = MappingProxyType(
    {
        0: "No error",
        -100: "Command error",
        -101: "Invalid character",
        -102: "Syntax error",
        -103: "Invalid separator",
        -104: "Data type error",
        -105: "GET not allowed",
        -108: "Parameter not allowed",
        -109: "Missing parameter",
        -110: "Command header error",
        -111: "Header separator error",
        -112: "Program mnemonic too long",
        -113: "Undefined header",
        -114: "Header suffix out of range",
        -115: "Unexpected number of parameters",
        -120: "Numeric data error",
        -121: "Invalid character in number",
        -123: "Exponent too large",
        -124: "Too many digits",
        -128: "Numeric data not allowed",
        -130: "Suffix error",
        -131: "Invalid suffix",
        -134: "Suffix too long",
        -138: "Suffix not allowed",
        -140: "Character data error",
        -141: "Invalid character data",
        -144: "Character data too long",
        -148: "Character data not allowed",
        -150: "String data error",
        -151: "Invalid string data",
        -158: "String data not allowed",
        -160: "Block data error",
        -161: "Invalid block data",
        -168: "Block data not allowed",
        -170: "Expression error",
        -171: "Invalid expression",
        -178: "Expression data not allowed",
        -200: "Execution error",
        -201: "Invalid while in local",
        -202: "Settings lost due to rtl",
        -203: "Command protected",
        -210: "Trigger error",
        -211: "Trigger ignored",
        -212: "Arm ignored",
        -213: "Init ignored",
        -214: "Trigger deadlock",
        -215: "Arm deadlock",
        -220: "Parameter error",
        -221: "Settings conflict",
        -222: "Data out of range",
        -223: "Too much data",
        -224: "Illegal parameter value",
        -225: "Out of memory",
        -226: "Lists not same length",
        -230: "Data corrupt or stale",
        -231: "Data questionable",
        -240: "Hardware error",
        -241: "Hardware missing",
        -300: "Device-specific error",
        -310: "System error",
        -311: "Memory error",
        -313: "Calibration memory lost",
        -314: "Save/recall memory lost",
        -315: "Configuration memory lost",
        -320: "Storage fault",
        -321: "Out of memory",
        -330: "Self-test failed",
        -340: "Calibration failed",
        -350: "Queue overflow",
        -360: "Communication error",
        -361: "Parity error in program message",
        -362: "Framing error in program message",
        -363: "Input buffer overrun",
        -365: "Time out error",
        -400: "Query error",
        -410: "Query INTERRUPTED",
        -420: "Query UNTERMINATED",
        -430: "Query DEADLOCKED",
        -440: "Query UNTERMINATED after indefinite response",
        -500: "Power on",
        -600: "User request",
        -700: "Request control",
        -800: "Operation complete",
    }
)

_EVENT_BITS = MappingProxyType({1: 5, 2: 4, 3: 3, 4: 2, 5: 7, 6: 6, 7: 1, 8: 0})
_DEVICE_ERROR_BIT = 3


class ScpiError(Exception):
    """A program message unit could not be parsed or carried out; number is the standard one."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(f"{number}, {error_text(number)}")


def error_text(number: int) -> str:
    """The standard text of an error number; the text of its class where the number is unknown."""
    known = ERROR_TEXTS.get(number)
    if known is not None:
        return known
    return ERROR_TEXTS.get(-(-number // 100) * 100, "Device-specific error")


def event_bit(number: int) -> int | None:
    """The bit of the standard event status register that an error sets; None for 0, no error."""
    if number == 0:
        return None
    if number > 0:
        return _DEVICE_ERROR_BIT
    return _EVENT_BITS.get(-number // 100)
