"""Repair records in the Open Repair Data Standard, v0.3, and in its older column names.

The standard is an open one for records of community repair events. Columns read: `id` (older: `id_ords`),
`product_category`, `problem`, `repair_status`, `event_date`; if there: `product_age` or `age`,
`year_of_manufacture`, `brand`, `repair_barrier_if_end_of_life`, `partner_product_category`, `data_provider`,
`country`, and `fault_type`, the cause that volunteers agreed on.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple

from casebase.exchange.report import ImportReport, RowProgress
from casebase.problems import Place, Problem, Severity, refuse
from casebase.record.case import Case, Fault, Machine, Outcome
from casebase.record.casefile import read
from casebase.record.casetext import write
from casebase.record.folder import id_problem, sync_directory, write_new
from casebase.record.schema import MAX_TEXT, shorten

OUTCOMES: dict[str, Outcome] = {"fixed": "fixed", "repairable": "not fixed", "end of life": "not worth fixing"}
NO_CAUSE = {"", "unknown", "other", "poor data", "multiple"}
NO_WORDS = "(no words recorded)"
MAX_FIELD = 1_000_000

_ID_COLUMNS = ("id", "id_ords")
_NEEDED = ("product_category", "problem", "repair_status", "event_date")


@dataclass(frozen=True, slots=True)
class Row:
    """One record with the line of the file it ends on."""

    line: int
    cells: dict[str, str]

    def get(self, *names: str) -> str:
        """The first of the named cells that is there, white space folded; "" if none is."""
        return next((" ".join(self.cells[name].split()) for name in names if self.cells.get(name)), "")


def read_rows(file: Path) -> tuple[list[Row], list[Problem]]:
    """The rows of a file and those that do not fit its head. Raises `Refused` for a file of another shape."""
    csv.field_size_limit(MAX_FIELD)
    try:
        data = file.read_bytes()
        return _rows(csv.reader(io.StringIO(data.decode().removeprefix("\ufeff"), newline=""), strict=True), file)
    except OSError as error:
        raise refuse("unreadable", f"{file} cannot be read ({error.strerror})", "check the path",
                     field="FILE") from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise refuse("encoding", f"{file} is not UTF-8 text (line {line})", "save it as UTF-8 CSV",
                     field="FILE") from error


def _rows(reader: Iterator[list[str]], file: Path) -> tuple[list[Row], list[Problem]]:
    records = _records(reader, file)
    head = [name.strip().casefold() for name in next(records, (0, []))[1]]
    missing = [name for name in _NEEDED if name not in head]
    if not any(name in head for name in _ID_COLUMNS):
        missing.insert(0, "id")
    if missing:
        raise refuse("columns", f"{file} has no column {', '.join(missing)}",
                     "the first line must name the columns of the Open Repair Data Standard", field="FILE")
    twice = sorted({name for name in head if name and head.count(name) > 1})
    if twice:
        raise refuse("columns", f"{file} has two columns {', '.join(twice)}", "keep one of each", field="FILE")
    rows, problems = [], []
    for line, cells in records:
        if not cells:
            continue
        if len(cells) != len(head):
            problems.append(Problem("cells", f"has {len(cells)} cells where the head names {len(head)}",
                                    "the row was not imported; check its quotes and commas", str(file), Place(line, 1)))
            continue
        if any("\0" in cell for cell in cells):
            problems.append(Problem("encoding", "holds a NUL character", "the row was not imported; remove it",
                                    str(file), Place(line, 1)))
            continue
        rows.append(Row(line, dict(zip(head, cells, strict=True))))
    return rows, problems


def _records(reader: Iterator[list[str]], file: Path) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line it ends on. Raises `Refused` where the file is no CSV any more."""
    line = 0
    try:
        for cells in reader:
            line = reader.line_num  # type: ignore[attr-defined]
            yield line, cells
    except csv.Error as error:
        raise refuse("csv", f"{file} cannot be read as CSV ({error} in the record that begins at line {line + 1})",
                     "put quotes around texts, and two for a quote inside one", field="FILE") from error


def import_open_repair(file: Path, into: Path, progress: RowProgress | None = None) -> ImportReport:
    """Writes one case file per row; see `import_file`."""
    rows, problems = read_rows(file)
    try:
        into.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise refuse("no-folder", f"{into} cannot be made ({error.strerror})", "choose another place",
                     field="--into") from error
    written = 0
    for row in progress(rows, len(rows)) if progress else rows:
        case = to_case(row, file, problems)
        if case is None:
            continue
        text = write(case)
        if len(text) > MAX_TEXT and read(text.encode(), case.id).case is None:
            problems.append(Problem("too-long", "holds more text than a case may have", "the row was not imported; "
                                    "shorten it", str(file), Place(row.line, 1)))
        elif write_new(into / f"{case.id}.md", text, durable=False):
            written += 1
        else:
            problems.append(Problem("taken", f"there is a case {case.id} already", "the row was not imported",
                                    str(file), Place(row.line, 1), "id"))
    sync_directory(into)
    return ImportReport(written, tuple(problems))


