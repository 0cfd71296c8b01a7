"""The `limits:` of a step, from YAML to Limit.

READING: one of {max: X}, {min: X}, {min: X, max: Y}, {nominal: X, tolerance: Y}, {within: X} (-X
to +X). X is a quantity in the reading's unit or hangs on another reading of the run: "6 dB above
h3", "10 mV above cold_offset/dc_offset", "2 times tone_1w/h2"; nominal may be another reading
itself. Y is a quantity or a percentage of nominal.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sequencer.errors import FileError
from sequencer.limits import Limit, Relative, is_fraction, is_signed
from sequencer.located_yaml import Node
from sequencer.quantities import did_you_mean, nearest, parse_number, parse_quantity
from sequencer.units import example_of, split_quantity

# Finds the step a reference means and the unit of its reading: (step or None for the own one,
# reading) -> (full step id, unit). Raises ValueError in words.
Locate = Callable[[str | None, str], tuple[str, str]]

LIMIT_KEYS = ("max", "min", "nominal", "tolerance", "within")
LIMIT_SHAPES = (
    {"max"},
    {"min"},
    {"min", "max"},
    {"nominal", "tolerance"},
    {"within"},
)
_DIMENSION_OF_UNIT: Mapping[str, str] = MappingProxyType(
    {
        "V": "voltage",
        "W": "power",
        "Hz": "frequency",
        "s": "time",
        "ohm": "resistance",
        "degC": "temperature",
        "K": "temperature_difference",
        "K/s": "temperature_rate",
        "dB": "decibel",
        "A": "current",
        "F": "capacitance",
        "V/rtHz": "noise_density",
        "1": "ratio",
    }
)
_AMPLITUDES = ("V", "A", "V/rtHz", "1")
_ABOVE_BELOW = re.compile(r"(?P<amount>\S.*?)\s+(?P<how>above|below)\s+(?P<other>\S+)")
_TIMES = re.compile(r"(?P<amount>\S+)\s+times\s+(?P<other>\S+)")
_REFERENCE = re.compile(r"(?:(?P<step>[A-Za-z0-9_.\-]+)/)?(?P<reading>[A-Za-z]\w*)")


def parse_limits(
    node: Node,
    *,
    unit_of: Callable[[str], str | None],
    named: Callable[[str], str] = str,
    known_readings: Iterable[str],
    locate: Locate,
) -> tuple[dict[str, Limit], list[FileError]]:
    """The limits of one step by reading, and every mistake in them.

    named gives the reading that a name means where that depends on the unit (hum_mains: hum_50).
    Mistaken limits are left out of the result.
    """
    if node.kind != "mapping":
        message = "limits: readings with their limits are wanted, such as thd: {max: 0.02 %}"
        return {}, [FileError(node.place, message)]
    limits: dict[str, Limit] = {}
    errors: list[FileError] = []
    for key, spec in node.entries:
        name = named(key.text)
        unit = unit_of(name)
        if unit is None:
            hint = _unknown_reading(key.text, tuple(known_readings))
            errors.append(FileError(key.place, hint))
            continue
        if name in limits:
            errors.append(FileError(key.place, f"{key.text}: {name} has its limit already"))
            continue
        reader = _Reader(reading=name, unit=unit, locate=locate)
        limit = reader.read(key, spec)
        errors += reader.errors
        if limit is not None and not reader.errors:
            limits[name] = limit
    return limits, errors


def _unknown_reading(name: str, known: tuple[str, ...]) -> str:
    if not known:
        return f'this kind of step gives no readings, so "{name}" can\'t be limited; remove it'
    return f'unknown reading "{name}"; {did_you_mean(name, known)}'


@dataclass(frozen=True, slots=True)
class _Bound:
    """One side of a limit as written: a number, or another reading with factor and offset."""

    number: float = 0.0
    other: Relative | None = None
    written: str = ""

    @property
    def absolute(self) -> float | None:
        return self.number if self.other is None else None

    def negated(self) -> "_Bound":
        if self.other is None:
            return _Bound(number=-self.number)
        return _Bound(other=_scaled(self.other, -self.other.factor, -self.other.offset))


def _scaled(other: Relative, factor: float, offset: float, *, magnitude: bool = True) -> Relative:
    return Relative(
        step=other.step,
        reading=other.reading,
        factor=factor,
        offset=offset,
        with_magnitude=magnitude,
        place=other.place,
    )


class _Reader:
    """Reads the limit of one reading and collects its mistakes."""

    def __init__(self, *, reading: str, unit: str, locate: Locate) -> None:
        self._reading = reading
        self._unit = unit
        self._locate = locate
        self.errors: list[FileError] = []

    def read(self, key: Node, spec: Node) -> Limit | None:
        """The limit, None when it is mistaken."""
        if spec.kind != "mapping":
            place = key.place if spec.is_empty else spec.place
            written = f" {spec.text}" if spec.kind == "scalar" and spec.text else " ..."
            self.errors.append(
                FileError(place, f"{key.text}: say which side; write {key.text}: {{max:{written}}}")
            )
            return None
        if not self._keys_are_right(key, spec):
            return None
        if spec.get("tolerance") is not None:
            limit = self._nominal(spec)
        elif spec.get("within") is not None:
            limit = self._within(spec)
        else:
            limit = self._sides(key, spec)
        return limit if not self.errors else None

    def _keys_are_right(self, key: Node, spec: Node) -> bool:
        for name, _ in spec.entries:
            if name.text not in LIMIT_KEYS:
                self.errors.append(FileError(name.place, _unknown_key(name.text)))
        if not self.errors and set(spec.keys()) not in LIMIT_SHAPES:
            together = " and ".join(spec.keys()) or "nothing"
            self.errors.append(
                FileError(
                    key.place,
                    f"{key.text}: {together} is no complete limit; write max, min, min and max, "
                    "nominal and tolerance, or within",
                )
            )
        return not self.errors

    def _sides(self, key: Node, spec: Node) -> Limit | None:
        low = self._bound(spec, "min")
        high = self._bound(spec, "max")
        written = tuple((name.text, value.text.strip()) for name, value in spec.entries)
        if self.errors:
            return None
        if is_signed(self._reading) and (low is None or high is None):
            self.errors.append(FileError(key.place, self._one_sided(spec)))
            return None
        limit = Limit(
            minimum=low.absolute if low else None,
            maximum=high.absolute if high else None,
            minimum_from=low.other if low else None,
            maximum_from=high.other if high else None,
            written=written,
        )
        if (
            limit.minimum is not None
            and limit.maximum is not None
            and limit.minimum > limit.maximum
        ):
            message = f"{key.text}: min is greater than max, so nothing can pass; exchange them"
            self.errors.append(FileError(spec.key_place("min"), message))
        return limit

    def _one_sided(self, spec: Node) -> str:
        (side, value), *_ = [(name.text, value.text) for name, value in spec.entries]
        beyond = "below" if side == "max" else "above"
        return (
            f"{self._reading}: it can lie on either side of zero, and however far {beyond} zero it "
            f"would pass a {side} alone; write {{within: {value.lstrip('+-')}}}, or min and max"
        )

    def _within(self, spec: Node) -> Limit | None:
        bound = self._bound(spec, "within")
        if bound is None:
            return None
        if bound.other is not None:
            other = bound.other
            bound = _Bound(other=_scaled(other, other.factor, other.offset), written=bound.written)
        elif bound.number < 0.0:
            place = spec.get("within") or spec
            message = f"within: is the distance from zero; write {bound.written.lstrip('-−')}"
            self.errors.append(FileError(place.place, message))
        low = bound.negated()
        return Limit(
            minimum=low.absolute,
            maximum=bound.absolute,
            minimum_from=low.other,
            maximum_from=bound.other,
            written=(("within", bound.written),),
        )

    def _nominal(self, spec: Node) -> Limit | None:
        nominal = self._bound(spec, "nominal")
        node = spec.get("tolerance")
        if nominal is None or node is None:
            return None
        try:
            factors, offset = self._tolerance(node.text)
            if node.kind != "scalar":
                raise ValueError("a quantity is wanted")
            low, high = _around(nominal, factors, offset)
        except ValueError as error:
            place = spec.key_place("tolerance") if node.is_empty else node.place
            self.errors.append(FileError(place, f"tolerance: {error}"))
            return None
        return Limit(
            minimum=low.absolute,
            maximum=high.absolute,
            minimum_from=low.other,
            maximum_from=high.other,
            written=(("nominal", nominal.written), ("tolerance", node.text.strip())),
        )

    def _tolerance(self, text: str) -> tuple[tuple[float, float], float]:
        """Factors for the lower and upper side, and the offset to both."""
        unit = _unit_in(text)
        if unit == "%" and self._unit == "dB":
            raise ValueError("a percentage of decibels means nothing; write dB, such as 0.5 dB")
        if unit in ("%", "ppm"):
            share = _not_negative(parse_quantity(text, "percentage"), text)
            return (1.0 - share, 1.0 + share), 0.0
        if unit == "dB" and self._unit in (*_AMPLITUDES, "W"):
            factor = self._db_factor(_not_negative(parse_quantity(text, "decibel"), text))
            return (1.0 / factor, factor), 0.0
        return (1.0, 1.0), _not_negative(self._difference(text), text)

    def _bound(self, spec: Node, key: str) -> _Bound | None:
        node = spec.get(key)
        if node is None:
            return None
        try:
            if node.kind != "scalar":
                raise ValueError("a quantity is wanted here")
            return self._parse(node, may_be_reading=key == "nominal")
        except ValueError as error:
            place = spec.key_place(key) if node.is_empty else node.place
            self.errors.append(FileError(place, f"{key}: {error}"))
            return None

    def _parse(self, node: Node, *, may_be_reading: bool) -> _Bound:
        text = " ".join(node.text.split())
        above_below, times = _ABOVE_BELOW.fullmatch(text), _TIMES.fullmatch(text)
        if above_below is not None:
            factor, offset = self._amount(above_below["amount"], above_below["how"])
            other, named = self._other(above_below["other"], node)
            written = f"{above_below['amount']} {above_below['how']} {named}"
        elif times is not None:
            factor, offset = self._multiple(times["amount"]), 0.0
            other, named = self._other(times["other"], node)
            written = f"{times['amount']} times {named}"
        elif may_be_reading and _REFERENCE.fullmatch(text):
            factor, offset = 1.0, 0.0
            other, written = self._other(text, node)
        else:
            return _Bound(number=self._quantity(text), written=text)
        relative = _scaled(other, factor, offset, magnitude=False)
        return _Bound(other=relative, written=written)

    def _quantity(self, text: str) -> float:
        if self._unit == "1":
            return self._dimensionless(text)
        value = parse_quantity(text, self._dimension())
        if value < 0.0 and self._unit in ("W", "Hz", "ohm", "s"):
            raise ValueError(f"{text} is below zero, which a reading in {self._unit} can't be")
        return value

    def _dimensionless(self, text: str) -> float:
        _, unit = split_quantity(text)
        if not is_fraction(self._reading):
            return parse_quantity(text, "ratio") if unit else parse_number(text)
        value = parse_quantity(text, "ratio")
        if value < 0.0:
            raise ValueError(f"{text} is below zero, which a part of the signal can't be")
        if value > 1.0:
            number = text.lstrip("+").split()[0]
            hint = f'; did you mean "-{text.lstrip("+")}"?' if "dB" in text else f" ({number})"
            raise ValueError(f"{text} is more than the whole signal{hint}")
        return value

    def _difference(self, text: str) -> float:
        """A quantity to be added, in the reading's unit."""
        if self._unit == "degC":
            return parse_quantity(text, "temperature_difference")
        return self._quantity(text)

    def _dimension(self) -> str:
        dimension = _DIMENSION_OF_UNIT.get(self._unit)
        if dimension is None:
            raise ValueError(f"readings in {self._unit} can't be limited")
        return dimension

    def _amount(self, text: str, how: str) -> tuple[float, float]:
        """Factor and offset of "6 dB above", "10 mV below", "10 % above"."""
        sign = 1.0 if how == "above" else -1.0
        unit = _unit_in(text)
        if unit == "dB" and self._unit != "dB":
            db = _not_negative(parse_quantity(text, "decibel"), text)
            return self._db_factor(sign * db), 0.0
        if unit == "%" and self._unit != "dB":
            if is_fraction(self._reading):
                raise ValueError(f'"{text}" of what? write "1.1 times NAME" or dB')
            return 1.0 + sign * _not_negative(parse_quantity(text, "percentage"), text), 0.0
        return 1.0, sign * _not_negative(self._difference(text), text)

    def _db_factor(self, db: float) -> float:
        if self._unit == "W":
            return float(10.0 ** (db / 10.0))
        if self._unit in _AMPLITUDES:
            return float(10.0 ** (db / 20.0))
        raise ValueError(f"dB mean nothing for a reading in {self._unit}; {self._example()}")

    def _example(self) -> str:
        dimension = _DIMENSION_OF_UNIT.get(self._unit, "ratio")
        return f"write for example {example_of(dimension, '5')}"

    def _multiple(self, text: str) -> float:
        if self._unit == "dB":
            raise ValueError('a multiple of decibels means nothing; write "3 dB above NAME"')
        factor = parse_number(text)
        if not factor > 0.0:
            raise ValueError(f"{text} times is not possible; write a number above zero")
        return factor

    def _other(self, text: str, node: Node) -> tuple[Relative, str]:
        """The other reading, and how it is named in full."""
        match = _REFERENCE.fullmatch(text)
        if match is None:
            raise ValueError(f'"{text}" is no reading; write NAME, or STEP/NAME of an earlier step')
        step, unit = self._locate(match["step"], match["reading"])
        if unit != self._unit:
            raise ValueError(
                f"{text} is in {unit}, {self._reading} in {self._unit}; they can't be compared"
            )
        if match["step"] is None and match["reading"] == self._reading:
            raise ValueError(f"{self._reading} can't be limited by itself")
        named = text if match["step"] is None else f"{step}/{match['reading']}"
        return Relative(step=step, reading=match["reading"], place=node.place), named


