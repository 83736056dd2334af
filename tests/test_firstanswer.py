"""The first answer: cases, what cured them, the handbook beside them, and the cautions."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from small_folders import fix, index_of, index_with, understood, write_cases

from casebase.problems import Refused
from casebase.retrieve.index import Index
from casebase.reuse.evidence import kernel
from casebase.reuse.firstanswer import (
    ENOUGH_CASES,
    HANDBOOK_ALONE,
    HANDBOOK_BESIDE,
    PROPOSED_FIXES,
    best_matches,
    first_answer,
    proposed,
    without_effect,
)
from casebase.trade.handbook import rows_for

CHOKE, LINE, PLUG = "runs only on choke", "replace fuel line", "replace spark plug"
QUESTION = "runs only on choke"


def jobs(count: int, *steps: dict[str, Any], first: int = 1) -> dict[str, dict[str, Any]]:
    return {
        f"26-{number:03}-choke": {"complaint": "only runs on choke", "symptoms": [CHOKE], "steps": list(steps)}
        for number in range(first, first + count)
    }


@pytest.fixture
def empty(tmp_path: Path) -> Index:
    return index_of(write_cases(tmp_path / "empty", {}))


# --- the handbook beside the cases ------------------------------------------------------------------------------


def test_an_empty_folder_answers_from_the_handbook(empty: Index) -> None:
    answer = first_answer(QUESTION, empty)
    assert (answer.cases, answer.similar, answer.ranking.shown) == (0, 0, ())
    assert len(answer.handbook) == HANDBOOK_ALONE
    assert all(CHOKE in row.symptoms and row.source and row.basis for row in answer.handbook)
    assert answer.handbook == rows_for([CHOKE])[:HANDBOOK_ALONE]
    assert answer.handbook_more == len(rows_for([CHOKE])) - HANDBOOK_ALONE
    assert not answer.is_empty


@pytest.mark.parametrize(
    ("cases", "rows"),
    [(0, HANDBOOK_ALONE), (1, HANDBOOK_BESIDE), (ENOUGH_CASES - 1, HANDBOOK_BESIDE), (ENOUGH_CASES, 0)],
)
def test_the_handbook_steps_back_before_the_shops_own_record(tmp_path: Path, cases: int, rows: int) -> None:
    answer = first_answer(QUESTION, index_with(tmp_path, jobs(cases, fix(LINE, on=[CHOKE]))))
    assert answer.similar == answer.cases == cases
    assert len(answer.handbook) == rows
    assert len(answer.handbook) + answer.handbook_more == len(rows_for([CHOKE]))


def test_rows_for_another_engine_stay_out(empty: Index) -> None:
    for engine in ("two-stroke", "four-stroke"):
        answer = first_answer(f"{engine} engine, low compression", empty)
        assert answer.question.machine.engine == engine
        assert all(row.engine in ("", engine) for row in answer.handbook)


def test_a_suspected_symptom_is_answered_too(empty: Index) -> None:
    answer = first_answer("might be flooding", empty)
    assert [part.symptom for part in answer.evidence] == ["floods"]
    assert all("floods" in row.symptoms for row in answer.handbook)
    assert answer.handbook


def test_a_denied_symptom_is_not_answered(empty: Index) -> None:
    answer = first_answer("surges, no fuel leak", empty)
    assert [part.symptom for part in answer.evidence] == ["surges"]


# --- nothing like it --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["zorgle blorp", "lorem ipsum dolor sit amet", "12345", "my chainsaw"])
def test_nothing_like_it(tmp_path: Path, text: str) -> None:
    answer = first_answer(text, index_with(tmp_path, jobs(3, fix(LINE, on=[CHOKE]))))
    assert answer.is_empty
    assert answer.similar == 0
    assert answer.cautions == ()
    assert best_matches(answer) == ()


@pytest.mark.parametrize("text", ["", " \n", "?!"])
def test_no_words_are_refused(empty: Index, text: str) -> None:
    with pytest.raises(Refused):
        first_answer(text, empty)


# --- cases and fixes --------------------------------------------------------------------------------------------


def test_cases_fixes_and_what_was_tried(tmp_path: Path) -> None:
    cases = {
        **jobs(3, fix(PLUG, on=[CHOKE], result="no change"), fix(LINE, on=[CHOKE])),
        **jobs(1, fix("fit carburettor kit", on=[CHOKE]), first=7),
        "26-009-oil": {"complaint": "no bar oil", "symptoms": ["no bar oil"]},
    }
    index = index_with(tmp_path, cases)
    answer = first_answer("runs only on choke. New plug, no change", index, limit=2)
    assert (answer.cases, answer.similar) == (5, 4)
    assert len(answer.ranking.shown) == 2
    (part,) = answer.evidence
    assert [item.name for item in proposed(part)] == [LINE, "fit carburettor kit"]
    assert [item.name for item in part.set_aside] == [PLUG]
    assert without_effect(part) == ()  # it was set aside, so it is not told twice
    (again,) = first_answer(QUESTION, index).evidence
    assert [item.name for item in without_effect(again)] == [PLUG]
    assert again.set_aside == ()


def test_evidence_is_over_all_similar_cases_not_only_those_shown(tmp_path: Path) -> None:
    answer = first_answer(QUESTION, index_with(tmp_path, jobs(6, fix(LINE, on=[CHOKE]))), limit=2)
    assert len(answer.ranking.shown) == 2
    assert proposed(answer.evidence[0])[0].in_words == "cured 6 of 6"


def test_the_list_of_fixes_is_short(tmp_path: Path) -> None:
    actions = [
        LINE,
        PLUG,
        "replace fuel filter",
        "replace primer bulb",
        "replace carburettor",
        "clean air filter",
        "flush tank",
    ]
    steps = [fix(action, on=[CHOKE], result="better") for action in actions]
    (part,) = first_answer(QUESTION, index_with(tmp_path, jobs(1, *steps))).evidence
    assert len(part.fixes) == 7
    assert len(proposed(part)) == PROPOSED_FIXES


def test_cases_that_only_share_words_are_shown_but_weigh_nothing(tmp_path: Path) -> None:
    cases = {
        **jobs(1, fix(LINE, on=[CHOKE])),
        "26-005-oil": {"complaint": "took the choke off to reach the oil pump", "symptoms": ["no bar oil"]},
    }
    answer = first_answer(QUESTION, index_with(tmp_path, cases))
    assert [match.id for match in best_matches(answer)] == ["26-001-choke"]
    assert len(answer.ranking.shown) == 2
    assert answer.similar == 1
    assert all(kernel(match.score) > 0 for match in best_matches(answer))


def test_each_symptom_has_its_own_evidence(tmp_path: Path) -> None:
    both = [CHOKE, "primer bulb cracked or leaking"]
    step = fix(LINE, "replace primer bulb", result={both[0]: "cured", both[1]: "cured"})
    cases = {"26-001-a": {"complaint": "runs only on choke, leaks at bulb", "symptoms": both, "steps": [step]}}
    answer = first_answer("runs only on choke, leaks at bulb", index_with(tmp_path, cases))
    assert [part.symptom for part in answer.evidence] == both
    assert all(part.fixes[0].name == "replace fuel line + replace primer bulb" for part in answer.evidence)


# --- cautions ---------------------------------------------------------------------------------------------------


def labels(text: str, index: Index) -> set[str]:
    return {term.label for term in first_answer(text, index).cautions}


def test_cautions_of_the_symptom_the_fixes_and_the_rows(tmp_path: Path, empty: Index) -> None:
    assert "fuel vapour" in labels("fuel leak", empty)
    assert "moving attachment" in labels("cutting head keeps spinning at idle", empty)
    # With cases enough the handbook is silent, and the cautions are those of what the cases propose.
    spring, line = fix("replace recoil spring", on=[CHOKE]), fix(LINE, on=[CHOKE])
    plain, winding = jobs(ENOUGH_CASES, line), jobs(ENOUGH_CASES, line, spring)
    assert "stored spring" not in labels(QUESTION, index_with(tmp_path / "plain", plain))
    assert "stored spring" in labels(QUESTION, index_with(tmp_path / "winding", winding))
    useless = jobs(ENOUGH_CASES, line, {**spring, "result": "no change"})
    assert "stored spring" not in labels(QUESTION, index_with(tmp_path / "useless", useless))


def test_cautions_are_those_of_every_term_proposed(tmp_path: Path) -> None:
    index = index_with(
        tmp_path, jobs(2, fix(LINE, on=[CHOKE]), {"set": "low-speed screw", "for": [CHOKE], "result": "better"})
    )
    answer = first_answer(QUESTION, index)
    terms = index.lexicon.vocabulary.terms
    expected = set(terms["symptom"][CHOKE].hazards) | set(terms["action"][LINE].hazards)
    expected |= set(terms["setting"]["low-speed screw"].hazards)
    expected |= {hazard for row in answer.handbook if row.action for hazard in terms["action"][row.action].hazards}
    given = [term.label for term in answer.cautions]
    assert set(given) == expected
    assert len(given) == len(set(given))
    assert all(term.caution for term in answer.cautions)


def test_nothing_private_is_in_the_answer(tmp_path: Path) -> None:
    cases = jobs(2, fix(LINE, on=[CHOKE]))
    for case in cases.values():
        case["private"] = {"owner": "Quillon Fetterby", "phone": "000 777"}
    answer = first_answer("quillon fetterby 777: runs only on choke", index_with(tmp_path, cases))
    assert answer.similar == 2
    beside = repr((answer.ranking, answer.evidence, answer.handbook, answer.cautions)).casefold()
    assert not any(word in beside for word in ("quillon", "fetterby", "777"))


def test_the_same_answer_twice(tmp_path: Path) -> None:
    folder = write_cases(tmp_path, jobs(5, fix(LINE, on=[CHOKE])))
    once, twice = (first_answer("chainsaw runs only on choke", index_of(folder)) for _ in range(2))
    assert once == twice
    assert once.question == understood("chainsaw runs only on choke")