class Records(NamedTuple):
    """The records of a file as cases, with the line each ends on and what is wrong with rows."""

    cases: tuple[Case, ...]
    lines: dict[str, int]
    problems: tuple[Problem, ...]


def labelled_records(file: Path, *, english_only: bool = False) -> Records:
    """The records with words, for measuring. Raises `Refused` for a file of another shape or without causes.

    A row that cannot be a case is named in `problems` and left out; so is a cause that stands in one row only, but
    that row stays.
    """
    rows, problems = read_rows(file)
    needed = ("fault_type", *(("english",) if english_only else ()))
    missing = [name for name in needed if rows and name not in rows[0].cells]
    if missing:
        raise refuse("columns", f"{file} has no column {', '.join(missing)}",
                     "fault_type holds the cause; english (yes or no) is needed for --english-only", field="FILE")
    cases: list[Case] = []
    lines: dict[str, int] = {}
    for row in rows:
        if not row.get("problem") or (english_only and row.get("english").casefold() != "yes"):
            continue
        case = to_case(row, file, problems)
        if case is not None and case.id in lines:
            problems.append(Problem("duplicate", f"{case.id} stands here a second time", "the row was left out",
                                    str(file), Place(row.line, 1), "id"))
        elif case is not None:
            lines[case.id] = row.line
            cases.append(case)
    counts = Counter(cause.fault for case in cases for cause in case.causes)
    problems += [Problem("lone-label", f'the cause "{cause.fault}" stands in this row only, so nothing can be found '
                         "for it", "it counts as a miss", str(file), Place(lines[case.id], 1), "fault_type", "warning")
                 for case in cases for cause in case.causes if counts[cause.fault] == 1]
    return Records(tuple(cases), lines, tuple(problems))


def to_case(row: Row, file: Path, problems: list[Problem]) -> Case | None:
    """The case of a row, or None where it has no usable id or date; remarks go to `problems`."""

    def remark(code: str, message: str, hint: str, field: str, severity: Severity = "error") -> None:
        problems.append(Problem(code, message, hint, str(file), Place(row.line, 1), field, severity))

    case_id = re.sub(r"[^A-Za-z0-9._-]+", "-", row.get(*_ID_COLUMNS)).strip("-._")
    if id_problem(case_id):
        remark("id", f'"{shorten(row.get(*_ID_COLUMNS))}" cannot name a case: it {id_problem(case_id)}',
               "the row was not imported", "id")
        return None
    day = _date(row.get("event_date"))
    if day is None:
        remark("date", f'"{shorten(row.get("event_date"))}" is not a date', "the row was not imported", "event_date")
        return None
    status = row.get("repair_status").casefold()
    if status not in OUTCOMES and status not in ("", "unknown"):
        remark("choice", f'"{shorten(row.get("repair_status"))}" is not a repair status of the standard',
               "imported without an outcome", "repair_status", "warning")
    complaint = row.get("problem")
    if not complaint:
        remark("no-words", "has no problem text", f'imported with the complaint "{NO_WORDS}"', "problem", "warning")
    kind = row.get("product_category") or "unknown"
    fault = row.get("fault_type")
    return Case(
        id=case_id, title=_title(kind, complaint), date=day, status="closed", outcome=OUTCOMES.get(status),
        machine=Machine(kind=kind, make="" if row.get("brand").casefold() == "unknown" else row.get("brand"),
                        age=_age(row)),
        complaint=complaint or NO_WORDS,
        causes=() if fault.casefold() in NO_CAUSE else (Fault(fault),),
        body=_body(row),
    )


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _title(kind: str, complaint: str) -> str:
    words = complaint.split()
    short = " ".join(words[:8]) + (" …" if len(words) > 8 else "")
    return f"{kind}: {short}" if short else f"{kind}: {NO_WORDS}"


def _age(row: Row) -> str:
    """The age in years: as recorded, else from the year it was made."""
    age = row.get("product_age", "age")
    year = row.get("year_of_manufacture")
    if re.fullmatch(r"\d{1,4}(\.\d+)?", age):
        return f"{float(age):g} years"
    made, event = re.match(r"(\d{4})", year), re.match(r"(\d{4})", row.get("event_date"))
    if made and event and 0 <= int(event[1]) - int(made[1]) <= 150:
        return f"{int(event[1]) - int(made[1])} years"
    return ""


def _body(row: Row) -> str:
    """Where the record came from, and what of it has no field of its own."""
    lines = ["Imported from a record in the Open Repair Data Standard."]
    for label, name in (("Provider", "data_provider"), ("Country", "country"),
                        ("Their category", "partner_product_category"),
                        ("Barrier", "repair_barrier_if_end_of_life")):
        if row.get(name):
            lines.append(f"{label}: {row.get(name)}.")
    return " ".join(lines)
