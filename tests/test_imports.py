"""The layers: imports point downwards only, the outside world shares nothing, --help stays light."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("sequencer", "drivers", "sim_instruments")


def _files(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def _module(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {_module(path): path for package in PACKAGES for path in _files(package)}


@cache
def _tree(module: str) -> ast.Module:
    return ast.parse(MODULES[module].read_text(encoding="utf-8"))


def _is_for_types_only(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"


def _statements(node: ast.AST, *, also_inner: bool) -> Iterator[ast.AST]:
    """Every statement that runs on import, with also_inner also those inside functions."""
    for child in ast.iter_child_nodes(node):
        if _is_for_types_only(child):
            continue
        if not also_inner and isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef)):
            continue
        yield child
        yield from _statements(child, also_inner=also_inner)


@cache
def imported(module: str, also_inner: bool = True) -> frozenset[str]:
    """What a module imports, by full name; a name out of a package counts as its module."""
    found = set()
    for node in _statements(_tree(module), also_inner=also_inner):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are written out"
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            source = str(node.module)
            found |= {name for name in inner if name in MODULES} or {source}
            if source in MODULES and not inner <= MODULES.keys():
                found.add(source)
    return frozenset(found)


@cache
def below(module: str) -> frozenset[str]:
    """Everything a module stands on, however far down."""
    seen: set[str] = set()
    waiting = [module]
    while waiting:
        for name in imported(waiting.pop()):
            if name not in seen:
                seen.add(name)
                if name in MODULES:
                    waiting.append(name)
    return frozenset(seen)


def _of(package: str) -> list[str]:
    return [name for name in MODULES if name == package or name.startswith(f"{package}.")]


def _within(name: str, *packages: str) -> bool:
    return any(name == each or name.startswith(f"{each}.") for each in packages)


ABOVE_THE_ENGINE = (
    "sequencer.cli",
    "sequencer.screen",
    "sequencer.report",
    "sequencer.journal",
    "sequencer.record",
    "sequencer.session",
    "sequencer.pairing",
    "sequencer.inspection",
    "rich",
    "jinja2",
    "matplotlib",
    "click",
)


@pytest.mark.parametrize("module", _of("sequencer.analysis"))
def test_analysis_knows_numpy_scipy_and_itself(module):
    for name in imported(module):
        top = name.partition(".")[0]
        assert (
            _within(name, "sequencer.analysis")
            or top in ("numpy", "scipy")
            or top in sys.stdlib_module_names
        ), name


@pytest.mark.parametrize("module", _of("drivers"))
def test_drivers_know_no_sequencer_and_read_no_file(module):
    assert not [name for name in imported(module) if _within(name, "sequencer", "sim_instruments")]
    calls = [node for node in ast.walk(_tree(module)) if isinstance(node, ast.Call)]
    for call in calls:
        assert ast.unparse(call.func) not in ("open", "Path", "io.open", "os.open")
        if isinstance(call.func, ast.Attribute):
            assert call.func.attr not in ("read_text", "write_text", "write_bytes")


@pytest.mark.parametrize("module", _of("sim_instruments"))
def test_the_simulated_instruments_share_no_code_with_the_sequencer(module):
    assert not [
        name for name in imported(module) if _within(name, "sequencer", "drivers", "pyvisa")
    ]


@pytest.mark.parametrize("module", [*_of("sequencer"), *_of("drivers")])
def test_the_sequencer_reaches_the_simulated_instruments_by_socket_only(module):
    assert not [name for name in imported(module) if _within(name, "sim_instruments")]


@pytest.mark.parametrize(
    "module",
    [
        *(
            "sequencer.engine",
            "sequencer.emitter",
            "sequencer.make_safe",
            "sequencer.guards",
            "sequencer.bench",
        ),
        *("sequencer.checking", "sequencer.access"),
    ],
)
def test_the_engine_and_what_it_stands_on_know_no_file_and_no_screen(module):
    assert not [name for name in below(module) if _within(name, *ABOVE_THE_ENGINE)]


def test_the_engine_is_below_nothing_it_uses():
    assert not [m for m in below("sequencer.engine") if "sequencer.engine" in imported_of(m)]


def imported_of(module: str) -> frozenset[str]:
    """What one of our modules imports; nothing for others."""
    return imported(module) if module in MODULES else frozenset()


@pytest.mark.parametrize("module", _of("sequencer.steps"))
def test_steps_use_the_role_protocols_only_and_no_opened_bench(module):
    drivers = {name for name in imported(module) if _within(name, "drivers")}
    assert drivers <= {"drivers.roles", "drivers.errors"}
    upward = ("sequencer.bench", "sequencer.engine", "sequencer.access", "pyvisa")
    assert not [name for name in below(module) if _within(name, *upward, *ABOVE_THE_ENGINE)]


@pytest.mark.parametrize(
    "module",
    [
        *("sequencer.limits", "sequencer.quantities", "sequencer.events", "sequencer.clock"),
        *("sequencer.captures", "sequencer.errors", "sequencer.uncertainty"),
    ],
)
def test_the_ground_stands_on_nothing_that_moves(module):
    moving = ("drivers", "sequencer.steps", "sequencer.bench", "sequencer.engine", "pyvisa")
    assert not [name for name in below(module) if _within(name, *moving, *ABOVE_THE_ENGINE)]


@pytest.mark.parametrize("module", _of("sequencer.report"))
def test_a_report_is_made_from_the_record_and_touches_nothing_live(module):
    live = ("sequencer.engine", "sequencer.session", "sequencer.screen", "sequencer.cli")
    assert not [name for name in below(module) if _within(name, *live)]
    drivers = {name for name in imported(module) if _within(name, "drivers")}
    assert drivers <= {"drivers.roles"}


def test_nobody_imports_the_command_line():
    users = {module for module in _of("sequencer") if "sequencer.cli" in imported(module)}
    assert users <= {"sequencer.__main__"}


def test_no_two_modules_import_each_other_while_they_load():
    @cache
    def on_load(module):
        return frozenset(n for n in imported(module, also_inner=False) if n in MODULES)

    for module in MODULES:
        seen = set()
        waiting = list(on_load(module))
        while waiting:
            name = waiting.pop()
            assert name != module, f"{module} imports itself by way of {sorted(seen)}"
            if name not in seen:
                seen.add(name)
                waiting += on_load(name)


@pytest.mark.parametrize("module", [*_of("sequencer"), *_of("drivers")])
def test_time_is_read_and_slept_in_the_clock_only(module):
    if module == "sequencer.clock":
        return
    for node in ast.walk(_tree(module)):
        if isinstance(node, ast.Attribute):
            assert ast.unparse(node) not in ("time.sleep", "time.time", "datetime.now"), node.lineno
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            assert not {alias.name for alias in node.names} & {"sleep", "time"}


@pytest.mark.parametrize("module", list(MODULES))
def test_nothing_prints_but_the_command_lines(module):
    if module in ("sim_instruments.__main__",):
        return
    calls = [node for node in ast.walk(_tree(module)) if isinstance(node, ast.Call)]
    assert not [call.lineno for call in calls if ast.unparse(call.func) == "print"]


def test_help_loads_nothing_heavy():
    program = """
import sys
from sequencer.cli import commands, run_command
for command in ((), *((name,) for name in commands.commands)):
    assert run_command([*command, "--help"]) == 0
heavy = {"numpy", "scipy", "pyvisa", "pydantic", "yaml", "rich", "matplotlib", "jinja2"}
print(sorted(heavy & set(sys.modules)), file=sys.stderr)
"""
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"
