"""A number that the operator reads on an instrument of his own: asked for, kept, found again."""

from sequencer.captures import Capture, single_reading
from sequencer.limits import rectangular
from sequencer.operator import TRIES
from sequencer.operator_readings import ASKED, NONE, Answer, is_none, parse_answer
from sequencer.quantities import format_quantity
from sequencer.steps.base import BenchAccess, Finding, not_found
from sequencer.wording import name_text

OPERATOR = "operator"
_LEAST, _MOST = "is_least", "is_most"


def ask_for(bench: BenchAccess, reading: str, text: str) -> Capture | None:
    """The reading, from the job ticket or else asked for with this text; None where there is none.

    An answer that is no such reading is asked for again.
    """
    given = bench.given(reading)
    for _ in range(TRIES):
        answer = given or bench.ask(_question(reading, text))
        if is_none(answer):
            return None
        try:
            capture = answer_capture(reading, answer)
        except ValueError as error:
            where = "the job ticket's reading: " if given else ""
            bench.note(f"{where}{error}")
            given = None
            continue
        bench.note(f"{name_text(reading)}: {_words(reading, parse_answer(reading, answer))}")
        return capture
    return None


def answer_capture(reading: str, text: str) -> Capture:
    """An answer as the record keeps it.

    Raises ValueError with a sentence that says what would be right.
    """
    answer = parse_answer(reading, text)
    flags = ((_LEAST, answer.is_least), (_MOST, answer.is_most))
    facts = {name: 1.0 for name, holds in flags if holds}
    return single_reading(reading, OPERATOR, answer.value, facts)


def found_by_operator(reading: str, capture: Capture | None, accuracy: float) -> Finding:
    """The number as read, or the bound, widened by the accuracy of the operator's instrument.

    accuracy is a fraction of the reading, the half-width of what is stated.
    """
    unit = ASKED[reading].unit
    if capture is None:
        return not_found(reading, unit, "the operator gave no reading")
    value = float(capture.first[0])
    tolerance = accuracy * abs(value)
    if capture.facts.get(_LEAST):
        return Finding(name=reading, unit=unit, value=None, lower_bound=value - tolerance)
    if capture.facts.get(_MOST):
        return Finding(name=reading, unit=unit, value=None, upper_bound=value + tolerance)
    doubt = rectangular(tolerance)
    return Finding(name=reading, unit=unit, value=value, standard_uncertainty=doubt)


def _question(reading: str, text: str) -> str:
    asked = ASKED[reading]
    return (
        f"{text} (such as {asked.example}, or {asked.over_range} when it is over range; "
        f"{NONE} if it can't be read)"
    )


def _words(reading: str, answer: Answer) -> str:
    bound = "at least " if answer.is_least else "at most " if answer.is_most else ""
    return bound + format_quantity(answer.value, ASKED[reading].unit)
