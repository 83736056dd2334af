"""Other forms of repair records, in and out. Each form has a module of its own."""

from __future__ import annotations

from pathlib import Path

from casebase.exchange.report import ImportReport, RowProgress
from casebase.problems import did_you_mean, refuse

FORMS = ("open-repair",)


def import_file(form: str, file: Path, into: Path, progress: RowProgress | None = None) -> ImportReport:
    """Writes the records of `file` as case files into the folder `into`, which is made if missing.

    Raises `Refused` for an unknown form, an unreadable file or one of another shape. What is wrong with
    single rows is in the report, with the row's line; no row is dropped in silence.
    """
    if form not in FORMS:
        raise refuse("choice", f'"{form}" is not a form that can be imported', did_you_mean(form, FORMS),
                     field="FORMAT")
    from casebase.exchange.openrepair import import_open_repair

    return import_open_repair(file, into, progress)
