"""The job ticket: read, checked, and safe to show."""

import pytest

from sequencer.ticket import Stage, Ticket, clean_line, clean_text, read_ticket

FULL = """\
ticket: T-1042
customer: "O'Example & <Sons>"
serial: SB-0001
model: Mono 100
stage: as_found
operator: A. Bench
fault: |
  Hums after an hour.
  Left channel.
work:
  - "C12: replaced"
  - bias set to 26 mV
notes: none
unit:
  rated_power: 100 W
  load: 8 ohm
  gain: 29 dB
  output: bridged
"""


@pytest.fixture
def write(tmp_path):
    def written(text: str):
        path = tmp_path / "ticket.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


def test_a_ticket_is_read_as_written(write):
    ticket, _ = read_ticket(write(FULL))
    assert ticket.customer == "O'Example & <Sons>"
    assert ticket.stage is Stage.AS_FOUND
    assert ticket.fault == "Hums after an hour.\nLeft channel."
    assert ticket.work == ("C12: replaced", "bias set to 26 mV")
    assert dict(ticket.unit)["output"] == "bridged"
    assert ticket.to_json()["stage"] == "as_found"
    assert ticket.to_json()["unit"]["load"] == "8 ohm"


def test_everything_may_be_left_out(write):
    ticket, _ = read_ticket(write("serial: SB-0001\n"))
    assert ticket == Ticket(serial="SB-0001")
    assert ticket.stage is Stage.AS_LEFT


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("serail: 1\n", "1:1", 'did you mean "serial"?'),
        ("stage: before\n", "1:8", '"before" is unknown'),
        ("unit: {load: 8}\n", "1:14", 'load: 8 has no unit; write "8 ohm"'),
        ("unit: {lod: 8 ohm}\n", "1:8", 'did you mean "load"?'),
        ("unit: {load: 0 ohm}\n", "1:14", "write 0.5 ohm or more"),
        ("unit: {output: bridge}\n", "1:16", 'did you mean "bridged"?'),
        ("unit:\n", "1:1", "nothing is written here"),
        ("customer: no\n", "1:11", 'write "no" in quotes'),
        ("customer: null\n", "1:11", "means nothing"),
        ("customer: [a]\n", "1:11", "text is wanted"),
        (f"customer: {'x' * 121}\n", "1:11", "at most 120"),
        (f"notes: {'x' * 4001}\n", "1:8", "at most 4000"),
        ('customer: "a\\nb"\n', "1:11", "one line"),
        ('customer: "a\\e[2Jb"\n', "1:11", "control character"),
        ("work: one thing\n", "1:7", "a list"),
        ("work: [" + "a, " * 60 + "a]\n", "1:7", "61 lines are too many"),
        ("serial: 1\nserial: 2\n", "2:1", "written twice"),
        ("readings: {earth_bond: 0.12}\n", "1:24", '0.12 has no unit; write "0.12 ohm"'),
        ("readings: {earth_bnd: 0.12 ohm}\n", "1:12", 'did you mean "earth_bond"?'),
        ("readings: {earth_bond: 0.12 V}\n", "1:24", "a resistance is wanted"),
        ("readings: {insulation: -5 Mohm}\n", "1:24", "can't be below zero"),
        ("readings: {insulation: OL}\n", "1:24", 'such as ">500 Mohm"'),
        ("readings: {earth_bond: [1 ohm]}\n", "1:24", "text is wanted"),
        ("readings:\n", "1:1", "nothing is written here"),
        ("readings_of: {A: {earth_bnd: 0.12 ohm}}\n", "1:19", 'did you mean "earth_bond"?'),
        ("readings_of: {A: {earth_bond: 0.12}}\n", "1:31", 'write "0.12 ohm"'),
        (
            "serial: A\nreadings: {earth_bond: 1 ohm}\nreadings_of: {A: {earth_bond: 0.1 ohm}}\n",
            "3:19",
            "stands under readings too",
        ),
    ],
)
def test_mistakes_are_told_at_their_place(write, text, place, words):
    path = write(text)
    error = str(read_ticket(path)[1][0])
    assert error.startswith(f"{path}:{place}: ")
    assert words in error


def test_a_decimal_comma_is_told_as_such(write):
    _, errors = read_ticket(write("readings: {earth_bond: 0,12 ohm}\n"))
    assert any("write decimals with a point" in str(error) for error in errors)


def test_readings_as_testers_show_them_are_taken(write):
    ticket, _ = read_ticket(write('readings: {insulation: ">500 Mohm", earth_bond: <0.01 ohm}\n'))
    assert dict(ticket.readings) == {"insulation": ">500 Mohm", "earth_bond": "<0.01 ohm"}


def test_a_reading_that_can_t_be_taken_is_said_as_at_the_prompt(write):
    ticket, errors = read_ticket(write("readings: {earth_bond: none, insulation: None}\n"))
    assert errors == []
    assert dict(ticket.readings) == {"earth_bond": "none", "insulation": "None"}


@pytest.mark.parametrize("text", ["0 ohm", "<0 ohm"])
def test_an_earth_bond_of_nothing_is_refused_on_the_ticket_too(write, text):
    _, (error,) = read_ticket(write(f"readings: {{earth_bond: {text}}}\n"))
    assert (error.place.line, error.place.column) == (1, 24)
    assert "never exactly zero" in error.message


def test_all_mistakes_are_told_and_the_sound_unit_data_kept(write):
    path = write("readings: {bond: 1 ohm}\nunit: {load: 4 ohm, gain: 29}\nserail: 1\n")
    ticket, errors = read_ticket(path)
    assert [error.place.line for error in errors] == [1, 2, 3]
    assert ticket == Ticket(unit={"load": "4 ohm"})
    assert ticket.unit_places["load"].column == 14


def test_a_missing_ticket_is_told(tmp_path):
    ticket, (error,) = read_ticket(tmp_path / "none.yaml")
    assert ticket == Ticket()
    assert "no such file" in error.message


@pytest.mark.parametrize("text", ["a\x1b[2J", "a\x07", "a\u202eb", "a\ud800", "\x9b31m", "a\tb"])
def test_nothing_that_a_terminal_would_obey_gets_in(text):
    for clean in (clean_line, clean_text):
        with pytest.raises(ValueError, match=r"control character|not readable"):
            clean(text)


def test_lines_are_trimmed_and_texts_keep_their_breaks():
    assert clean_line("  SB-0001 \n") == "SB-0001"
    assert clean_text("a\nb\n") == "a\nb"
