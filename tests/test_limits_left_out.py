"""A simulated unit on a bench without thermometer: burned in, and passed as far as it was tested."""

import pytest

LEFT_OUT = {"temperature": "the bench has no thermometer"}
FIGURES = ("--with", "duration=5 min", "--with", "period=150 s", "--with", "drive=1 min")


@pytest.fixture
def bench(new_bench, tmp_path):
    """A simulated bench whose file names no thermometer."""
    lines = new_bench().bench_file.read_text(encoding="utf-8").splitlines()
    begin = lines.index("  thermometer:")
    deeper = (n for n in range(begin + 1, len(lines)) if not lines[n].startswith("   "))
    del lines[begin : next(deeper, len(lines))]
    path = tmp_path / "without.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_burn_in_passes_what_was_tested_and_names_the_limit(bench, steadybench, tmp_path):
    found = steadybench("check", "burn_in", "--bench", bench)
    assert found.code == 0, found.err
    assert "no thermometer, so the limit on temperature is left out" in " ".join(found.out.split())
    done = steadybench(
        *("run", "burn_in", "--bench", bench, "--serial", "A-1", *FIGURES),
        *("--unattended", "--accept-cautions", "--json", "--out", tmp_path / "out"),
    )
    assert done.code == 0, done.err
    summary = done.json()
    assert summary["outcome"] == "pass"
    drives = [step for step in summary["steps"] if step["kind"] == "warm_up"]
    assert len(drives) == 2
    assert all(step["limits_left_out"] == LEFT_OUT for step in drives)
    assert not any(r["name"] == "temperature" for step in drives for r in step["readings"])
    assert "PASSED what was tested; 1 limit left out: drive/temperature" in " ".join(
        done.err.split()
    )
    (folder,) = (tmp_path / "out").iterdir()
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert report.count("the bench has no thermometer</li>") == 1  # among what was not tested
    assert "1 limit was left out: see What was not tested." in report
    again = steadybench("rejudge", folder)
    assert again.code == 0, again.out
    assert "passed what was tested; 1 limit left out: drive/temperature" in again.out
    assert "no reading and no verdict changed" in again.out
    assert steadybench("verify", folder).code == 0
