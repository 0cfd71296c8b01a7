"""Around a run: who answers, what is asked, and what a series of units needs of the bench."""

import json
import shutil
import signal
from contextlib import ExitStack
from dataclasses import replace
from datetime import date

import pytest

from sequencer.bench_spec import load_bench
from sequencer.cautions import CAUTIONS, Acceptance
from sequencer.errors import Interrupted, Refused, Stopped
from sequencer.limits import Verdict
from sequencer.matching import Match
from sequencer.operator import Declined, NobodyThere
from sequencer.pairing import run_pair
from sequencer.reporting import write_report_again
from sequencer.reservation import reserved
from sequencer.session import Request, ask_cautions, bench_file, operator_for, prepared
from sequencer.verifying import verify_all

BENCH = """\
bench: three boxes
generator_ceiling: 2 V
load: {resistance: 8 ohm, continuous_power: 200 W}
independent_means: [emergency stop]
instruments:
  generator: {address: "TCPIP::127.0.0.1::1::SOCKET"}
  analyser: {address: "TCPIP::127.0.0.1::2::SOCKET", ranges: [1 V], sample_rates: [48 kHz]}
  dmm: {address: "TCPIP::127.0.0.1::3::SOCKET"}
"""


class Person:
    """Somebody at the terminal who declines from a certain caution on."""

    name = "a person"

    def __init__(self, declines_at=None):
        self.shown = []
        self.declines_at = declines_at

    def accept(self, caution, meanwhile=None):
        self.shown.append(caution)
        if len(self.shown) - 1 == self.declines_at:
            raise Declined("no")

    def answer(self, question, meanwhile=None):
        self.shown.append(question)
        return "an answer"


@pytest.fixture
def spec(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH, encoding="utf-8")
    return load_bench(path)


@pytest.fixture
def request_(tmp_path):
    return Request(procedure="p.yaml", bench=str(tmp_path / "bench.yaml"), out=tmp_path / "out")


def test_an_attended_run_asks_the_person_everything(request_, spec):
    person = Person()
    assert operator_for(request_, spec, person) is person


def test_an_unattended_run_needs_the_cautions_accepted(request_, spec):
    with pytest.raises(Refused) as caught:
        operator_for(replace(request_, is_unattended=True), spec, Person())
    assert (caught.value.code, caught.value.exit_code) == ("cautions", 2)


def test_the_acceptance_is_recorded_by_name_from_the_command_or_the_bench_file(request_, spec):
    unattended = replace(request_, is_unattended=True)
    by_command = operator_for(replace(unattended, accepted_by="the command"), spec, Person())
    accepted = replace(
        spec, acceptance=Acceptance(accepted_by="the file", accepted_on=date.today())
    )
    by_file = operator_for(unattended, accepted, Person())
    assert {each.accepted_by for each in ask_cautions(by_command)} == {"the command"}
    assert {each.accepted_by for each in ask_cautions(by_file)} == {"the file"}


def test_what_a_person_accepts_and_answers_at_the_bench_bears_his_name(request_, spec):
    """The standing cautions were accepted by another, beforehand."""
    operator = operator_for(replace(request_, accepted_by="the command"), spec, Person())
    names = [each.accepted_by for each in ask_cautions(operator, ["of the plan"])]
    assert set(names[:-1]) == {"the command"}
    assert (names[-1], operator.name) == ("a person", "a person")


def test_an_unattended_run_has_nobody_to_answer(request_, spec):
    operator = operator_for(
        replace(request_, is_unattended=True, accepted_by="x"), spec, person := Person()
    )
    with pytest.raises(NobodyThere, match="Is it warm"):
        operator.answer("Is it warm?")
    assert person.shown == []


def test_accepted_beforehand_a_person_still_sees_what_a_step_warns_of(request_, spec):
    person = Person()
    operator = operator_for(replace(request_, accepted_by="x"), spec, person)
    ask_cautions(operator)
    assert person.shown == []
    operator.accept("The cover is off from here on.")
    assert operator.answer("Is it warm?") == "an answer"
    assert person.shown == ["The cover is off from here on.", "Is it warm?"]


def test_every_caution_is_asked_once_and_recorded(request_):
    person = Person()
    accepted = ask_cautions(person)
    assert person.shown == list(CAUTIONS)
    assert [each.caution for each in accepted] == list(CAUTIONS)


@pytest.mark.parametrize("at", range(len(CAUTIONS)))
def test_one_caution_declined_refuses_the_run(at):
    with pytest.raises(Refused, match="nothing was switched on"):
        ask_cautions(Person(declines_at=at))


