"""A recorded capture measured: from its file to readings, as JSON and as a page for people."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sequencer.analysis.checks import require_usable
from sequencer.analysis.errors import CannotMeasure
from sequencer.capture_files import Wanted, read_recording
from sequencer.captures import Samples
from sequencer.errors import Refused, printable
from sequencer.judging import reading_of
from sequencer.limits import Reading
from sequencer.measure_options import measure_options, option_name
from sequencer.measured_kinds import KINDS, Draw, MeasuredKind, Row
from sequencer.quantities import did_you_mean, format_quantity
from sequencer.recordings import Recording
from sequencer.steps.base import Finding
from sequencer.uncertainty import combined
from sequencer.wording import name_text

PLOT_ENDINGS = (".svg", ".png")
_MOST_ROWS = 20
_HIGHEST_V, _LEAST_SWING_V = 1e9, 1e-9  # the squares of less vanish in single precision
_UNITS = {"frequency": "Hz", "level": "V", "width": "Hz", "ring_frequency": "Hz"} | {
    "decay_time": "s",
    "time_constant": "s",
    "q_factor": "1",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """A capture measured: its file, rate and length, the readings, flags and lists of its kind."""

    kind: str
    file: str
    sample_rate_hz: float
    samples: int
    channels: int
    readings: Sequence[Reading]
    flags: Mapping[str, bool]
    lists: Mapping[str, Sequence[Row]]
    draw: Draw
    remarks: tuple[str, ...] = ()

    def to_json(self) -> dict[str, object]:
        """The measurement of the command-line contract."""
        return {
            "analysis": self.kind,
            "file": self.file,
            "sample_rate": self.sample_rate_hz,
            "samples": self.samples,
            "readings": {reading.name: self._with_remarks(reading) for reading in self.readings},
            "flags": dict(self.flags),
            **{name: [_finite(row) for row in rows] for name, rows in self.lists.items()},
        }

    def _with_remarks(self, reading: Reading) -> dict[str, object]:
        """A reading with what was odd about the file, which goes for every one."""
        return replace(reading, remarks=(*reading.remarks, *self.remarks)).to_json()

    def text(self) -> str:
        """The measurement for people, several lines."""
        return "\n".join(_lines(self))


def measure_file(path: Path, kind_name: str, texts: Mapping[str, str | None]) -> Measurement:
    """Measure a capture's file; texts are the options by name, as written.

    Raises Refused: with one of the refusal codes of the analysis where the capture can't support
    the number, else with "argument" or "file".
    """
    kind = _kind(kind_name)
    _require_known(kind_name, kind, texts)
    options = measure_options(texts)
    name = printable(str(path))
    wanted = Wanted(
        full_scale_v=options.full_scale_v, rate_hz=options.rate_hz, is_pair=kind.channels == 2
    )
    try:
        recording = read_recording(path, wanted)
        _require_channels(name, kind_name, kind, recording)
        _require_sound(recording, kind.channels)
        measured = kind.measure(recording, options)
    except CannotMeasure as refusal:
        raise Refused(f"{name}: {refusal}", code=refusal.code) from refusal
    return Measurement(
        kind=kind_name,
        file=name,
        sample_rate_hz=recording.sample_rate_hz,
        samples=recording.size,
        channels=recording.channels,
        readings=[
            reading_of(_with_rate_doubt(finding, recording.rate_uncertainty))
            for finding in measured.findings
        ],
        flags=measured.flags,
        lists=measured.lists,
        draw=measured.draw,
        remarks=recording.remarks,
    )


def _with_rate_doubt(finding: Finding, relative: float) -> Finding:
    """The finding with the doubt of the sample rate in it, where it is a frequency or a time."""
    if finding.unit not in ("Hz", "s") or finding.value is None or not relative:
        return finding
    own = finding.standard_uncertainty or 0.0
    return replace(finding, standard_uncertainty=combined(own, relative * finding.value))


def require_plot_file(path: Path) -> None:
    """Refuse a place where no plot can be written, before anything is computed.

    Raises Refused (code "argument").
    """
    shown = printable(str(path))
    if path.suffix.lower() not in PLOT_ENDINGS:
        raise Refused(f"--plot: {shown} should end in .svg or .png", code="argument")
    if not path.parent.is_dir() or path.is_dir():
        raise Refused(f"--plot: there is no folder for {shown}; make it first", code="argument")


def write_plot(measurement: Measurement, path: Path) -> None:
    """Write the measurement's picture, as SVG or PNG by the file's ending.

    Raises Refused when the file can't be written.
    """
    from sequencer.report.plots import draw_png, draw_svg

    picture = measurement.draw()
    if path.suffix.lower() == ".png":
        content = draw_png(picture)
    else:
        content = draw_svg(picture, with_title=True).encode("utf-8")
    try:
        path.write_bytes(content)
    except OSError as error:
        raise Refused(
            f"--plot: {printable(str(path))} can't be written: {error.strerror}", code="argument"
        ) from error


def _kind(name: str) -> MeasuredKind:
    kind = KINDS.get(name)
    if kind is None:
        shown = printable(name, 40)
        raise Refused(
            f'--as: unknown kind of analysis "{shown}"; {did_you_mean(name, KINDS)}',
            code="argument",
        )
    return kind


def _require_known(name: str, kind: MeasuredKind, texts: Mapping[str, str | None]) -> None:
    for option, text in texts.items():
        if text is not None and option not in kind.options:
            fitting = ", ".join(sorted(option_name(each) for each in kind.options))
            raise Refused(
                f"{option_name(option)} means nothing for {name}; leave it out (it takes {fitting})",
                code="argument",
            )


def _require_channels(name: str, kind_name: str, kind: MeasuredKind, recording: Recording) -> None:
    if recording.channels < kind.channels:
        raise Refused(
            f"{name} has one channel; {kind_name} needs two: the drive first, then the response",
            code="argument",
        )


def _require_sound(recording: Recording, channels: int) -> None:
    """Refuse what the file itself shows to be unusable; the analysis looks at the rest."""
    for number in range(channels):
        require_usable(recording.samples[number], range_peak_v=float("inf"))
        _require_volts(recording.samples[number])
        exceeded = recording.overrange_of(number)
        if exceeded:
            where = f" in channel {number + 1}" if recording.channels > 1 else ""
            raise CannotMeasure(
                "overrange", f"{exceeded}{where}", "record with a higher range, or a lower level"
            )


def _require_volts(channel: Samples) -> None:
    """Refuse numbers that no input ever sees; their squares would leave the range of arithmetic."""
    peak_v, swing_v = float(np.max(np.abs(channel))), float(np.ptp(channel))
    if peak_v > _HIGHEST_V:
        raise CannotMeasure(
            "nonfinite", f"the samples reach {peak_v:.3g} V", "check the file's unit and columns"
        )
    if swing_v < _LEAST_SWING_V:
        raise CannotMeasure(
            "no_signal",
            f"the samples move by {swing_v:.3g} V in all; a live input shows more noise than that",
            "check that the analyser is connected, and the file's unit",
        )


def _finite(row: Row) -> dict[str, float | None]:
    return {
        name: value if value is not None and abs(value) < float("inf") else None
        for name, value in row.items()
    }


def _lines(measurement: Measurement) -> list[str]:
    seconds = format_quantity(measurement.samples / measurement.sample_rate_hz, "s")
    channel = ", channel 1 of 2" if _is_one_of_two(measurement) else ""
    rate = format_quantity(measurement.sample_rate_hz, "Hz", digits=9)
    lines = [
        f"{measurement.file}: {measurement.kind}",
        f"{measurement.samples} samples at {rate}, {seconds}{channel}",
        *measurement.remarks,
        "",
    ]
    names = [name_text(reading.name) for reading in measurement.readings]
    width = max(map(len, names))
    for name, reading in zip(names, measurement.readings, strict=True):
        words = [reading.value_text(), reading.reason, *reading.remarks]
        lines.append(f"  {name:<{width}}  {'; '.join(word for word in words if word)}".rstrip())
    for flag, is_so in measurement.flags.items():
        lines.append(f"  {flag:<{width}}  {'yes' if is_so else 'no'}")
    for title, rows in measurement.lists.items():
        lines += _list_lines(title, rows)
    return [*lines, "", "± is twice the standard uncertainty that the capture itself leaves."]


def _is_one_of_two(measurement: Measurement) -> bool:
    return measurement.channels > KINDS[measurement.kind].channels


def _list_lines(title: str, rows: Sequence[Row]) -> list[str]:
    """The first rows of a list, in columns; none of a curve, which the plot shows better."""
    if not rows or len(rows) > _MOST_ROWS:
        more = f"{len(rows)} rows; --json lists them, --plot draws them" if rows else "none"
        return ["", f"{title}: {more}"]
    columns = list(rows[0])
    table = [[name_text(name) for name in columns]]
    table += [[_cell(name, row[name]) for name in columns] for row in rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(columns))]
    shown = ["  ".join(c.rjust(w) for c, w in zip(row, widths, strict=True)) for row in table]
    return ["", f"{title}, strongest first:", *(f"  {line}" for line in shown)]


def _cell(name: str, value: float | None) -> str:
    return "unknown" if value is None else format_quantity(value, _UNITS.get(name, "1"))
