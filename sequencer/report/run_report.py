"""The report of one run: one HTML file that needs nothing beside it."""

from collections.abc import Sequence
from pathlib import Path

from sequencer.record import REPORT, Record, journal_ends
from sequencer.report.rendering import css_string, render, write_page
from sequencer.report.run_view import run_view
from sequencer.seal import sealed


def write_run_report(record: Record, alterations: Sequence[str] = ()) -> Path:
    """Write report.html into the run's folder; returns its path.

    alterations are what verifying found to be changed since the record was written.
    """
    page = sealed(render_run(record, alterations), journal_ends([record]))
    return write_page(record.folder / REPORT, page)


def render_run(record: Record, alterations: Sequence[str] = ()) -> str:
    """The report as HTML. The same record gives the same text."""
    view = run_view(record)
    footer = css_string(f"{view.name} - {view.title}")
    return render("run.html.j2", run=view, alterations=alterations, page_footer=footer)