@pytest.mark.parametrize(
    "words",
    ["local codes", "licensed", "mains", "reservoir capacitors", "load", "hot", "dc at the output"],
)
def test_the_cautions_name_what_can_hurt(words):
    # Mains and stored energy, load rated and connected, hot surfaces, DC check before the load,
    # local codes and licensed practice first.
    assert words in " ".join(CAUTIONS).lower()


def test_local_codes_come_first():
    assert CAUTIONS[0].startswith("Local codes and licensed practice come first")


def test_a_bench_file_is_taken_as_it_is_named(tmp_path):
    with bench_file(str(tmp_path / "bench.yaml")) as path:
        assert path == tmp_path / "bench.yaml"


@pytest.fixture
def pair(tmp_path, shared_bench):
    """A pair on a bench whose router knows the first unit only."""
    text = shared_bench.bench_file.read_text().replace("unit_2: 102, ", "")
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "p.yaml").write_text(
        "procedure: p\nunit: {rated_power: 100 W, load: 8 ohm, gain: 29 dB}\n"
        "steps: [{id: first, kind: power_on}, {id: last, kind: power_off}]\n",
        encoding="utf-8",
    )
    request = Request(
        procedure=str(tmp_path / "p.yaml"),
        bench=str(tmp_path / "bench.yaml"),
        out=tmp_path / "out",
        accepted_by="the test",
    )
    seen = []

    def run(person, **changes):
        return run_pair(replace(request, **changes), ["A", "B"], person=person, sinks=[seen.append])

    run.seen = seen
    return run


def test_without_a_second_channel_an_unattended_pair_is_refused_before_the_first_unit(
    pair, tmp_path
):
    with pytest.raises(Refused, match="no router channel for a second unit"):
        pair(Person(), is_unattended=True)
    assert pair.seen == []
    assert list((tmp_path / "out").glob("*")) == []


def test_without_a_second_channel_the_person_changes_the_units(pair, shared_bench):
    person = Person()
    result = pair(person)
    assert [each.started["serial"] for each in result.units.records] == ["A", "B"]
    (asked,) = person.shown
    assert "connect unit B" in asked
    assert "discharged and cool" in asked
    assert shared_bench.is_safe


def test_a_second_unit_that_nobody_connects_is_told_and_the_first_is_kept(
    pair, tmp_path, shared_bench
):
    result = pair(Person(declines_at=0))
    assert (result.outcome, result.interruption) == ("stopped", None)
    assert "unit B: it was not connected" in result.to_json()["cause"]
    assert len(list((tmp_path / "out").glob("*/*_A_p/summary.json"))) == 1
    assert json.loads((result.folder / "match.json").read_text()) == result.to_json()
    assert "A" in (result.folder / "report.html").read_text()
    assert shared_bench.is_safe


class Later(Person):
    """Something happens while the person changes the units."""

    def __init__(self, happens):
        super().__init__()
        self._happens = happens

    def accept(self, caution, meanwhile=None):
        super().accept(caution)
        self._happens()


def _addresses(bench_file):
    return [each.address for each in load_bench(bench_file).instruments.values()]


def test_a_bench_that_is_held_is_refused_before_anybody_is_asked_anything(pair, shared_bench):
    person = Person()
    with (
        reserved(_addresses(shared_bench.bench_file), "a stranger's run"),
        pytest.raises(Refused, match="in use by a stranger's run") as caught,
    ):
        pair(person, accepted_by=None)
    assert caught.value.code == "held"
    assert (person.shown, pair.seen) == ([], [])


def test_a_second_unit_that_is_refused_leaves_the_first_one_s_result(pair, shared_bench):
    """The first unit was energised: no refusal, and what was measured on it is told."""
    addresses = _addresses(shared_bench.bench_file)
    with ExitStack() as stack:
        result = pair(Later(lambda: stack.enter_context(reserved(addresses, "a stranger's run"))))
    assert result.outcome == "stopped"
    assert "unit B: " in result.to_json()["cause"]
    assert "a stranger's run" in result.to_json()["cause"]
    assert [run["serial"] for run in result.to_json()["runs"]] == ["A"]
    assert (result.folder / "match.json").is_file()
    assert (result.folder / "report.html").is_file()


def test_a_signal_while_the_units_are_changed_leaves_the_first_one_s_result(pair):
    result = pair(Later(lambda: signal.raise_signal(signal.SIGTERM)))
    assert result.outcome == "interrupted"
    assert result.interruption.exit_code == 143
    assert (result.folder / "match.json").is_file()


def test_a_pair_s_result_that_can_t_be_written_is_told_in_a_sentence(pair, tmp_path):
    def block():
        (folder,) = (tmp_path / "out").iterdir()
        (folder / "match.json").mkdir()

    with pytest.raises(Stopped, match="the pair's result could not be written"):
        pair(Later(block))
    (folder,) = (tmp_path / "out").iterdir()
    assert list(folder.glob("*.part")) == []
    assert len(list(folder.glob("*/summary.json"))) == 2


