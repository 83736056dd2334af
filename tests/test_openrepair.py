"""Repair records of the Open Repair Data Standard: every row becomes a case or is named with its line."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from helpers import shared_data
from hypothesis import given
from hypothesis import settings as run
from hypothesis import strategies as st

from casebase.exchange import import_file
from casebase.exchange.openrepair import MAX_FIELD, NO_WORDS, Row, import_open_repair, read_rows, to_case
from casebase.exchange.report import ImportReport
from casebase.problems import Place, Problem, Refused
from casebase.record.case import Case, Fault, Machine
from casebase.record.folder import load, load_all, scan

STANDARD = (
    "id", "data_provider", "country", "partner_product_category", "product_category", "product_category_id", "brand",
    "year_of_manufacture", "product_age", "repair_status", "repair_barrier_if_end_of_life", "group_identifier",
    "event_date", "problem",
)  # fmt: skip
"""The columns of the standard, v0.3."""

ROW = {
    "id": "invented_1",
    "data_provider": "Invented Workshop",
    "country": "GBR",
    "partner_product_category": "Garden ~ Mower",
    "product_category": "Lawn mower",
    "product_category_id": "99",
    "brand": "Unknown",
    "year_of_manufacture": "2015",
    "product_age": "",
    "repair_status": "Fixed",
    "repair_barrier_if_end_of_life": "",
    "group_identifier": "7",
    "event_date": "2021-03-04",
    "problem": "will not start after winter",
}


def sheet(path: Path, *rows: dict[str, str], columns: Iterable[str] = STANDARD) -> Path:
    """A CSV file of rows, each with what is different from ROW."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(columns), extrasaction="ignore")
    writer.writeheader()
    writer.writerows({**ROW, **row} for row in rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="")
    return path


def case_of(**cells: str) -> tuple[Case | None, list[Problem]]:
    problems: list[Problem] = []
    return to_case(Row(2, {**ROW, **cells}), Path("x.csv"), problems), problems


def good_case(**cells: str) -> Case:
    case, problems = case_of(**cells)
    assert case is not None
    assert problems == []
    return case


def refusal(file: Path, into: Path) -> Problem:
    with pytest.raises(Refused) as refused:
        import_open_repair(file, into)
    (problem,) = refused.value.problems
    assert problem.hint
    assert not into.exists(), "nothing is written of a file that is refused"
    return problem


def test_a_row_of_the_standard_becomes_a_case(tmp_path: Path) -> None:
    report = import_file("open-repair", sheet(tmp_path / "x.csv", {}), tmp_path / "new" / "cases")
    assert report == ImportReport(1, ())
    reading = load(tmp_path / "new" / "cases" / "invented_1.md")
    assert reading.problems == ()
    assert reading.case == Case(
        id="invented_1",
        title="Lawn mower: will not start after winter",
        date=date(2021, 3, 4),
        machine=Machine(kind="Lawn mower", age="6 years"),
        complaint="will not start after winter",
        status="closed",
        outcome="fixed",
        body="Imported from a record in the Open Repair Data Standard. Provider: Invented Workshop. Country: GBR. "
        "Their category: Garden ~ Mower.",
    )


@pytest.mark.parametrize(
    ("columns", "cells"),
    [
        (("id_ords", "product_category", "problem", "repair_status", "event_date"), {"id_ords": "old_1"}),
        (("ID", " Product_Category ", "PROBLEM", "repair_status", "event_date"), {}),
        (
            ("event_date", "repair_status", "problem", "product_category", "fault_type", "id", "new"),
            {"fault_type": "Plug"},
        ),
    ],
)
def test_older_and_shuffled_columns_are_read(tmp_path: Path, columns: tuple[str, ...], cells: dict[str, str]) -> None:
    same = {name: ROW.get(name.strip().casefold(), "") for name in columns}
    report = import_open_repair(sheet(tmp_path / "x.csv", {**same, **cells}, columns=columns), tmp_path / "c")
    assert report == ImportReport(1, ())
    (case,), _problems = load_all(tmp_path / "c")
    assert case.id == cells.get("id_ords", "invented_1")
    assert case.complaint == "will not start after winter"
    assert case.causes == ((Fault("Plug"),) if "fault_type" in columns else ())


@pytest.mark.parametrize(
    ("status", "outcome"),
    [
        ("Fixed", "fixed"),
        ("REPAIRABLE", "not fixed"),
        ("End of life", "not worth fixing"),
        ("Unknown", None),
        ("", None),
    ],
)
def test_the_repair_status_becomes_the_outcome(status: str, outcome: str | None) -> None:
    assert good_case(repair_status=status).outcome == outcome


