"""The report of a pair: both units side by side, and links to each unit's own report."""

from collections.abc import Sequence
from pathlib import Path

from sequencer.record import REPORT, Json, Record, journal_ends
from sequencer.report.pair_view import pair_view
from sequencer.report.rendering import css_string, render, write_page
from sequencer.seal import sealed


def write_pair_report(
    folder: Path,
    records: Sequence[Record],
    match: Sequence[Json],
    alterations: Sequence[str] = (),
) -> Path:
    """Write report.html into the pair's folder; returns its path.

    match holds the rows of the match table as the command-line contract has them; alterations are
    what verifying found to be changed since the records were written.
    """
    page = sealed(render_pair(folder, records, match, alterations), journal_ends(records))
    return write_page(folder / REPORT, page)


def render_pair(
    folder: Path,
    records: Sequence[Record],
    match: Sequence[Json],
    alterations: Sequence[str] = (),
) -> str:
    """The pair's report as HTML; links to the runs' reports are relative to folder."""
    view = pair_view(folder, records, match)
    footer = css_string(f"{view.name} - {view.title}")
    return render("pair.html.j2", pair=view, alterations=alterations, page_footer=footer)