def _around(nominal: _Bound, factors: tuple[float, float], offset: float) -> tuple[_Bound, _Bound]:
    if nominal.other is not None:
        low, high = (
            _scaled(nominal.other, factor, side * offset, magnitude=False)
            for factor, side in zip(factors, (-1.0, 1.0), strict=True)
        )
        return _Bound(other=low), _Bound(other=high)
    if nominal.number == 0.0 and factors[0] != 1.0:
        raise ValueError("a percentage of nothing is nothing; write a quantity, or within")
    bounds = sorted((nominal.number * factors[0] - offset, nominal.number * factors[1] + offset))
    return _Bound(number=bounds[0]), _Bound(number=bounds[1])


def _unit_in(text: str) -> str:
    try:
        return split_quantity(text)[1]
    except ValueError:
        return ""


def _not_negative(value: float, text: str) -> float:
    if value < 0.0 or text.lstrip().startswith(("-", "−")):
        raise ValueError(f"{text} has a minus sign; write it without")
    return value


def _unknown_key(name: str) -> str:
    if name[:1].isdigit():
        return f'"{name}": a comma parts entries here; write decimals with a point, such as 2.5'
    close = nearest(name, LIMIT_KEYS)
    hint = f'did you mean "{close[0]}"?' if close else "known: " + ", ".join(LIMIT_KEYS)
    return f'unknown key "{name}"; {hint}'
