"""The report of one run: one HTML file that needs nothing beside it."""

from pathlib import Path

from sequencer.record import REPORT, Record
from sequencer.report.rendering import css_string, render, write_page
from sequencer.report.run_view import run_view


def write_run_report(record: Record) -> Path:
    """Write report.html into the run's folder; returns its path."""
    return write_page(record.folder / REPORT, render_run(record))


def render_run(record: Record) -> str:
    """The report as HTML. The same record gives the same text."""
    view = run_view(record)
    footer = css_string(f"{view.name} - {view.title}")
    return render("run.html.j2", run=view, page_footer=footer)
