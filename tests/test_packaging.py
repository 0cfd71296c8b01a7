"""What is shipped: the wheel holds all of it, and works outside the clone."""

import json
import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

# Its runs are shared by many tests: one worker has them all.
pytestmark = pytest.mark.xdist_group("test_packaging")

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
OURS = ("sequencer", "drivers", "sim_instruments", "procedures")


def test_every_package_is_listed():
    found = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for name in OURS
        for path in (ROOT / name).rglob("*.py")
    }
    assert found == set(PROJECT["tool"]["setuptools"]["packages"])


def test_the_version_stands_in_one_place():
    assert PROJECT["project"]["dynamic"] == ["version"]
    assert PROJECT["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "sequencer.__version__"}


def test_every_built_in_procedure_is_sound():
    from sequencer.procedure import load_procedure
    from sequencer.steps.registry import kinds

    names = [path.stem for path in (ROOT / "procedures").glob("*.yaml")]
    assert "rated_power" in names
    for name in names:
        assert load_procedure(name, registry=kinds()).steps


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel, built from a copy so that no build folder is left in the clone."""
    pytest.importorskip("setuptools", minversion="77", reason="the project's build needs it")
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    ignore = shutil.ignore_patterns("__pycache__", "*.pyc")
    for name in OURS:
        shutil.copytree(ROOT / name, source / name, ignore=ignore)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    # setuptools without pip: no network, and no fresh environment to fill.
    program = "from setuptools.build_meta import build_wheel; print(build_wheel('..'))"
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=source, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return folder / done.stdout.splitlines()[-1]


@pytest.fixture(scope="module")
def unpacked(wheel):
    folder = wheel.parent / "unpacked"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


@pytest.mark.slow
def test_the_wheel_holds_everything_that_runs(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    wanted = {
        str(path.relative_to(ROOT))
        for name in OURS
        for path in (ROOT / name).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert wanted <= names, wanted - names
    for name in ("sequencer/py.typed", "drivers/py.typed", "sim_instruments/py.typed"):
        assert name in names
    others = {name for name in names - wanted if ".dist-info/" not in name}
    assert others == set()
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not any(name.startswith("tests/") for name in names)


@pytest.mark.slow
def test_the_wheel_s_command_is_ours(unpacked):
    (entry_points,) = unpacked.glob("*.dist-info/entry_points.txt")
    assert "steadybench = sequencer.cli:main" in entry_points.read_text()


@pytest.mark.slow
def test_the_wheel_runs_outside_the_clone(unpacked, tmp_path):
    """A built-in procedure on the simulated bench, with nothing of the clone on the path."""
    program = (
        "import sys; sys.path[:] = [p for p in sys.path if not p.startswith(CLONE) or 'site-packages'"
        " in p]; import sequencer; assert sequencer.__file__.startswith(HERE), sequencer.__file__; "
        "from sequencer.cli import main; main()"
    )
    program = f"CLONE, HERE = {str(ROOT)!r}, {str(unpacked)!r}; {program}"
    command = [sys.executable, "-c", program, "run", "rated_power", "--bench", "sim"]
    options = ["--serial", "W-1", "--unattended", "--accept-cautions", "--json"]
    done = subprocess.run(
        [*command, *options, "--with", "warm_up=1 min"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    summary = json.loads(done.stdout)
    assert summary["outcome"] in ("pass", "fail")
    assert (tmp_path / summary["run"] / "report.html").is_file()