@pytest.mark.parametrize("fault", ["", "Unknown", "Other", "Poor data", "MULTIPLE"])
def test_a_fault_that_says_nothing_is_no_cause(fault: str) -> None:
    assert good_case(fault_type=fault).causes == ()


def test_a_fault_is_a_cause() -> None:
    assert good_case(fault_type="Power/battery").causes == (Fault("Power/battery"),)


@pytest.mark.parametrize(
    ("cells", "age"),
    [
        ({"product_age": "7"}, "7 years"),
        ({"product_age": "7.50"}, "7.5 years"),
        ({"product_age": "", "age": "3"}, "3 years"),
        ({"product_age": "old"}, "6 years"),
        ({"product_age": "9" * 5000}, "6 years"),
        ({"product_age": "-1"}, "6 years"),
        ({"year_of_manufacture": "2021"}, "0 years"),
        ({"year_of_manufacture": "????"}, ""),
        ({"year_of_manufacture": "2030"}, ""),
        ({"year_of_manufacture": "1000"}, ""),
        ({"year_of_manufacture": ""}, ""),
    ],
)
def test_the_age_is_as_recorded_or_reckoned_from_the_year(cells: dict[str, str], age: str) -> None:
    assert good_case(**cells).machine.age == age


@pytest.mark.parametrize(("brand", "make"), [("unknown", ""), ("", ""), ("Invented", "Invented")])
def test_an_unknown_brand_is_no_make(brand: str, make: str) -> None:
    assert good_case(brand=brand).machine.make == make


def test_a_long_problem_is_cut_in_the_title_only() -> None:
    case = good_case(problem="one two\nthree  four five six seven eight nine")
    assert case.title == "Lawn mower: one two three four five six seven eight …"
    assert case.complaint == "one two three four five six seven eight nine"


def test_a_row_without_a_category_has_a_machine_of_unknown_kind() -> None:
    assert good_case(product_category=" ").machine.kind == "unknown"


@pytest.mark.parametrize(
    ("written", "case_id"),
    [
        ("a/b c", "a-b-c"),
        ("../../etc/passwd", "etc-passwd"),
        ("-rf", "rf"),
        ("é1", "1"),
        ("a\\b", "a-b"),
        (".git", "git"),
    ],
)
def test_an_id_is_made_safe_to_be_a_file_name(written: str, case_id: str) -> None:
    assert good_case(id=written).id == case_id


@pytest.mark.parametrize(
    ("cells", "code", "field", "message"),
    [
        ({"id": ""}, "id", "id", '"" cannot name a case'),
        ({"id": "…"}, "id", "id", '"…" cannot name a case'),
        ({"id": "x" * 5000}, "id", "id", "is longer than 120 characters"),
        ({"id": "NUL"}, "id", "id", "some systems reserve"),
        ({"event_date": ""}, "date", "event_date", '"" is not a date'),
        ({"event_date": "2021-02-31"}, "date", "event_date", '"2021-02-31" is not a date'),
        ({"event_date": "04/03/2021"}, "date", "event_date", '"04/03/2021" is not a date'),
        ({"event_date": "9" * 5000}, "date", "event_date", "is not a date"),
    ],
)
def test_a_row_that_cannot_be_a_case_is_named_with_its_line(
    cells: dict[str, str], code: str, field: str, message: str
) -> None:
    case, (problem,) = case_of(**cells)
    assert case is None
    assert (problem.code, problem.field, problem.file, problem.place) == (code, field, "x.csv", Place(2, 1))
    assert (problem.hint, problem.severity) == ("the row was not imported", "error")
    assert message in problem.message
    assert len(problem.message) < 250


@pytest.mark.parametrize(
    ("cells", "code", "field", "hint"),
    [
        ({"repair_status": "mended"}, "choice", "repair_status", "imported without an outcome"),
        ({"problem": " \n"}, "no-words", "problem", f'imported with the complaint "{NO_WORDS}"'),
    ],
)
def test_a_row_that_lacks_something_is_imported_with_a_remark(
    cells: dict[str, str], code: str, field: str, hint: str
) -> None:
    case, (problem,) = case_of(**cells)
    assert case is not None
    assert (problem.code, problem.field, problem.hint, problem.severity) == (code, field, hint, "warning")
    assert (case.outcome, case.complaint) == ((None, ROW["problem"]) if code == "choice" else ("fixed", NO_WORDS))
    assert NO_WORDS in case.title or code == "choice"


