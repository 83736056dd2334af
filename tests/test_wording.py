"""A case's words against the vocabulary, and its readings against each other: warnings with their places."""

from __future__ import annotations

import pytest
from helpers import reading

from casebase.problems import Problem
from casebase.trade.terms import package_vocabulary
from casebase.trade.wording import check_terms

WORDS = package_vocabulary()


def warnings(extra: str = "", replacing: dict[str, str] | None = None) -> list[Problem]:
    """What is said of a case of the four needed fields on lines 2 to 5, with `extra` from line 6 on."""
    read = reading(extra, replacing=replacing)
    assert read.case is not None
    return list(check_terms(read, WORDS, "26-001-x.md"))


def only(extra: str, replacing: dict[str, str] | None = None) -> Problem:
    (problem,) = warnings(extra, replacing)
    return problem


def test_known_words_bring_no_warning() -> None:
    assert warnings("""\
symptoms: [will not start, Dies When Tilted]
absent: [fuel leak]
steps:
  - {check: fuel hose, found: "120 psi (827 kPa)"}
  - {set: L screw, from: 7/8 turn, to: 1 1/8 turns}
  - {do: [replace fuel line, new fuel hose]}
causes: [{fault: fuel line cracked}]
""") == []


@pytest.mark.parametrize(
    ("extra", "line", "column", "field", "message", "hint"),
    [
        ("symptoms: [will not start, hums a tune]\n", 6, 28, "symptoms[1]", 'symptom "hums a tune"', "own term"),
        ("symptoms: hums a tune\n", 6, 11, "symptoms[0]", 'symptom "hums a tune"', "it counts as its own term"),
        ("symptoms: [will not strat]\n", 6, 12, "symptoms[0]", 'symptom "will not strat"', '"will not start"?'),
        ("symptoms:\n  - surges\n  - surgges\n", 8, 5, "symptoms[1]", 'symptom "surgges"', '"surges"?'),
        ("absent: [feul leak]\n", 6, 10, "absent[0]", 'symptom "feul leak"', '"fuel leak"?'),
        ("steps:\n  - check: fuel lime\n", 7, 12, "steps[0].check", 'check "fuel lime"', '"fuel line"?'),
        ("steps:\n  - set: lo-speed screw\n    to: 1 turn\n", 7, 10, "steps[0].set", 'setting "lo-speed screw"',
         '"low-speed screw"?'),
        ("steps:\n  - check: fuel line\n  - do: replace fuel lime\n", 8, 9, "steps[1].do[0]", 'action "replace fuel lime"',
         '"replace fuel line"?'),
        ("steps:\n  - do: [replace fuel line, sing]\n", 7, 29, "steps[0].do[1]", 'action "sing"', "it counts as its own term"),
        ("causes: [{fault: stale fule}]\n", 6, 18, "causes[0].fault", 'cause "stale fule"', '"stale fuel"?'),
    ],
)  # fmt: skip
def test_an_unknown_word_is_named_with_its_place(extra: str, line: int, column: int, field: str, message: str,
                                                 hint: str) -> None:
    problem = only(extra)
    assert (problem.code, problem.severity, problem.file) == ("unknown-word", "warning", "26-001-x.md")
    assert (problem.place.line, problem.place.column, problem.field) == (line, column, field)
    assert problem.message == f"{message} is not in the vocabulary"
    assert hint in problem.hint
    assert str(problem).startswith(f"26-001-x.md:{line}:{column} {field}: warning: ")


@pytest.mark.parametrize(
    ("key", "value", "hint"),
    [("kind", "chainsow", '"chainsaw"?'), ("engine", "two-strok", '"two-stroke"?'), ("carburettor", "diafragm", '"diaphragm"?')],
)
def test_the_machines_words(key: str, value: str, hint: str) -> None:
    machine = {"kind": "chainsaw", "engine": "two-stroke", "carburettor": "diaphragm", key: value}
    line = "machine: {" + ", ".join(f"{name}: {word}" for name, word in machine.items()) + "}"
    problem = only("", {"machine: {kind: chainsaw}": line})
    assert problem.field == f"machine.{key}"
    assert (problem.place.line, problem.place.column) == (4, line.index(value) + 1)
    assert hint in problem.hint


# Values made for this test; the factors are those of the tests of readings.
@pytest.mark.parametrize(
    ("extra", "line", "column", "field", "code", "said"),
    [
        ("steps:\n  - check: plug gap\n    found: 0.028 in (0.071 mm)\n", 8, 12, "steps[0].found", "pair-wrong",
         "0.028 in is 0.7112 mm, not 0.071 mm; the decimal point has slipped (×0.1)"),
        ("steps:\n  - check: cranking compression\n    found: 120 psi (900 kPa)\n", 8, 12, "steps[0].found",
         "pair-doubtful", "120 psi is 827.4 kPa, not 900 kPa"),
        ("steps:\n  - {set: idle speed, from: 2800 rpm}\n  - set: plug gap\n    from: 20 thou\n    to: 25 thou (6.35 mm)\n", 10, 9,
         "steps[1].to", "pair-wrong", "25 thou is 0.635 mm, not 6.35 mm; the decimal point has slipped (×10)"),
        ("steps:\n  - set: plug gap\n    from: 20 thou (5.08 mm)\n", 8, 11, "steps[0].from", "pair-wrong", "(×10)"),
    ],
)  # fmt: skip
def test_a_printed_pair_that_disagrees(extra: str, line: int, column: int, field: str, code: str, said: str) -> None:
    problem = only(extra)
    assert (problem.code, problem.severity, problem.field) == (code, "warning", field)
    assert (problem.place.line, problem.place.column) == (line, column)
    assert said in problem.message
    assert problem.hint == "check which of the two is right"


def test_all_warnings_come_at_once() -> None:
    found = warnings("""\
symptoms: [surgges]
steps:
  - {check: plug gapp, found: "0.028 in (0.071 mm)"}
  - {do: replace plugg}
causes: [{fault: stale fule}]
""", {"chainsaw": "chainsow"})
    assert [problem.field for problem in found] == [
        "machine.kind", "symptoms[0]", "steps[0].check", "steps[1].do[0]", "causes[0].fault", "steps[0].found"]


def test_what_is_not_given_is_not_warned_of() -> None:
    assert warnings("symptoms: []\nsteps:\n  - {check: plug gap}\n  - {set: plug gap}\n") == []


def test_a_file_that_cannot_be_counted_is_left_to_its_errors() -> None:
    assert check_terms(reading("outcome: mended\n"), WORDS, "x.md") == ()
