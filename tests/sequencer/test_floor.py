"""The bench's own floor: kept, found again, and told where a reading comes near to it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sequencer.errors import BenchError, Stopped
from sequencer.floor import Floor, floor_of, floor_path, floor_remark, load_floor, save_floor
from sequencer.limits import Reading

TAKEN = datetime(2026, 5, 1, tzinfo=UTC)


def some_floor(**values: float) -> Floor:
    return Floor(bench="b.yaml", taken_at=TAKEN, instruments=("g",), level_v=0.5, values=values)


@pytest.mark.parametrize(
    ("value", "is_near"),
    [
        (3.1e-6, True),  # 9.8 dB above 1e-6: 20 lg 3.1 = 9.83
        (3.2e-6, False),  # 10.1 dB above
    ],
)
def test_near_means_within_10_db(value, is_near):
    reading = Reading(name="thd", value=value, unit="1")
    assert some_floor(thd=1e-6).is_near(reading) is is_near


def test_a_bound_near_the_floor_is_flagged_and_a_reading_without_floor_is_not():
    drowned = Reading(name="h4", value=None, unit="1", noise_limited=True, upper_bound=1e-6)
    assert some_floor(h4=1e-6).is_near(drowned)
    assert not some_floor(h4=1e-6).is_near(Reading(name="gain", value=0.0, unit="dB"))


def test_a_floor_is_kept_and_found_again(tmp_path):
    path = tmp_path / "deeper" / "b.floor.json"
    save_floor(some_floor(thd=1e-6, hum_50=2e-8), path)
    assert load_floor(path) == some_floor(thd=1e-6, hum_50=2e-8)


def test_a_floor_that_can_t_be_kept_is_told_in_a_sentence(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(Stopped, match="could not be kept"):
        save_floor(some_floor(thd=1e-6), tmp_path / "file" / "b.floor.json")
    (tmp_path / "b.floor.json").mkdir()
    with pytest.raises(Stopped, match="could not be kept"):
        save_floor(some_floor(thd=1e-6), tmp_path / "b.floor.json")
    assert list(tmp_path.glob("*.part")) == []


def test_no_floor_is_none_and_a_broken_one_is_refused(tmp_path):
    path = tmp_path / "b.floor.json"
    assert load_floor(path) is None
    path.write_text('{"values": 3}')
    with pytest.raises(BenchError, match="take it again"):
        load_floor(path)


@pytest.mark.parametrize(
    "spoilt",
    [
        ('"schema": 1', '"schema": 99'),
        ("2026-05-01T00:00:00+00:00", "2026-05-01T00:00:00"),  # of which zone?
        ("1e-06", "Infinity"),  # near which every reading would lie
        ("1e-06", '"low"'),
    ],
)
def test_a_floor_of_another_kind_is_refused(tmp_path, spoilt):
    path = tmp_path / "b.floor.json"
    save_floor(some_floor(thd=1e-6), path)
    kept = path.read_text()
    assert spoilt[0] in kept
    path.write_text(kept.replace(*spoilt))
    with pytest.raises(BenchError, match="take it again"):
        load_floor(path)


def test_a_missing_or_old_floor_is_mentioned():
    assert "not known" in (floor_remark(None, TAKEN) or "")
    assert floor_remark(some_floor(), TAKEN + timedelta(days=10)) is None
    assert "take it again" in (floor_remark(some_floor(), TAKEN + timedelta(days=400)) or "")


def test_only_residuals_of_the_bench_are_kept():
    """Level and gain of the loop are no residuals; a drowned line is kept as its bound."""
    readings = [
        {"name": "level", "value": 0.5, "upper_bound": None},
        {"name": "gain", "value": 0.01, "upper_bound": None},
        {"name": "thd", "value": 2e-6, "upper_bound": None},
        {"name": "hum_50", "value": None, "upper_bound": 7e-9},
        {"name": "crest_factor", "value": 1.41, "upper_bound": None},
    ]
    summary = {"started": TAKEN.isoformat(), "steps": [{"readings": readings}]}
    floor = floor_of(summary, "sim", ())
    assert floor.values == {"thd": 2e-6, "hum_50": 7e-9}
    assert floor.level_v == 0.5


def test_the_floor_lies_beside_the_bench_file_and_for_sim_in_the_state_folder(
    monkeypatch, tmp_path
):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert floor_path("benches/corner.yaml") == Path("benches/corner.floor.json")
    assert floor_path("lab/bench") == Path("lab/bench.floor.json")
    assert floor_path("lab/bench.yml") == Path("lab/bench.yml.floor.json")
    assert floor_path("sim") == tmp_path / "steadybench" / "sim.floor.json"