def test_every_row_is_imported_or_named(tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    sheet(
        file,
        {"id": "a"},
        {"id": "b", "event_date": "soon"},
        {"id": "a"},
        {"id": "c", "problem": "two\nlines"},
        {"id": ""},
    )
    text = file.read_text().rstrip("\r\n")
    file.write_text(f"{text}\r\none,two\r\n\r\n{'x,' * 20}\r\nd{text.splitlines()[1][len('a') :]}\r\n", newline="")
    into = tmp_path / "c"
    report = import_open_repair(file, into)
    assert sorted(os.listdir(into)) == ["a.md", "c.md", "d.md"]
    assert report.written == 3
    assert [(problem.code, problem.place.line) for problem in report.problems] == [
        ("cells", 8), ("cells", 10), ("date", 3), ("taken", 4), ("id", 7),
    ]  # fmt: skip
    assert report.problems[0].message == "has 2 cells where the head names 14"
    assert all(problem.hint and problem.file == str(file) and problem.place.column == 1 for problem in report.problems)


def test_an_import_done_twice_changes_nothing(tmp_path: Path) -> None:
    file, into = sheet(tmp_path / "x.csv", {}), tmp_path / "c"
    import_open_repair(file, into)
    (into / "invented_1.md").write_text("mine")
    report = import_open_repair(file, into)
    assert report.written == 0
    assert [problem.code for problem in report.problems] == ["taken"]
    assert (into / "invented_1.md").read_text() == "mine"


def test_a_nul_character_costs_its_row_only(tmp_path: Path) -> None:
    file = sheet(tmp_path / "x.csv", {"id": "a", "country": "G\0B"}, {"id": "b", "problem": "\0"}, {"id": "c"})
    report = import_open_repair(file, tmp_path / "c")
    assert report.written == 1
    assert [(problem.code, problem.place) for problem in report.problems] == [
        ("encoding", Place(2, 1)), ("encoding", Place(3, 1)),
    ]  # fmt: skip


@pytest.mark.parametrize("cells", [{"problem": "word " * 5000}, {"brand": "x" * 30_000}, {"problem": "\x07" * 9000}])
def test_a_row_with_more_text_than_a_case_may_have_is_named(tmp_path: Path, cells: dict[str, str]) -> None:
    report = import_open_repair(sheet(tmp_path / "x.csv", {"id": "a", **cells}, {"id": "b"}), tmp_path / "c")
    assert report.written == 1
    assert [(problem.code, problem.place) for problem in report.problems] == [("too-long", Place(2, 1))]
    assert os.listdir(tmp_path / "c") == ["b.md"]


@pytest.mark.parametrize("cells", [{"problem": "wörd " * 3900}, {"problem": "\x07" * 5000}])
def test_a_row_with_as_much_text_as_a_case_may_have_is_imported(tmp_path: Path, cells: dict[str, str]) -> None:
    assert import_open_repair(sheet(tmp_path / "x.csv", cells), tmp_path / "c") == ImportReport(1, ())
    assert load_all(tmp_path / "c")[0][0].complaint == cells["problem"].strip()


HEAD = ",".join(STANDARD)


@pytest.mark.parametrize(
    ("data", "code", "message"),
    [
        (b"", "columns", "has no column id, product_category, problem, repair_status, event_date"),
        (b"\n", "columns", "has no column id, "),
        (b"id,problem,event_date\n", "columns", "has no column product_category, repair_status"),
        (HEAD.replace("id,", "", 1).encode(), "columns", "has no column id"),
        (HEAD.replace(",", ";").encode(), "columns", "has no column"),
        (f"{HEAD},Problem\n".encode(), "columns", "has two columns problem"),
        (f"{HEAD}\nn\xff".encode("latin-1"), "encoding", "is not UTF-8 text (line 2)"),
        (HEAD.encode() + b"\n" * 20_000 + b"\xff", "encoding", "is not UTF-8 text (line 20001)"),
        (f"{HEAD}\n".encode("utf-16"), "encoding", "is not UTF-8 text (line 1)"),
        (f'{HEAD}\n\n1,"open\n2,\n3,\n'.encode(), "csv", "in the record that begins at line 3)"),
        (f'{HEAD}\n1,"a"b,\n'.encode(), "csv", "in the record that begins at line 2)"),
        (f"{HEAD}\n1,{'x' * (MAX_FIELD + 1)},\n".encode(), "csv", "in the record that begins at line 2)"),
        (b"x" * (MAX_FIELD + 1), "csv", "in the record that begins at line 1)"),
    ],
)
def test_a_file_of_another_shape_is_refused_whole(tmp_path: Path, data: bytes, code: str, message: str) -> None:
    (tmp_path / "x.csv").write_bytes(data)
    problem = refusal(tmp_path / "x.csv", tmp_path / "c")
    assert (problem.code, problem.field) == (code, "FILE")
    assert message in problem.message


def test_a_byte_order_mark_makes_no_difference(tmp_path: Path) -> None:
    file = sheet(tmp_path / "x.csv", {})
    plain = read_rows(file)
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert read_rows(file) == plain


@pytest.mark.parametrize(("name", "reason"), [("gone.csv", "No such file"), ("folder", "Is a directory")])
def test_a_file_that_cannot_be_read_is_refused(tmp_path: Path, name: str, reason: str) -> None:
    (tmp_path / "folder").mkdir()
    problem = refusal(tmp_path / name, tmp_path / "c")
    assert (problem.code, problem.field) == ("unreadable", "FILE")
    assert reason in problem.message


def test_a_place_that_cannot_take_cases_is_refused(tmp_path: Path) -> None:
    file = sheet(tmp_path / "x.csv", {})
    with pytest.raises(Refused) as refused:
        import_open_repair(file, file)
    assert [(problem.code, problem.field) for problem in refused.value.problems] == [("no-folder", "--into")]


@pytest.mark.parametrize(
    ("form", "hint"), [("open-repiar", 'did you mean "open-repair"?'), ("zzz", "allowed: open-repair")]
)
def test_an_unknown_form_is_refused_with_the_nearest(tmp_path: Path, form: str, hint: str) -> None:
    with pytest.raises(Refused) as refused:
        import_file(form, tmp_path / "x", tmp_path / "c")
    (problem,) = refused.value.problems
    assert (problem.code, problem.field, problem.hint) == ("choice", "FORMAT", hint)


def test_progress_sees_every_row_and_how_many_there_are(tmp_path: Path) -> None:
    seen: list[object] = []

    def progress(rows: Iterable[Any], total: int) -> Iterable[Any]:
        seen.append(total)
        for row in rows:
            seen.append(row.get("id"))
            yield row

    report = import_file("open-repair", sheet(tmp_path / "x.csv", {"id": "a"}, {"id": "b"}), tmp_path / "c", progress)
    assert report.written == 2
    assert seen == [2, "a", "b"]


cell = st.text(st.characters(exclude_categories=["Cs"]), max_size=12) | st.sampled_from(
    ["=1+1", "a: b", '"', "'", "---", "<<<<<<< HEAD", "\x1b[31m", "\u2028", "2021-02-31", "Fixed", "no", "\r", "\n"]
)


@run(max_examples=100)
@given(rows=st.lists(st.fixed_dictionaries(dict.fromkeys(STANDARD, cell)), min_size=1, max_size=6))
def test_whatever_stands_in_the_cells_each_row_is_a_readable_case_or_named(
    tmp_path_factory: pytest.TempPathFactory, rows: list[dict[str, str]]
) -> None:
    folder = tmp_path_factory.mktemp("import")
    for number, row in enumerate(rows):
        row["event_date"] = row["event_date"] if number % 3 == 2 else ROW["event_date"]
        row["id"] = f"{number % 4}-{row['id']}"
    report = import_open_repair(sheet(folder / "x.csv", *rows), folder / "c")
    refused = [problem for problem in report.problems if problem.severity == "error"]
    assert report.written + len(refused) == len(rows)
    cases, problems = load_all(folder / "c")
    assert len(cases) == report.written
    assert {problem.code for problem in problems} <= {"no-outcome", "id-case"}


def test_the_real_file_is_imported_without_a_row_lost(tmp_path: Path) -> None:
    file = shared_data("open-repair/general_v0.3.csv")
    report = import_open_repair(file, tmp_path)
    with open(file, encoding="utf-8", newline="") as text:
        records = list(csv.DictReader(text))
    assert report.written == len(records) == 20_190
    listing = scan(tmp_path)
    assert listing.problems == ()
    assert {entry.id for entry in listing.entries} == {record["id"] for record in records}
    without_words = sum(not record["problem"].strip() for record in records)
    assert [problem.code for problem in report.problems] == ["no-words"] * without_words
    for record in records[::97]:
        reading = load(tmp_path / f"{record['id']}.md")
        assert reading.case is not None, reading.problems
        assert reading.case.date.isoformat() == record["event_date"]
        assert reading.case.complaint == (" ".join(record["problem"].split()) or NO_WORDS)
        assert (reading.case.outcome == "fixed") == (record["repair_status"] == "Fixed")


@pytest.mark.parametrize("name", ["laptops", "mobiles", "tablets"])
def test_the_real_labelled_files_are_read_with_their_causes(name: str) -> None:
    file = shared_data(f"open-repair/{name}.csv")
    rows, problems = read_rows(file)
    assert problems == []
    remarks: list[Problem] = []
    cases = [to_case(row, file, remarks) for row in rows]
    assert [problem for problem in remarks if problem.severity == "error"] == []
    labelled = sum(not re.fullmatch("Unknown|Other|Poor data|Multiple|", row.cells["fault_type"]) for row in rows)
    assert sum(len(case.causes) for case in cases if case) == labelled > 0
