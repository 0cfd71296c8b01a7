"""The command line: arguments in, exit codes and words out. Nothing else knows a terminal's arguments.

Exit codes: 0 all within limits; 1 measured, and at least one limit not met (or not measurable);
2 refused before anything was energised; 3 stopped by a guard or an instrument fault, bench made safe;
129 / 130 / 143 interrupted by SIGHUP / SIGINT / SIGTERM, bench made safe. What could not be confirmed
safe is said in words: no code of its own tells it.

Everything heavy is imported inside the commands, so that --help stays quick.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from sequencer import __version__
from sequencer.errors import Interrupted, Refused, Stopped, printable
from sequencer.interrupts import interruptible
from sequencer.operator import Meanwhile, nothing
from sequencer.plain_text import plainly

if TYPE_CHECKING:
    from rich.console import Console

    from sequencer.screen import Screen
    from sequencer.session import Request

OK, LIMIT_NOT_MET, REFUSED, STOPPED = 0, 1, 2, 3
_EXIT = {"pass": OK, "fail": LIMIT_NOT_MET, "stopped": STOPPED, "interrupted": STOPPED}
_HELP = frozenset({"-h", "--help", "--version"})
DEMO_SERIALS = ("DEMO-A", "DEMO-B")

_KINDS_HELP = (
    "tone, idle, wideband, dc, settling, ring_down, imd_smpte, imd_difference or response."
)

# A person who is asked is waited for so long at a time; in between the guards may look.
_LISTEN_S = 1.0
_UNWRITTEN = "the result could not be written to standard output: {why}"

F = TypeVar("F", bound=Callable[..., Any])


def main() -> None:
    """Entry point of the command `steadybench`."""
    # The records are short enough for one core; a second BLAS thread only doubles the work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    plainly((sys.stdout, sys.stderr))
    code = run_command(sys.argv[1:])
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            # Else the interpreter would try again at its end and spoil the exit code.
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    sys.exit(code)


def run_command(arguments: Sequence[str]) -> int:
    """Carry out one command; returns the exit code. No exception leaves it."""
    as_json = "--json" in arguments
    try:
        with interruptible():
            code = commands.main(
                args=list(arguments), prog_name="steadybench", standalone_mode=False
            )
            return int(code or 0)
    except SystemExit:
        # click's own way out when a pipe is closed: of a help text nobody wants to read on, else
        # of something that went wrong before there was a result.
        return OK if _asks_for_help(arguments) else STOPPED
    except Refused as refusal:
        _tell_refusal(refusal, as_json)
        return REFUSED
    except click.exceptions.NoArgsIsHelpError as error:
        _say(f"{error.format_message()}\n\nName a command, such as demo or check.")
        return REFUSED
    except click.ClickException as error:
        _tell_refusal(_from_click(error), as_json)
        return REFUSED
    except Stopped as stopped:
        _tell_end("stopped", stopped.cause, f"stopped: {stopped.cause}", as_json)
        return STOPPED
    except Interrupted as interruption:
        # Whatever could have switched something on has noted how that was left.
        notes = getattr(interruption, "__notes__", ()) or ("nothing was switched on",)
        words = "; ".join((str(interruption), *notes))
        _tell_end("interrupted", words, f"interrupted: {words}", as_json)
        return interruption.exit_code
    except (click.Abort, KeyboardInterrupt):
        _tell_end("interrupted", "interrupted", "interrupted", as_json)
        return 130
    except Exception as fault:  # the outermost edge: a person reads a sentence
        if isinstance(fault, OSError) and _asks_for_help(arguments):
            _say(_UNWRITTEN.format(why=fault.strerror))
            return REFUSED
        if os.environ.get("STEADYBENCH_TRACEBACK"):
            raise
        reason = printable(f"a fault in the program itself: {type(fault).__name__}: {fault}")
        hint = "set STEADYBENCH_TRACEBACK=1 to see where, and report it"
        _tell_end("stopped", reason, f"{reason}; {hint}", as_json)
        return STOPPED


def _asks_for_help(arguments: Sequence[str]) -> bool:
    return bool(_HELP & {*arguments}) or not arguments


def _from_click(error: click.ClickException) -> Refused:
    hint = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else None
    advice = f"; see {hint} --help" if hint else ""
    return Refused(f"{error.format_message().rstrip('.')}{advice}", code="argument")


def _tell_refusal(refusal: Refused, as_json: bool) -> None:
    if as_json:
        with contextlib.suppress(OSError):
            _write(json.dumps(refusal.to_json()))
    for line in refusal.lines():
        _say(line)


def _tell_end(outcome: str, cause: str, words: str, as_json: bool) -> None:
    """How a command ended that has no result of its own to tell."""
    if as_json:
        with contextlib.suppress(OSError):
            _write(json.dumps({"outcome": outcome, "cause": cause}))
    _say(words)


def _put(text: str) -> None:
    """The result, on standard output.

    Raises Refused when it can't be written: nobody has seen it, whatever it says.
    """
    try:
        _write(text)
    except OSError as error:
        raise Refused(_UNWRITTEN.format(why=error.strerror), code="output") from error


def _write(text: str) -> None:
    """On standard output; a reader who has gone changes nothing about the exit code."""
    with contextlib.suppress(BrokenPipeError):
        click.echo(text)


def _say(text: str) -> None:
    with contextlib.suppress(OSError):  # there is nobody else to tell
        click.echo(text, err=True)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="steadybench")
def commands() -> None:
    """Bench tests for serviced audio power amplifiers: measure, judge, watch, write down.

    PROCEDURE and BENCH are a file or a built-in name; the bench `sim` is a simulated one that needs
    no hardware. Local codes and licensed practice come first when you work on mains equipment.
    """


def run_options(command: F) -> F:
    """Options that every command which runs a procedure shares."""
    for option in reversed(
        (
            click.option("--bench", required=True, help="Bench file, or sim."),
            click.option("--model", default="", help="Model of the unit."),
            click.option("--ticket", type=click.Path(path_type=Path), help="Job ticket (YAML)."),
            click.option(
                "--out",
                type=click.Path(path_type=Path),
                default=Path("runs"),
                show_default=True,
                help="Folder in which the run's own folder is made.",
            ),
            click.option(
                "--with",
                "figures",
                multiple=True,
                metavar="NAME=QUANTITY",
                help='Change a figure the procedure declares: --with warm_up="5 min".',
            ),
            click.option("--unattended", is_flag=True, help="Nobody is there to answer."),
            click.option(
                "--accept-cautions",
                is_flag=True,
                help="The cautions were read and are accepted (needed with --unattended).",
            ),
            click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout."),
        )
    ):
        command = option(command)
    return command


@commands.command()
@click.argument("procedure")
@click.option("--serial", required=True, help="Serial number of the unit.")
@run_options
def run(procedure: str, serial: str, as_json: bool, **options: Any) -> int:
    """Run PROCEDURE on one unit."""
    from sequencer import pairing

    request = _request(procedure, options)
    serial = _serial(serial)
    with _screen(as_json) as (console, screen):
        result = pairing.run_units(
            request, [serial], person=_Terminal(console, screen), sinks=[screen]
        )
        summary = result.summaries[0]
        _finish(console, screen, as_json, summary, Path(str(summary["run"])))
    return _exit_code(str(summary["outcome"]), result.interruption)


@commands.command()
@click.argument("procedure")
@click.option(
    "--serial", "serials", required=True, multiple=True, help="Serial number; once for each unit."
)
@run_options
def pair(procedure: str, serials: tuple[str, ...], as_json: bool, **options: Any) -> int:
    """Run PROCEDURE on each unit of a pair, then compare them."""
    serials = tuple(_serial(serial) for serial in serials)
    if len(serials) < 2 or len(set(serials)) != len(serials):
        raise click.UsageError("a pair needs two different --serial")
    return _run_pair(_request(procedure, options), serials, as_json)


@commands.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    help="Folder in which the pair's own folder is made.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def demo(out: Path, as_json: bool) -> int:
    """Test a simulated pair from power-on to report. Nothing real is switched on."""
    from importlib.resources import as_file, files

    from sequencer.session import Request

    with as_file(files("sequencer") / "demo" / "ticket.yaml") as ticket:
        request = Request(
            procedure="final_test",
            bench="sim",
            out=out,
            ticket=ticket,
            is_unattended=True,
            accepted_by="the demonstration (simulated bench, nothing to hurt)",
        )
        return _run_pair(request, DEMO_SERIALS, as_json)


def _run_pair(request: Request, serials: Sequence[str], as_json: bool) -> int:
    from sequencer import pairing
    from sequencer.events import Outcome

    with _screen(as_json) as (console, screen):
        result = pairing.run_pair(
            request, serials, person=_Terminal(console, screen), sinks=[screen]
        )
        screen.show_match(pairing.match_rows(result))
        screen.show_pair(pairing.verdict_line(result), Outcome(result.outcome))
        _finish(console, screen, as_json, result.to_json(), result.folder)
    return _exit_code(result.outcome, result.interruption)


@commands.command()
@click.argument("procedure")
@click.option("--bench", help="Bench file, or sim.")
@click.option("--ticket", type=click.Path(path_type=Path), help="Job ticket (YAML).")
@click.option("--with", "figures", multiple=True, metavar="NAME=QUANTITY", help="As for run.")
@click.option("--unattended", "is_unattended", is_flag=True, help="Check for an unattended run.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def check(
    procedure: str,
    bench: str | None,
    ticket: Path | None,
    figures: tuple[str, ...],
    is_unattended: bool,
    as_json: bool,
) -> int:
    """Everything that can be known before energising anything."""
    from sequencer import inspection
    from sequencer.session import NO_BENCH, Request

    if bench is not None and not bench.strip():
        raise Refused(NO_BENCH)
    request = Request(
        procedure=procedure,
        bench=bench or "",
        out=Path(),
        ticket=ticket,
        figures=_figures(figures),
        is_unattended=is_unattended,
    )
    told = inspection.inspect(request)
    if as_json:
        _put(json.dumps(told.to_json()))
    else:
        _put(told.text())
    return OK


@commands.command()
@click.option("--bench", required=True, help="Bench file, or sim.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    help="Folder in which the run's own folder is made.",
)
@click.option("--unattended", "is_unattended", is_flag=True, help="Nobody is there to answer.")
@click.option("--accept-cautions", is_flag=True, help="The cautions were read and are accepted.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def floor(bench: str, out: Path, is_unattended: bool, accept_cautions: bool, as_json: bool) -> int:
    """Measure what the bench adds of its own, generator straight into analyser.

    Later runs on this bench say which of their readings come near to it.
    """
    from sequencer import pairing
    from sequencer.floor import PROCEDURE, floor_of, floor_path, save_floor
    from sequencer.session import Request

    request = Request(
        procedure=PROCEDURE,
        bench=bench,
        out=out,
        is_unattended=is_unattended,
        accepted_by=_user() if accept_cautions else None,
        is_floor=True,
    )
    with _screen(as_json) as (console, screen):
        person = _Terminal(console, screen)
        result = pairing.run_units(request, ["bench"], person=person, sinks=[screen])
        summary = result.summaries[0]
        if summary["outcome"] == "pass":
            path = floor_path(bench)
            save_floor(floor_of(summary, bench, result.records[0].instrument_names()), path)
            _show(console, screen, f"floor: {path}")
        else:
            _show(
                console,
                screen,
                "floor not kept, as its run did not pass; what was known before stays",
            )
        _finish(console, screen, as_json, summary, Path(str(summary["run"])))
    return _exit_code(str(summary["outcome"]), result.interruption)


@commands.command()
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
def report(run_folder: Path) -> int:
    """Write the report of a finished run (or pair) again, from its record.

    The record is verified first. Exit code 1: it was altered, and the report says so.
    """
    from sequencer.reporting import write_report_again

    written = write_report_again(run_folder)
    if written.alterations:
        _say(written.text())
    _put(str(written.path))
    return LIMIT_NOT_MET if written.alterations else OK


@commands.command()
@click.option("--bench", help="Bench file, or sim: also ask who answers at its addresses.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def instruments(bench: str | None, as_json: bool) -> int:
    """List the drivers, and the instruments of a bench with what they say.

    Each instrument is asked who it is, once; nothing is set or switched. Exit code 1: one of them
    can't be reached, does not answer as it should, or is another one. 2: a run holds one of them,
    which is then left alone.
    """
    from sequencer.clock import RealClock
    from sequencer.instrument_list import listing

    told = listing(bench, RealClock().date().date())
    _put(json.dumps(told.to_json()) if as_json else told.text())
    if told.held:
        _say(told.held)
        return REFUSED
    return OK if told.is_ready else LIMIT_NOT_MET


@commands.command()
@click.argument("name", default="procedure", metavar="[command_map|procedure|bench|ticket]")
@click.argument("role", required=False)
@click.option("--json", "as_json", is_flag=True, help="On one line.")
def schema(name: str, role: str | None, as_json: bool) -> int:
    """Print the JSON Schema of a file, so that an editor can check it.

    ROLE (generator, analyser, dmm ...) chooses one command map; without it all are printed. Without
    a name it is the schema of procedures.
    """
    from sequencer.schemas import role_named, schema_of

    try:
        found = schema_of(name, None if role is None else role_named(role))
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    _put(json.dumps(found, ensure_ascii=False, indent=None if as_json else 2))
    return OK


@commands.command()
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--bench", help="Bench file, or sim, where it isn't the one used before.")
@click.option("--unattended", "is_unattended", is_flag=True, help="Nobody is there to answer.")
@click.option(
    "--accept-cautions",
    is_flag=True,
    help="The cautions were read and are accepted (needed with --unattended).",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def resume(
    run_folder: Path, bench: str | None, is_unattended: bool, accept_cautions: bool, as_json: bool
) -> int:
    """Go on with a run that was broken off: power cut, crash, signal, guard.

    Finished steps are kept, the step that was cut is done again; a burn-in's elapsed time counts.
    """
    from sequencer.record import read_record
    from sequencer.resuming import Resumption, resume

    wanted = Resumption(
        folder=run_folder,
        bench=bench,
        is_unattended=is_unattended,
        accepted_by=_user() if accept_cautions else None,
    )
    with _screen(as_json) as (console, screen):
        carried = resume(
            wanted,
            person=_Terminal(console, screen),
            sinks=[screen],
            tell=lambda line: _show(console, screen, line),
        )
        summary = read_record(carried.folder).summary()
        _finish(console, screen, as_json, summary, carried.folder)
    return _exit_code(str(summary["outcome"]), carried.interruption)


@commands.command()
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def verify(run_folder: Path, as_json: bool) -> int:
    """Prove that the record of a run (or pair) is as it was written.

    Exit code 0: intact, also when the run was broken off. 1: something was altered.
    """
    from sequencer.verifying import verify_all

    found = verify_all(run_folder)
    is_intact = all(each.is_intact for each in found)
    if as_json:
        runs = [each.to_json() for each in found]
        _put(json.dumps({"intact": is_intact, "runs": runs}))
    else:
        for each in found:
            _put(each.text())
    return OK if is_intact else LIMIT_NOT_MET


@commands.command()
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--procedure", help="Judge by this procedure (file or built-in name) instead.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write the result into.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def rejudge(run_folder: Path, procedure: str | None, out: Path | None, as_json: bool) -> int:
    """Judge a finished run again from its captures alone, and say what changed.

    The run's folder stays as it is; without --out nothing is written. Exit code 1: not passed, or the
    record was altered, which is said first.
    """
    from sequencer import rejudging

    result = rejudging.rejudge(run_folder, procedure)
    written = rejudging.write_rejudged(result, out) if out else None
    _put(json.dumps(result.to_json(), allow_nan=False) if as_json else result.text())
    if written:
        _say(f"written: {printable(str(written))}")
    return OK if result.is_passed and not result.alterations else LIMIT_NOT_MET


@commands.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as", "kind", required=True, metavar="KIND", help=_KINDS_HELP)
@click.option("--scale", metavar="VOLTAGE", help="Volts of a WAV's full scale; 1 V if not stated.")
@click.option("--rate", metavar="FREQUENCY", help="Sample rate; a file that disagrees is refused.")
@click.option("--frequency", metavar="FREQUENCY", help="The tone that was played.")
@click.option("--mains", metavar="FREQUENCY", help="Nominal mains frequency; found if not stated.")
@click.option("--band", metavar="LO:HI", help='Measuring or search band: "20 Hz:20 kHz".')
@click.option("--event-at", metavar="TIME", help="When the relay closed or the step came.")
@click.option("--within", metavar="VOLTAGE", help="Half-width of the band about 0 V; or 10 mV.")
@click.option("--modes", metavar="N", help="At most this many modes of a ringing part.")
@click.option("--plot", type=click.Path(path_type=Path), help="Also draw: a file .svg or .png.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def measure(file: Path, kind: str, plot: Path | None, as_json: bool, **texts: str | None) -> int:
    """Analyse a recorded capture FILE (.wav, .csv or a run's .npz) as a step would.

    Exit code 2: the capture can't support the number; the reason says what would make it measurable.
    """
    from sequencer import measuring

    if plot:
        measuring.require_plot_file(plot)
    measured = measuring.measure_file(file, kind, texts)
    if plot:
        measuring.write_plot(measured, plot)
    _put(json.dumps(measured.to_json(), allow_nan=False) if as_json else measured.text())
    return OK


def _request(procedure: str, options: Mapping[str, Any]) -> Request:
    from sequencer.session import Request

    return Request(
        procedure=procedure,
        bench=options["bench"],
        out=options["out"],
        model=_line("--model", options["model"]),
        ticket=options["ticket"],
        figures=_figures(options["figures"]),
        is_unattended=options["unattended"],
        accepted_by=_user() if options["accept_cautions"] else None,
    )


def _line(option: str, text: str) -> str:
    from sequencer.ticket import clean_line

    try:
        return clean_line(text)
    except ValueError as error:
        raise click.UsageError(f"{option}: {error}") from error


def _serial(text: str) -> str:
    serial = _line("--serial", text)
    if not serial:
        raise click.UsageError("--serial is empty; write the number on the unit's plate")
    return serial


def _user() -> str:
    from sequencer.user_name import user_name

    return f"{user_name()} (--accept-cautions)"


def _figures(pairs: Sequence[str]) -> dict[str, str]:
    figures: dict[str, str] = {}
    for pair_text in pairs:
        name, equals, quantity = pair_text.partition("=")
        if not equals or not name.strip() or not quantity.strip():
            raise click.UsageError(f'--with "{pair_text}" should read NAME=QUANTITY')
        if name.strip() in figures:
            raise click.UsageError(f"--with gives {name.strip()} twice")
        figures[name.strip()] = quantity.strip()
    return figures


@contextmanager
def _screen(as_json: bool) -> Iterator[tuple[Console, Screen]]:
    """The console for people: standard error when standard output belongs to a program.

    A signal that leaves it tells how the bench was left.
    """
    from sequencer.screen import Screen, Terminal
    from sequencer.unblocked import unblocked

    console = Terminal(file=unblocked(sys.stderr if as_json else sys.stdout))
    with Screen(console, _tell_unseen) as screen:
        try:
            yield console, screen
        except Interrupted as interruption:
            notes = getattr(interruption, "__notes__", ())
            interruption.__notes__ = [screen.state_of_bench(), *notes]
            raise


def _tell_unseen(why: str) -> None:
    _say(f"{_UNWRITTEN.format(why=why)}; the run goes on, its record has it")


def _finish(
    console: Console, screen: Screen, as_json: bool, result: Mapping[str, Any], folder: Path
) -> None:
    """What there is to say at the end of a run; its outcome stays what it is, whoever hears of it."""
    if as_json:
        try:
            _write(json.dumps(result))
        except OSError as error:
            _say(f"{_UNWRITTEN.format(why=error.strerror)}; the run's record has it")
    if screen.is_unseen:
        _say(screen.last_line)
    report = str(folder / "report.html")
    _show(console, screen, f"report: {printable(report, len(report))}")


def _show(console: Console, screen: Screen, line: str) -> None:
    """One line to the person who watches; on standard error where the screen can't be written."""
    from rich.text import Text

    if screen.is_unseen:
        _say(line)
        return
    with contextlib.suppress(OSError):
        console.print(Text(line), soft_wrap=True)


def _exit_code(outcome: str, interruption: Interrupted | None) -> int:
    return interruption.exit_code if interruption else _EXIT[outcome]


class _Terminal:
    """The person at this terminal."""

    def __init__(self, console: Console, screen: Screen) -> None:
        from sequencer.heard_lines import HeardLines
        from sequencer.user_name import user_name

        self._console = console
        self._screen = screen
        self._heard = HeardLines(sys.stdin)
        self.name = user_name()

    def accept(self, caution: str, meanwhile: Meanwhile = nothing) -> None:
        """Show and ask until the answer is yes or no; a typo declines nothing."""
        from sequencer.operator import TRIES, Declined, is_yes

        question = f"CAUTION  {caution}\nAccepted? [yes/no] "
        for _ in range(TRIES):
            answer = self._ask(question, meanwhile).strip()
            if is_yes(answer):
                return
            if is_yes(answer) is not None:
                break
            question = f'"{printable(answer, 40)}" is neither. Accepted? Write yes or no: '
        raise Declined("a caution was not accepted")

    def answer(self, question: str, meanwhile: Meanwhile = nothing) -> str:
        """Ask and return the answer."""
        return self._ask(f"{question} ", meanwhile).strip()

    def _ask(self, text: str, meanwhile: Meanwhile) -> str:
        """The line that is typed; what is told while it is waited for has the question put again."""
        from rich.text import Text

        from sequencer.operator import NobodyThere

        with self._screen.asking():
            self._put(text)
            while not self._is_line_there():
                meanwhile()
                if self._screen.has_spoken():
                    self._put(text)
            line = self._heard_line()
        if not self._heard.is_terminal:  # else the terminal has shown what was typed
            self._console.print(Text(printable(line.rstrip("\r\n"))), soft_wrap=True)
        if not line:
            raise NobodyThere("nobody answers at this terminal")
        return line

    def _put(self, text: str) -> None:
        from rich.text import Text

        # A terminal would break a line in the middle of a word; a file has no lines to break.
        with _somebody_there():
            self._console.print(Text(text), end="", soft_wrap=not self._console.is_terminal)

    def _is_line_there(self) -> bool:
        with _somebody_there():
            return self._heard.wait(_LISTEN_S)

    def _heard_line(self) -> str:
        with _somebody_there():
            return self._heard.line()


@contextmanager
def _somebody_there() -> Iterator[None]:
    """Raises NobodyThere where the terminal can't be used."""
    from sequencer.operator import NobodyThere

    try:
        yield
    except OSError as error:
        raise NobodyThere(f"nobody can be asked: {error.strerror}") from error
