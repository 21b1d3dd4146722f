"""What is to be done in the morning, a row for each flag: for the page and for a spreadsheet."""

import csv
from collections.abc import Iterable, Iterator
from datetime import date
from io import StringIO
from pathlib import Path

from crossgrain.names.values import frozen
from crossgrain.nightly.issues import Ledger, Night
from crossgrain.nightly.judging import Answer, FlagLine
from crossgrain.nightly.naming import PatientNamed, Shown, chart_link
from crossgrain.nightly.outputs import opened
from crossgrain.nightly.plan import BYTE_ORDER_MARK
from crossgrain.screening.course import FlagCode, FlagSummary
from crossgrain.screening.writing import REASONS
from crossgrain.sheet.rendering import as_shown

WORKLIST_CSV = "worklist.csv"


@frozen
class WorklistRow:
    """One row.

    Attributes
    ----------
    place : counted from 1, the most pressing first
    patient : the reference
    named : what else of the patient is allowed
    link : where the chart opens, or empty
    reason : the code in words
    found_on : the first night that found it
    is_new : that is this night
    """

    place: int
    patient: str
    named: PatientNamed
    link: str
    reason: str
    code: str
    grade: str
    urgency: str
    summary: FlagSummary
    switched_on: date
    act: str
    found_on: date
    is_new: bool
    statement: str
    arithmetic: list[str]
    source: str


@frozen
class NightDesk:
    """Where the worklist is read: what is known of earlier nights, and what may be shown."""

    night: Night
    shown: frozenset[Shown] = frozenset()
    link: str | None = None

    def entries(self, flags: Iterable[tuple[Answer, FlagLine]]) -> Iterator[WorklistRow]:
        """A row for each flag, in their order."""
        for place, (answer, flag) in enumerate(flags, start=1):
            yield self._entry(place, answer, flag)

    def _entry(self, place: int, answer: Answer, flag: FlagLine) -> WorklistRow:
        found_on = self.night.found_on(answer.patient, flag) or self.night.as_of
        return WorklistRow(
            place=place,
            patient=answer.patient,
            named=answer.named,
            link=chart_link(self.link, answer.patient),
            reason=REASONS[FlagCode(flag.code)],
            code=flag.code,
            grade=flag.grade,
            urgency=flag.urgency,
            summary=flag.summary,
            switched_on=flag.switched_on,
            act=flag.act,
            found_on=found_on,
            is_new=found_on == self.night.as_of,  # also where that night is run once more
            statement=flag.statement,
            arithmetic=flag.arithmetic,
            source=flag.source,
        )


def write_csv(folder: Path, ledger: Ledger, desk: NightDesk) -> None:
    """Every flag as one table that a spreadsheet opens (RFC 4180, UTF-8 with its mark)."""
    with opened(folder / WORKLIST_CSV) as file:
        file.write(BYTE_ORDER_MARK)
        heads: tuple[str, ...] = ()
        for entry in desk.entries(ledger.flags()):
            cells = _cells(entry, desk)
            if not heads:
                heads = tuple(cells)
                file.write(_line(heads))
            file.write(_line(map(harmless, cells.values())))
        if not heads:
            file.write(_line(("#", "urgency", "patient", "reason")))


def _cells(entry: WorklistRow, desk: NightDesk) -> dict[str, str]:
    """The row by its headings; what the deployer does not allow has no column."""
    named = {
        Shown.NAME: ("name", entry.named.name),
        Shown.RECORD_NUMBER: ("record number", entry.named.record_number),
        Shown.BIRTH_DATE: ("date of birth", entry.named.birth_date),
    }
    return {
        "#": str(entry.place),
        "urgency": entry.urgency,
        "patient": entry.patient,
        **dict(cell for what, cell in named.items() if what in desk.shown),
        "reason": entry.reason,
        "grade": entry.grade,
        "old dose": entry.summary.old_dose,
        "new dose": entry.summary.new_dose,
        "changed or plan began on": entry.switched_on.isoformat(),
        "blood test": entry.summary.result,
        "why": entry.summary.why,
        "what next": entry.act,
        "listed since": entry.found_on.isoformat(),
        **({"chart": entry.link} if desk.link else {}),
        "code": entry.code,
    }


def _line(cells: Iterable[str]) -> bytes:
    written = StringIO()
    csv.writer(written).writerow(cells)
    return written.getvalue().encode()


_BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def harmless(text: str) -> str:
    """A cell that no spreadsheet takes for a formula (OWASP, CSV injection).

    >>> harmless("=HYPERLINK(1)"), harmless("Example, Alma")
    ("'=HYPERLINK(1)", 'Example, Alma')
    """
    said = as_shown(text)
    return f"'{said}" if said.lstrip().startswith(_BEGINS_A_FORMULA) else said
