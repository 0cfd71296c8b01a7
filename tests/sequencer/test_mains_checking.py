"""The bench's mains and the unit's: refused, confirmed by the figure, or read by a meter."""

from dataclasses import dataclass, field
from datetime import date

import pytest

from sequencer.bench_spec import load_bench
from sequencer.checking import plan, reasons_against
from sequencer.errors import BenchError, CapabilityMissing, Refused
from sequencer.operator import AcceptedBeforehand, Declined
from sequencer.procedure import load_procedure
from sequencer.session import Request, ask_cautions, operator_for
from sequencer.steps.registry import kinds

BENCH = """\
bench: corner bench
generator_ceiling: 2 V
load: {resistance: 8 ohm, continuous_power: 50 W}
independent_means: [emergency stop]
STATED
instruments:
  generator: {address: "TCPIP::127.0.0.1::1::SOCKET", calibration: {due: 2027-05-01}}
  analyser:
    address: TCPIP::127.0.0.1::2::SOCKET
    ranges: [1 V, 100 V]
    sample_rates: [48 kHz, 96 kHz]
    calibration: {due: 2027-05-01}
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET", calibration: {due: 2027-05-01}}
"""
METER = (
    '  power_meter: {address: "TCPIP::127.0.0.1::4::SOCKET", calibration: {due: 2027-05-01}MAP}\n'
)
WITHOUT_VOLTS = ", commands: {read_voltage: null}"
SWITCH = '  mains_switch: {address: "TCPIP::127.0.0.1::5::SOCKET"}\n'
START = "{id: start, kind: power_on}"
TONE = "{id: tone, kind: tone, level: 1 W}"
TODAY = date(2027, 1, 1)


@pytest.fixture
def planned(tmp_path):
    """The plan of some steps for a unit on a bench; stated is the bench file's line."""

    def make(*steps, unit="", stated="", meter="", name=None, refuse=False):
        procedure = tmp_path / "p.yaml"
        head = (
            f"procedure: p\nunit: {{rated_power: 100 W, load: 8 ohm, gain: 29 dB{unit}}}\nsteps:\n"
        )
        procedure.write_text(head + "".join(f"  - {step}\n" for step in steps or (START, TONE)))
        bench = tmp_path / "bench.yaml"
        bench.write_text(BENCH.replace("STATED\n", stated and f"{stated}\n") + meter)
        arguments = load_procedure(procedure, registry=kinds()), load_bench(bench, name=name)
        if not refuse:
            return plan(*arguments, kinds(), today=TODAY)
        with pytest.raises(CapabilityMissing) as caught:
            plan(*arguments, kinds(), today=TODAY)
        return caught.value.errors

    return make


@pytest.mark.parametrize(
    ("stated", "wanted", "goes_on"),
    # EN 50160: 10 % above to 15 % below the nominal voltage, from memory.
    [
        ("230 V", "120 V", False),
        ("120 V", "230 V", False),
        ("100 V", "120 V", False),
        ("230 V", "240 V", True),
        ("117 V", "120 V", True),
        ("230 V", "200 V", True),
        ("231 V", "200 V", False),
    ],
)
def test_a_unit_for_other_mains_than_the_bench_states_is_refused(planned, stated, wanted, goes_on):
    arguments = {"unit": f", mains_voltage: {wanted}", "stated": f"mains_voltage: {stated}"}
    if goes_on:
        found = planned(**arguments)
        assert found.cautions == ()
        return
    (error,) = planned(**arguments, refuse=True)
    assert error.message.startswith(f"mains_voltage: the bench has mains of {stated}, ")
    assert f"the unit is one for {wanted} (" in error.message
    assert "p.yaml:2:" in error.message
    assert (error.place.file.endswith("bench.yaml"), error.place.line) == (True, 5)


def test_a_unit_whose_mains_nobody_wrote_down_is_taken_for_230_v_and_that_is_said(planned):
    (error,) = planned(stated="mains_voltage: 120 V", refuse=True)
    assert "one for 230 V where its mains_voltage is not written" in error.message


def test_the_simulated_bench_can_t_be_mended_so_the_unit_s_line_is_shown(planned):
    (error,) = planned(
        unit=", mains_voltage: 120 V", stated="mains_voltage: 230 V", name="sim", refuse=True
    )
    assert error.place.file.endswith("p.yaml")
    assert "the simulated bench has mains of 230 V" in error.message


def test_what_switches_no_mains_on_is_not_held_up(planned):
    rest = "{id: rest, kind: wait, time: 1 s}"
    found = planned(rest, unit=", mains_voltage: 120 V", stated="mains_voltage: 230 V")
    assert found.cautions == ()
    assert planned(rest, unit=", mains_voltage: 120 V").cautions == ()