def test_what_is_done_to_a_pair_s_result_is_found(pair):
    folder = pair(Person()).folder
    assert all(each.is_intact for each in verify_all(folder))
    result = folder / "match.json"
    text = result.read_text()
    for old, new in (
        ('"outcome": "pass"', '"outcome": "fail"'),
        ('"serial": "B"', '"serial": "C"'),
    ):
        assert old in text
        result.write_text(text.replace(old, new, 1))
        assert "match.json was changed" in verify_all(folder)[0].alterations[0]
    result.unlink()
    gone = "match.json is missing: it was there before report.html was written"
    assert verify_all(folder)[0].alterations == (gone,)
    report = (folder / "report.html").read_text()
    (folder / "report.html").unlink()
    found = verify_all(folder)
    assert all(each.is_intact for each in found)
    assert len(found) == 3
    assert "a pair was broken off" in found[0].remarks[0]
    result.write_text(text)
    (folder / "report.html").write_text(report.replace("A", "C"))
    assert "report.html was changed" in verify_all(folder)[0].alterations[0]
    (folder / "report.html").write_text(report)
    (lost,) = folder.glob("*_A_p")
    journal = (lost / "journal.jsonl").read_text()
    (lost / "journal.jsonl").write_text(journal.replace('"seq":3,', '"seq":9,'))
    assert [each.is_intact for each in verify_all(folder)] == [False, True]
    shutil.rmtree(lost)
    assert verify_all(folder)[0].alterations == (f"the run {lost.name} is missing",)


def test_a_pair_of_which_bounds_alone_are_known_is_intact_as_it_was_written(pair, mocker):
    """Two bounds can't be compared (info), which is said, and speaks against no pair."""
    bounds = Match(
        name="thd",
        step="first",
        values=(None, None),
        value_unit="1",
        difference=None,
        unit="dB",
        within=6.0,
        verdict=Verdict.INFO,
    )
    mocker.patch("sequencer.pairing.match", return_value=[bounds])
    mocker.patch("sequencer.verifying.match", return_value=[bounds])
    result = pair(Person())
    assert result.outcome == "pass"
    assert [each.alterations for each in verify_all(result.folder)] == [(), ()]


def test_a_pair_s_report_is_made_from_the_runs_as_they_are_in_the_order_of_the_units(pair):
    folder = pair(Person()).folder
    (first,), (second,) = folder.glob("*_A_p"), folder.glob("*_B_p")
    first.rename(folder / "z")
    second.rename(folder / "a")
    (folder / "match.json").write_text("{}")
    page = write_report_again(folder).path.read_text()
    assert page.index(">A<") < page.index(">B<")


def test_a_run_that_was_interrupted_before_it_began_leaves_no_folder(pair, tmp_path, monkeypatch):
    """What is not begun has no record that a report or a resumption could be made of."""

    def interrupt(*_):
        raise Interrupted(signal.SIGINT)

    monkeypatch.setattr("sequencer.session.open_bench", interrupt)
    with pytest.raises(Interrupted) as caught:
        pair(Person())
    assert caught.value.exit_code == 130
    assert not [*tmp_path.rglob("procedure.yaml")]


@pytest.mark.parametrize("guards", ["", "guards: {disk: {limit: 1 MB, warn: 2 MB}}\n"])
def test_without_room_for_the_record_nothing_begins(tmp_path, monkeypatch, guards):
    """The guard of the disk would stop it at its first look, after all that was asked."""
    bench, procedure = tmp_path / "b.yaml", tmp_path / "p.yaml"
    bench.write_text(BENCH)
    procedure.write_text(
        "procedure: p\ndecision: plain\nunit: {rated_power: 1 W, load: 8 ohm, gain: 29 dB}\n"
        f"{guards}steps:\n  - {{id: rest, kind: wait, time: 1 s}}\n"
    )
    asked = []

    def disk_usage(place):
        asked.append(place)
        return shutil._ntuple_diskusage(10**9, 10**9 - 3_000_000, 3_000_000)

    monkeypatch.setattr(shutil, "disk_usage", disk_usage)
    out = tmp_path / "not" / "there" / "yet"
    request = Request(procedure=str(procedure), bench=str(bench), out=out)
    if guards:
        with prepared(request, date(2030, 1, 1)):
            pass
    else:
        refused = pytest.raises(Refused, match=r"room for 3 MB, less than the 100 MB .* --out")
        with refused, prepared(request, date(2030, 1, 1)):
            raise AssertionError("it began")
    assert asked == [tmp_path]
