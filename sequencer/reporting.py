"""A report written again from its record, which is verified first: an altered one is told, big."""

from dataclasses import dataclass
from pathlib import Path

from sequencer.journal import JOURNAL
from sequencer.matching import match
from sequencer.record import MATCH, SUMMARY, read_record, write_summary
from sequencer.report.pair_report import write_pair_report
from sequencer.report.run_report import write_run_report
from sequencer.verifying import Verification, altered_text, refuse_running, verify_all


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportAgain:
    """Where the report lies, and what was altered in the record it was made from."""

    path: Path
    alterations: tuple[str, ...]

    def text(self) -> str:
        """What was altered, for people; empty when nothing was."""
        return altered_text(self.alterations)


def write_report_again(folder: Path) -> ReportAgain:
    """Write the report of a run's or a pair's folder from its record.

    Of a sound run also the summary, where it could not be written before.
    Raises Refused when the folder holds neither, or a run that is still going on.
    """
    refuse_running(folder)
    alterations = _alterations(folder, verify_all(folder))
    if (folder / JOURNAL).is_file() or not (folder / MATCH).is_file():
        record = read_record(folder)
        if not alterations and not (folder / SUMMARY).exists():
            write_summary(record)
        path = write_run_report(record, alterations)
        return ReportAgain(path=path, alterations=alterations)
    found = [read_record(each.parent) for each in sorted(folder.glob(f"*/{JOURNAL}"))]
    # From the runs as they are now: one may have been resumed since the table was written.
    records = sorted(found, key=lambda each: int(each.started.get("position", 1)))
    matches = match([each.summary() for each in records]) if len(records) > 1 else []
    path = write_pair_report(folder, records, [each.to_json() for each in matches], alterations)
    return ReportAgain(path=path, alterations=alterations)


def _alterations(folder: Path, verified: list[Verification]) -> tuple[str, ...]:
    """What was altered in the record, of a pair with the name of the run."""
    return tuple(
        text if each.folder == folder else f"{each.folder.name}: {text}"
        for each in verified
        for text in each.of_record
    )