@pytest.mark.parametrize(
    ("stated", "meter", "asks"),
    [
        ("", "", True),
        ("", METER.replace("MAP", WITHOUT_VOLTS), True),
        ("", METER.replace("MAP", ""), False),
        ("mains_voltage: 120 V", "", False),
        ("mains_voltage: 120 V", METER.replace("MAP", WITHOUT_VOLTS), False),
    ],
)
def test_mains_that_nothing_states_or_reads_are_confirmed_by_the_figure(
    planned, stated, meter, asks
):
    found = planned(unit=", mains_voltage: 120 V", stated=stated, meter=meter)
    assert len(found.cautions) == asks
    told = [remark for remark in found.remarks if "voltage of this bench's mains" in remark]
    assert len(told) == asks
    if asks:
        assert "The mains must be 120 V" in found.cautions[0]
        assert "one for 120 V" in told[0]
        assert "write mains_voltage in the bench file" in told[0]


@pytest.mark.parametrize(
    "step",
    [
        "{id: again, kind: repeat, count: 2, steps: [{id: start, kind: power_on}]}",
        "{id: settling, kind: servo_settling}",
    ],
)
def test_whatever_switches_on_asks(planned, step):
    assert planned(step).cautions


def test_standby_switches_on_too_unless_it_is_left_out(planned):
    standby = "{id: standby, kind: standby_power}"
    without_volts = METER.replace("MAP", WITHOUT_VOLTS)
    assert planned(standby, meter=without_volts + SWITCH).cautions
    assert planned(standby, meter=SWITCH).cautions == ()


@pytest.mark.parametrize("written", ["230", "9 V", "501 V", "230 W", "0 V"])
def test_a_voltage_that_can_t_be_mains_is_a_mistake_of_the_bench_file(planned, written):
    with pytest.raises(BenchError) as caught:
        planned(stated=f"mains_voltage: {written}")
    assert {error.place.line for error in caught.value.errors} == {5}


def test_a_voltage_that_is_open_stands_against_no_unit(tmp_path):
    """A mistake in the bench file leaves open what was meant."""
    from sequencer.bench_spec import read_bench

    procedure = tmp_path / "p.yaml"
    procedure.write_text(
        "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB, mains_voltage: 120 V}\n"
        f"steps:\n  - {START}\n"
    )
    bench = tmp_path / "bench.yaml"
    for written, count in (("230", 0), ("230 V", 1)):
        text = BENCH.replace("STATED", f"mains_voltage: {written}\ncolour: red")
        bench.write_text(text)
        read = read_bench(bench)
        assert read.errors
        found = reasons_against(
            [load_procedure(procedure, registry=kinds())], read.possible, kinds(), today=TODAY
        )
        assert len([each for each in found if "mains_voltage" in each.message]) == count


@dataclass
class Person:
    """Accepts the standing cautions, and the others if told to."""

    accepts: bool
    name: str = "a person"
    shown: list[str] = field(default_factory=list)

    def accept(self, caution, meanwhile=None):
        self.shown.append(caution)
        if "The mains must be" in caution and not self.accepts:
            raise Declined(caution)

    def answer(self, question, meanwhile=None):
        raise AssertionError(question)


def test_the_operator_confirms_the_voltage_or_nothing_is_switched_on(planned):
    cautions = planned(unit=", mains_voltage: 120 V").cautions
    accepted = ask_cautions(person := Person(accepts=True), cautions)
    assert accepted[-1].caution == person.shown[-1] == cautions[0]
    with pytest.raises(Refused, match="nothing was switched on") as caught:
        ask_cautions(Person(accepts=False), cautions)
    assert caught.value.code == "cautions"


def test_cautions_accepted_in_the_bench_file_do_not_confirm_it_for_a_person_who_is_there(
    planned, tmp_path
):
    """Another unit may be on the bench today."""
    cautions = planned(stated="cautions_accepted: {by: N. N., when: 2026-12-01}").cautions
    bench = load_bench(tmp_path / "bench.yaml")
    request = Request(procedure="p", bench="b", out=tmp_path)
    ask_cautions(operator_for(request, bench, person := Person(accepts=True)), cautions)
    assert person.shown == list(cautions)


def test_unattended_it_is_accepted_as_the_other_cautions_are(planned):
    cautions = planned().cautions
    accepted = ask_cautions(AcceptedBeforehand("N. N."), cautions)
    assert (accepted[-1].caution, accepted[-1].accepted_by) == (cautions[0], "N. N.")
