"""Every mistake in a case file, with its exact place and its remedy; nothing is raised and nothing is silent."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from helpers import EXAMPLE, NEEDED, reading, spot, spots, text, within
from hypothesis import given
from hypothesis import settings as run
from hypothesis import strategies as st

from casebase.problems import Problem, errors
from casebase.record import casefile, schema, yamltree
from casebase.record.casefile import MAX_FILE_BYTES, MAX_FRONT_MATTER_BYTES, Reading, decode, read
from casebase.record.schema import Findings

FULL = EXAMPLE.encode()


def read_text(content: str) -> Reading:
    return read(content.encode(), "26-001-saw", "x.md")


def only_problem(result: Reading) -> Problem:
    (problem,) = result.problems
    assert problem.file == "x.md"
    return problem


NOT_A_CASE = [
    (b"", "empty", 0, 0, "begin with a --- line"),
    (b" \n\t\n", "empty", 0, 0, "begin with a --- line"),
    (b"\xef\xbb\xbf", "empty", 0, 0, "begin with a --- line"),
    (text().encode("utf-16"), "encoding", 0, 0, "save it as UTF-8"),
    (text().encode("utf-16-be"), "encoding", 1, 1, "save it as UTF-8"),
    ("\ufeff".encode("utf-16-be") + b"\0-", "encoding", 0, 0, "save it as UTF-8"),
    (text().encode("utf-32"), "encoding", 0, 0, "save it as UTF-8"),
    (b"---\n" + "title: é".encode() + b"\xff\n---\n", "encoding", 2, 9, "save it as UTF-8"),
    (b"\xef\xbb\xbf---\n\xe9\n---\n", "encoding", 2, 1, "save it as UTF-8"),
    (b"\xef\xbb\xbf\xff", "encoding", 1, 1, "save it as UTF-8"),
    (text(body="ok\n").encode() + b"caf\xe9", "encoding", 8, 4, "save it as UTF-8"),
    (text(body="x").encode() + b"\xed\xa0\x80", "encoding", 7, 2, "save it as UTF-8"),
    ("---\ntitle: é\0\n---\n".encode(), "encoding", 2, 9, "save it as UTF-8 text"),
    (text(body="ab\0").encode(), "encoding", 7, 3, "save it as UTF-8 text"),
    (b"title: x\n", "front-matter", 1, 1, "between two --- lines at the top"),
    (b"\n" + text().encode(), "front-matter", 1, 1, "between two --- lines at the top"),
    (b"----\ntitle: x\n---\n", "front-matter", 1, 1, "between two --- lines at the top"),
    (b"---\n" + NEEDED.encode(), "front-matter", 1, 1, "on a line of its own below the last field"),
    (b"---\n", "front-matter", 1, 1, "on a line of its own below the last field"),
    (b"---\n---\n", "front-matter", 2, 1, "begin with title, date, machine and complaint"),
    (b"---\n# remark\n---\n", "front-matter", 2, 1, "begin with title, date, machine and complaint"),
    (b"---\n- a\n---\n", "front-matter", 2, 1, "begin with title, date, machine and complaint"),
    (b"---\nhello\n---\n", "front-matter", 2, 1, "begin with title, date, machine and complaint"),
    (b"---\r" + NEEDED.replace("\n", "\r").encode() + b"---\r", "line-break", 1, 4, "ordinary line end"),
    (text("advice: é\rb").encode(), "line-break", 6, 10, "ordinary line end"),
    (text("advice: é\r\r\nb: c").encode(), "line-break", 6, 10, "ordinary line end"),
    (text("advice: a\u2028b").encode(), "line-break", 6, 10, "ordinary line end"),
    (text("advice: a\u2029b").encode(), "line-break", 6, 10, "ordinary line end"),
    (text("advice: a\u0085b").encode(), "line-break", 6, 10, "ordinary line end"),
    (text("<<<<<<< HEAD\na: 1\n=======\na: 2\n>>>>>>> other").encode(), "conflict", 6, 1, "choose one side"),
    (text("a: 2\n>>>>>>> other").encode(), "conflict", 7, 1, "choose one side"),
    (text(body="<<<<<<<\r\na\r\n").encode(), "conflict", 7, 1, "choose one side"),
    (b"<<<<<<< HEAD\n" + text().encode(), "conflict", 1, 1, "choose one side"),
    (b"x" * (MAX_FILE_BYTES + 1), "too-large", 0, 0, "keep photographs"),
    (text("advice: " + "x" * MAX_FRONT_MATTER_BYTES).encode(), "too-large", 2, 1, "move the story into the body"),
    (text("advice: " + "é" * (MAX_FRONT_MATTER_BYTES // 2)).encode(), "too-large", 2, 1, "move the story"),
]


@pytest.mark.parametrize(("data", "code", "line", "column", "hint"), NOT_A_CASE)
def test_what_is_no_case_file_is_named_with_place_and_remedy(
    data: bytes, code: str, line: int, column: int, hint: str
) -> None:
    result = read(data, "a", "x.md")
    assert result.case is None
    problem = only_problem(result)
    assert spot(problem) == (code, line, column)
    assert hint in problem.hint


def test_a_file_at_its_size_limits_is_read() -> None:
    front = len(NEEDED.encode())
    lists = "advice: [" + "x, " * ((MAX_FRONT_MATTER_BYTES - front - len("advice: []")) // 3) + "]"
    padded = lists + " " * (MAX_FRONT_MATTER_BYTES - front - len(lists))
    content = text(padded)
    assert read_text(content).case is not None
    assert only_problem(read_text(text(padded + " "))).code == "too-large"
    body = "x" * (MAX_FILE_BYTES - len(content.encode()))
    assert read_text(content + body).case is not None
    assert only_problem(read_text(content + body + "x")).code == "too-large"


def test_decoding_gives_the_text_without_its_mark() -> None:
    findings = Findings("x")
    assert decode("\ufeffé".encode(), findings) == "é"
    assert findings.problems == []


WRONG = [
    ("titel: x", "unknown-key", 6, 1, "titel", 'did you mean "title"?'),
    ("zzz: x", "unknown-key", 6, 1, "zzz", "allowed: title, date, status, machine"),
    ("<<: {title: z}", "unknown-key", 6, 1, "<<", "allowed: title"),
    ("'': x", "unknown-key", 6, 1, "", "allowed: title"),
    ("history: {storred: x}", "unknown-key", 6, 11, "history.storred", 'did you mean "stored"?'),
    ("steps: [{check: x, fond: y}]", "unknown-key", 6, 20, "steps[0].fond", 'did you mean "found"?'),
    ("steps: [{check: x, parts: 1}]", "unknown-key", 6, 20, "steps[0].parts", "allowed: check, found, verdict"),
    ("steps: [{set: x, verdict: ok}]", "unknown-key", 6, 18, "steps[0].verdict", "allowed: set, from, to"),
    ("steps: [{do: x, from: y}]", "unknown-key", 6, 17, "steps[0].from", "allowed: do, for, result"),
    ("causes: [{fault: x, explain: y}]", "unknown-key", 6, 21, "causes[0].explain", 'did you mean "explains"?'),
    ("followups: [{date: 2026-06-02, status: holding, note: x}]", "unknown-key", 6, 49, "followups[0].note", "allowed"),
    ("title: Again", "duplicate-key", 6, 1, "title", "keep one of the two"),
    ("private: {a: b, a: c}", "duplicate-key", 6, 17, "a", "keep one of the two"),
    ("status: shut", "choice", 6, 9, "status", "allowed: open, closed"),
    ("status:", "choice", 6, 8, "status", "allowed: open, closed"),
    ("outcome: fixt", "choice", 6, 10, "outcome", 'did you mean "fixed"?'),
    ("steps: [{check: x, verdict: good}]", "choice", 6, 29, "steps[0].verdict", "allowed: ok, bad, unsure"),
    ("steps: [{do: x, result: cure}]", "choice", 6, 25, "steps[0].result", 'did you mean "cured"?'),
    ("steps: [{do: x, result: {a: cure}}]", "choice", 6, 29, "steps[0].result", 'did you mean "cured"?'),
    ("steps: [{do: x, result: ' '}]", "choice", 6, 25, "steps[0].result", "allowed: cured, better"),
    ("steps: [{do: x, result: [cured]}]", "shape", 6, 25, "steps[0].result", "put it in one line"),
    ("steps: [{do: x, source: makers}]", "choice", 6, 25, "steps[0].source", 'did you mean "maker\'s"?'),
    ("followups: [{date: 2026-06-02, status: held}]", "choice", 6, 40, "followups[0].status", "allowed: holding"),
    ("steps: [{check: x, date: 2026-02-31}]", "date", 6, 26, "steps[0].date", "check month and day"),
    ("followups: [{date: soon, status: holding}]", "date", 6, 20, "followups[0].date", "write it as 2026-04-18"),
    ("followups: [{status: holding}]", "missing", 6, 13, "followups[0].date", "must have a value"),
    ("causes: [{explains: []}]", "missing", 6, 10, "causes[0].fault", "must have a value"),
    ("steps: [{check: ''}]", "missing", 6, 17, "steps[0].check", "must have a value"),
    ("steps: [{set: }]", "missing", 6, 15, "steps[0].set", "must have a value"),
    ("steps: [{do: []}]", "missing", 6, 14, "steps[0].do", "name what was done"),
    ("steps: [{do: x, result: {'': cured}}]", "missing", 6, 26, "steps[0].result", "write symptom: result"),
    ("steps: [{do: x, parts: 9 EUR}]", "number", 6, 24, "steps[0].parts", "for example 9.50"),
    ("steps: [{do: x, minutes: half an hour}]", "number", 6, 26, "steps[0].minutes", "for example 25"),
    ("steps: [{check: x, minutes: -5}]", "number", 6, 29, "steps[0].minutes", "for example 25"),
    ("steps: [{set: x, minutes: " + "9" * 5000 + "}]", "number", 6, 27, "steps[0].minutes", "for example 25"),
    ("steps: [{found: x}]", "step-kind", 6, 9, "steps[0]", "check (looked at), set (turned), do (changed)"),
    ("steps: [{check: x, do: y, found: z}]", "step-kind", 6, 9, "steps[0]", "a step is one of them"),
    ("steps: {check: x}", "shape", 6, 8, "steps", "for example - check: fuel line"),
    ("steps: checked the plug", "shape", 6, 8, "steps", "for example - check: fuel line"),
    ("steps: [fuel line]", "shape", 6, 9, "steps[0]", "for example - check: fuel line"),
    ("causes: [fuel line cracked]", "shape", 6, 10, "causes[0]", "for example [{fault: stale fuel}]"),
    ("followups: {date: 2026-06-02}", "shape", 6, 12, "followups", "for example [{date: 2026-06-02"),
    ("history: 5 months", "shape", 6, 10, "history", "write them as name: value"),
    ("private: Invented Name", "shape", 6, 10, "private", "write them as name: value"),
    ("private: {owner: [a]}", "shape", 6, 18, "private.owner", "put it in one line"),
    ("symptoms: {a: b}", "shape", 6, 11, "symptoms", "must stand in quotes"),
    ("advice: [keep: cool]", "shape", 6, 10, "advice[0]", "must stand in quotes"),
    ("comeback of: [a]", "shape", 6, 14, "comeback of", "put it in one line"),
    ("advice: " + "x" * 20_001, "too-long", 6, 9, "advice", "move the story into the body"),
    ("advice: [a, " + "x" * 20_001 + "]", "too-long", 6, 13, "advice[1]", "move the story into the body"),
    ("advice: &a b", "yaml-alias", 6, 9, "", "put the text in quotes"),
    ("advice: *a", "yaml-alias", 6, 9, "", "write the value out"),
    ("advice: !!str a", "yaml-tag", 6, 9, "", "remove it"),
    ("? [a]\n: b", "yaml-key", 6, 3, "", "a key is a single word"),
    ("advice: " + "[" * 20, "yaml-depth", 6, 25, "", "flatten it"),
    ("--- x", "yaml-documents", 6, 1, "", "keep one block"),
    ("advice: a: b", "yaml", 6, 10, "", "must stand in quotes"),
    ("advice: a\x07", "yaml", 6, 10, "", "remove it"),
    ("\tadvice: a", "yaml", 6, 1, "", "spaces, not tabs"),
    ('advice: "a\nproof: b', "yaml", 6, 9, "", "quotation mark is not closed"),
]  # fmt: skip


@pytest.mark.parametrize(("extra", "code", "line", "column", "field", "hint"), WRONG)
def test_every_mistake_is_an_error_with_field_place_and_remedy(
    extra: str, code: str, line: int, column: int, field: str, hint: str
) -> None:
    with within(10):
        result = reading(extra)
    assert result.case is None
    problem = only_problem(result)
    assert spot(problem) == (code, line, column)
    assert problem.field == field
    assert hint in problem.hint
    assert len(problem.message) < 200


@pytest.mark.parametrize(
    ("old", "new", "code", "line", "column", "field", "hint"),
    [
        ("title: Saw will not start\n", "", "missing", 2, 1, "title", "title must have a value"),
        ("title: Saw will not start", "title:", "missing", 2, 7, "title", "title must have a value"),
        ("date: 2026-04-18\n", "", "missing", 2, 1, "date", "date must have a value"),
        ("2026-04-18", "2026-02-31", "date", 3, 7, "date", "check month and day"),
        ("2026-04-18", "18 April", "date", 3, 7, "date", "write it as 2026-04-18"),
        ("machine: {kind: chainsaw}\n", "", "missing", 2, 1, "machine", "for example machine: {kind: chainsaw}"),
        ("{kind: chainsaw}", "chainsaw", "shape", 4, 10, "machine", "for example machine: {kind: ...}"),
        ("{kind: chainsaw}", "{engine: two-stroke}", "missing", 4, 10, "machine.kind", "machine.kind must have a"),
        ("{kind: chainsaw}", "{kind: a, knid: b}", "unknown-key", 4, 20, "machine.knid", 'did you mean "kind"?'),
        ("complaint: it is dead\n", "", "missing", 2, 1, "complaint", "complaint must have a value"),
        ("it is dead", "[a, b]", "shape", 5, 12, "complaint", "put it in one line"),
    ],
)
def test_every_required_field_is_asked_for(
    old: str, new: str, code: str, line: int, column: int, field: str, hint: str
) -> None:
    assert old in text()
    result = read_text(text().replace(old, new))
    assert result.case is None
    problem = only_problem(result)
    assert (spot(problem), problem.field) == ((code, line, column), field)
    assert hint in problem.hint


def test_a_misspelt_kind_of_step_names_the_nearest() -> None:
    result = reading("steps:\n  - chek: fuel line\n    found: split")
    assert spots(result.problems) == [("step-kind", 7, 5), ("unknown-key", 7, 5)]
    assert result.problems[1].hint == 'did you mean "check"?'


def test_one_reading_finds_all_that_is_wrong() -> None:
    result = reading("status: shut\nsteps:\n  - {do: x, result: cure}\n  - {check: y, verdict: k}\nzzz: 1\ntitle: b")
    assert result.case is None
    assert sorted(spots(result.problems)) == [
        ("choice", 6, 9), ("choice", 8, 21), ("choice", 9, 25), ("duplicate-key", 11, 1), ("unknown-key", 10, 1),
    ]  # fmt: skip


WARNED = [
    ("symptoms: [no spark]\nsteps: [{do: x, for: [no sparks], result: cured}]", "symptom-link", 7, 22,
     'did you mean "no spark"?'),
    ("symptoms: [no spark]\nsteps: [{do: x, result: {no sparks: cured}}]", "symptom-link", 7, 26,
     'did you mean "no spark"?'),
    ("steps: [{do: x, for: [no spark], result: cured}]", "symptom-link", 6, 22, "list it under symptoms"),
    ("symptoms: [a, b]\nsteps: [{check: c}, {set: x, result: worse}]", "symptom-link", 7, 38, "add for: [a or b]"),
    ("symptoms: [a]\ncauses: [{fault: x}, {fault: y, explains: [b]}]", "symptom-link", 7, 43, "allowed: a"),
    ("symptoms: [a, b]\nabsent: [b, c]", "contradiction", 7, 9, "remove one"),
    ("status: closed", "no-outcome", 6, 9, "add outcome: fixed, partly fixed"),
    ("followups: [{date: 2026-04-18, status: holding}, {date: 2025-06-02, status: holding}]", "dates", 6, 57,
     "check the year"),
]  # fmt: skip


@pytest.mark.parametrize(("extra", "code", "line", "column", "hint"), WARNED)
def test_what_contradicts_itself_is_a_warning_and_the_case_counts(
    extra: str, code: str, line: int, column: int, hint: str
) -> None:
    result = reading(extra)
    assert result.case is not None
    problem = only_problem(result)
    assert spot(problem) == (code, line, column)
    assert problem.severity == "warning"
    assert hint in problem.hint


def test_a_warning_keeps_its_place_when_an_entry_before_it_is_left_out() -> None:
    extra = "symptoms: [a]\nsteps:\n  - stray\n  - {found: x}\n  - {do: x, for: [b], result: cured}"
    warned = [problem for problem in reading(extra).problems if problem.severity == "warning"]
    assert [(*spot(problem), problem.field) for problem in warned] == [("symptom-link", 10, 18, "steps[2].for")]


@pytest.mark.parametrize(
    "extra",
    [
        "symptoms: [a, b]\nsteps: [{do: x, for: [a], result: cured}, {set: y, result: {b: worse}}]",
        "steps: [{do: x, result: cured}]",
        "symptoms: [a]\nabsent: [b]\ncauses: [{fault: x, explains: [a]}]",
        "status: open\nfollowups: [{date: 2026-04-18, status: unknown}]",
    ],
)
def test_what_fits_together_is_not_warned_of(extra: str) -> None:
    assert reading(extra).problems == ()


def test_every_code_the_reader_can_give_is_tried_here() -> None:
    sources = "".join(Path(module.__file__ or "").read_text() for module in (casefile, schema, yamltree))
    codes = set(re.findall(r'(?:report|warn|Problem)\(\s*"([a-z-]+)"', sources))
    tried = {row[1] for row in [*NOT_A_CASE, *WRONG, *WARNED]}
    assert len(codes) > 20
    assert codes == tried


@run(max_examples=300)
@given(st.integers(0, len(FULL)), st.integers(0, 40), st.binary(max_size=8))
def test_no_damage_to_a_file_makes_the_reader_raise_or_stay_silent(at: int, cut: int, inserted: bytes) -> None:
    data = FULL[:at] + inserted + FULL[at + cut :]
    result = read(data, "a", "x.md")
    assert (result.case is None) == bool(errors(result.problems))
    lines = data.count(b"\n") + 2
    assert all(problem.hint and problem.place.line <= lines for problem in result.problems)
