"""Typed values out of a YAML tree, every problem with its place and its remedy."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal

import pytest
from helpers import spots

from casebase.problems import Place, Problem
from casebase.record.schema import MAX_TEXT, Fields, Findings, join, scalar_text, shorten, text_list
from casebase.record.yamltree import Mapping, parse


def fields(text: str) -> Fields:
    """The fields of a small YAML mapping."""
    node, problems = parse(text)
    assert isinstance(node, Mapping)
    assert problems == []
    return Fields(node, Findings("x.md"))


def only_problem(part: Fields) -> Problem:
    (problem,) = part.findings.problems
    assert problem.file == "x.md"
    return problem


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("no", "no"),
        ("012", "012"),
        ("12:30", "12:30"),
        ("1.10", "1.10"),
        ("~", "~"),
        ("''", ""),
        ("", ""),
        ('"  a\\tb\\n c  "', "a b c"),
        ("|\n  a\n\n  b", "a b"),
        ('"a\\u00a0b"', "a b"),
        ("x" * MAX_TEXT, "x" * MAX_TEXT),
    ],
)
def test_a_text_is_what_was_typed_with_white_space_folded(written: str, value: str) -> None:
    part = fields(f"a: {written}")
    assert part.text("a") == value
    assert part.findings.problems == []


@pytest.mark.parametrize("read", [Fields.text, Fields.texts])
def test_a_key_that_is_not_there_is_empty(read: Callable[[Fields, str], object]) -> None:
    part = fields("a: b")
    assert not read(part, "c")
    assert part.findings.problems == []


@pytest.mark.parametrize(
    ("written", "code", "column", "message", "hint"),
    [
        ("[b]", "shape", 4, "must be a single text, not a list or a group", "put it in one line"),
        ("{b: c}", "shape", 4, "must be a single text", 'a text holding ": " must stand in quotes'),
        ("x" * (MAX_TEXT + 1), "too-long", 4, "is longer than 20000 characters", "move the story into the body"),
    ],
)
def test_what_is_not_one_text_is_named(written: str, code: str, column: int, message: str, hint: str) -> None:
    part = fields(f"a: {written}")
    assert part.text("a", required=True) == ""
    problem = only_problem(part)
    assert (problem.code, problem.place, problem.field) == (code, Place(1, column), "a")
    assert message in problem.message
    assert problem.hint == hint


@pytest.mark.parametrize(
    ("written", "place", "message"),
    [("b: c", Place(1, 1), '"a" is missing'), ("b: c\na: ' '", Place(2, 4), '"a" is empty')],
)
def test_a_required_text_that_is_missing_or_empty_is_named(written: str, place: Place, message: str) -> None:
    part = fields(written)
    part.text("a", required=True)
    assert only_problem(part) == Problem("missing", message, "a must have a value", "x.md", place, "a")


@pytest.mark.parametrize(
    ("written", "values"),
    [
        ("[b, 'c d', \"\", 012]", ("b", "c d", "012")),
        ("b, c", ("b, c",)),
        ("", ()),
        ("[]", ()),
        ("\n  - b\n  - no", ("b", "no")),
    ],
)
def test_a_list_of_texts_may_be_one_text_and_drops_empty_ones(written: str, values: tuple[str, ...]) -> None:
    part = fields(f"a: {written}")
    assert part.texts("a") == values
    assert part.findings.problems == []


@pytest.mark.parametrize(
    ("written", "column", "field", "hint"),
    [
        ("{b: c}", 4, "a", "must stand in quotes"),
        ("[b, c: d, e]", 8, "a[1]", "must stand in quotes"),
        ("[b, [c], e]", 8, "a[1]", "put it in one line"),
    ],
)
def test_a_list_holding_something_else_is_named(written: str, column: int, field: str, hint: str) -> None:
    part = fields(f"a: {written}")
    part.texts("a")
    problem = only_problem(part)
    assert (problem.code, problem.place, problem.field) == ("shape", Place(1, column), field)
    assert hint in problem.hint


def test_a_list_keeps_its_good_entries_beside_a_bad_one() -> None:
    assert fields("a: [b, {c: d}, e]").texts("a") == ("b", "e")


@pytest.mark.parametrize("written", ["fixed", "FIXED", "' Fixed '"])
def test_a_choice_is_read_in_any_case(written: str) -> None:
    assert fields(f"a: {written}").choice("a", ("open", "fixed"), "an outcome") == "fixed"


@pytest.mark.parametrize(
    ("written", "code", "message", "hint"),
    [
        ("fixt", "choice", '"fixt" is not an outcome', 'did you mean "fixed"?'),
        ("zzz", "choice", '"zzz" is not an outcome', "allowed: open, fixed"),
        ("''", "choice", "is empty", "allowed: open, fixed"),
        ("[fixed]", "shape", "must be a single text, not a list or a group", "put it in one line"),
        ("y" * 99, "choice", f'"{"y" * 59}…" is not an outcome', "allowed: open, fixed"),
    ],
)
def test_a_choice_outside_the_list_is_named_with_the_nearest(written: str, code: str, message: str, hint: str) -> None:
    part = fields(f"a: {written}")
    assert part.choice("a", ("open", "fixed"), "an outcome") is None
    assert only_problem(part) == Problem(code, message, hint, "x.md", Place(1, 4), "a")


def test_a_choice_not_made_is_none_without_a_problem() -> None:
    part = fields("b: c")
    assert part.choice("a", ("open",), "a status") is None
    assert part.findings.problems == []


@pytest.mark.parametrize(("written", "day"), [("2026-04-18", date(2026, 4, 18)), ("'2024-02-29'", date(2024, 2, 29))])
def test_a_date_is_year_month_day(written: str, day: date) -> None:
    assert fields(f"a: {written}").date("a") == day


@pytest.mark.parametrize(
    ("written", "message", "hint"),
    [
        ("2026-02-31", "2026-02-31 is not a day of the calendar", "check month and day"),
        ("2026-13-01", "2026-13-01 is not a day of the calendar", "check month and day"),
        ("0000-01-01", "0000-01-01 is not a day of the calendar", "check month and day"),
        ("18.4.2026", '"18.4.2026" is not a date', "write it as 2026-04-18"),
        ("20260418", '"20260418" is not a date', "write it as 2026-04-18"),
        ("2026-4-18", '"2026-4-18" is not a date', "write it as 2026-04-18"),
        ("2026-04-18T10:00", '"2026-04-18T10:00" is not a date', "write it as 2026-04-18"),
        ("9" * 5000, f'"{"9" * 59}…" is not a date', "write it as 2026-04-18"),
    ],
)
def test_what_is_no_date_is_named(written: str, message: str, hint: str) -> None:
    part = fields(f"a: {written}")
    assert part.date("a") is None
    assert only_problem(part) == Problem("date", message, hint, "x.md", Place(1, 4), "a")


@pytest.mark.parametrize(
    ("written", "number"),
    [("25", "25"), ("9.50", "9.50"), ("012", "12"), ("0", "0"), ("999999999.999999", "999999999.999999")],
)
def test_a_number_is_exactly_what_was_typed(written: str, number: str) -> None:
    value = fields(f"a: {written}").number("a", "hint")
    assert value == Decimal(number)
    assert isinstance(value, Decimal)


@pytest.mark.parametrize(
    "written", ["-1", "1,50", "1e3", "9.50 EUR", "12:30", "0x1F", ".5", "5.", "nan", "1_000", "9" * 5000, "1.1234567"]
)
def test_what_is_no_plain_number_is_named(written: str) -> None:
    part = fields(f"a: {written}")
    assert part.number("a", "for example 25") is None
    shown = shorten(written)
    assert only_problem(part) == Problem(
        "number", f'"{shown}" is not a plain number', "for example 25", "x.md", Place(1, 4), "a"
    )


@pytest.mark.parametrize("empty", ["a:", "b: c"])
def test_dates_and_numbers_may_be_left_out(empty: str) -> None:
    part = fields(empty)
    assert part.date("a") is None
    assert part.number("a", "hint") is None
    assert part.findings.problems == []


def test_a_mapping_gives_fields_that_know_their_path() -> None:
    part = fields("a:\n  b: {c: x}").mapping("a")
    assert part is not None
    inner = part.mapping("b")
    assert inner is not None
    assert (inner.path, inner.text("c")) == ("a.b", "x")
    assert inner.findings.places["a.b.c"] == Place(2, 10)


@pytest.mark.parametrize(
    ("key", "written", "hint"),
    [
        ("machine", "chainsaw", "for example machine: {kind: ...}"),
        ("history", "[a]", "write them as name: value"),
        ("private", "", "write them as name: value"),
    ],
)
def test_a_group_that_is_none_is_named(key: str, written: str, hint: str) -> None:
    part = fields(f"{key}: {written}")
    assert part.mapping(key) is None
    problem = only_problem(part)
    assert (problem.code, problem.field, problem.hint) == ("shape", key, hint)
    assert problem.message == f'"{key}" must hold named values'
    assert problem.place.line == 1


def test_a_list_of_groups_keeps_what_can_be_used_and_where_it_stood() -> None:
    part = fields("a:\n  - {b: 1}\n  - stray\n  - {b: ''}\n  - {b: 2}")
    assert part.each("a", lambda item: item.text("b") or None, "- b: 1") == ["1", "2"]
    assert part.findings.kept["a"] == ["a[0]", "a[3]"]
    assert only_problem(part) == Problem(
        "shape", "is not a set of named values", "for example - b: 1", "x.md", Place(3, 5), "a[1]"
    )


@pytest.mark.parametrize("written", ["a:", "a: []", "b: c"])
def test_a_list_of_groups_may_be_empty(written: str) -> None:
    part = fields(written)
    assert part.each("a", lambda item: item, "- b") == []
    assert part.findings.problems == []


@pytest.mark.parametrize("written", ["text", "{b: c}"])
def test_a_list_of_groups_that_is_no_list_is_named(written: str) -> None:
    part = fields(f"a: {written}")
    assert part.each("a", lambda item: item, "- b: 1") == []
    assert only_problem(part) == Problem("shape", '"a" must be a list', "for example - b: 1", "x.md", Place(1, 4), "a")


def test_keys_nobody_asked_for_are_named_with_the_nearest_known() -> None:
    part = fields("title: x\n  \ntitel: y\nzzz: z")
    assert part.has("titel")
    part.text("title")
    part.close(("title", "date"))
    assert spots(part.findings.problems) == [("unknown-key", 3, 1), ("unknown-key", 4, 1)]
    assert [problem.hint for problem in part.findings.problems] == ['did you mean "title"?', "allowed: title, date"]
    assert [problem.field for problem in part.findings.problems] == ["titel", "zzz"]


def test_an_unknown_key_is_shown_shortened_and_with_every_known_one() -> None:
    part = fields(f"{'k' * 200}: x")
    known = tuple(f"word{n}" for n in range(20))
    part.close(known)
    problem = only_problem(part)
    assert problem.message == f'"{"k" * 59}…" is not a known field'
    assert problem.hint == "allowed: " + ", ".join(known)


def test_a_place_not_known_stands_for_the_whole_file() -> None:
    findings = Findings("x.md")
    findings.report("c", "message", path="never.read")
    assert findings.problems[0].place == Place()


def test_text_and_list_can_be_read_from_any_node() -> None:
    node, _problems = parse("[a, b]")
    assert node is not None
    findings = Findings("x.md")
    assert text_list(node, findings, "p") == ("a", "b")
    assert scalar_text(node, findings, "p") == ""
    assert findings.places["p[1]"] == Place(1, 5)


@pytest.mark.parametrize(("path", "joined"), [("", "key"), ("steps[2]", "steps[2].key")])
def test_paths_are_joined_with_a_dot(path: str, joined: str) -> None:
    assert join(path, "key") == joined


@pytest.mark.parametrize(("length", "shown"), [(60, "x" * 60), (61, "x" * 59 + "…")])
def test_long_texts_are_shortened_to_their_limit(length: int, shown: str) -> None:
    assert shorten("x" * length) == shown
