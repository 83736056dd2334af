"""Which cases come first, why, and which of them are shown."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_folders import index_of, index_with, understood, write_cases

from casebase.retrieve.index import Index, open_index
from casebase.retrieve.rank import (
    CONTRADICTION,
    FLOOR,
    MOST,
    RELATED,
    SUSPECTED,
    Match,
    Ranking,
    Scores,
    diversify,
    mmr,
    rank,
    symptom_scores,
)

CHOKE, LEAK, SURGES = "runs only on choke", "primer bulb cracked or leaking", "surges"
TRIMMER = {"kind": "string trimmer", "engine": "two-stroke", "displacement": "25 cc", "age": "7 years"}


def scores(question: str, index: Index) -> dict[str, float]:
    """The total score of each case that counts."""
    total = Scores.of(understood(question), index).total(index.weights, 0.0)
    return {index.id(position): float(total[position]) for position in np.flatnonzero(index.alive).tolist()}


def found(question: str, index: Index, **options: Any) -> Ranking:
    return rank(understood(question), index, **options)


def ids(matches: tuple[Match, ...]) -> list[str]:
    return [match.id for match in matches]


# --- symptoms ---------------------------------------------------------------------------------------------------


def test_symptom_scores(tmp_path: Path) -> None:
    # "Surges" and "runs only on choke" are of the family of running, the bulb of that of fuel.
    index = index_with(
        tmp_path,
        {
            "26-001-both": {"symptoms": [CHOKE, LEAK]},
            "26-002-one": {"symptoms": [CHOKE]},
            "26-003-family": {"symptoms": [SURGES]},
            "26-004-more": {"symptoms": [CHOKE, LEAK, "no bar oil", "vibrates"]},
            "26-005-unlike": {"symptoms": ["no bar oil"]},
            "26-006-silent": {"symptoms": [], "complaint": "bring it back to life"},
        },
    )
    got = symptom_scores({CHOKE: 1.0, LEAK: 1.0}, index)
    assert got[:5] == pytest.approx([1, 0.5, RELATED / 2, 1, 0])
    assert np.isnan(got[5])  # not asked is not absent
    assert symptom_scores({CHOKE: 1.0, LEAK: SUSPECTED}, index)[1] == pytest.approx(1 / 1.5)
    assert (symptom_scores({}, index) == 0).all()


def test_suspected_symptoms_count_half(tmp_path: Path) -> None:
    index = index_with(tmp_path, {"26-001-a": {"symptoms": ["floods"]}, "26-002-b": {"symptoms": ["fuel leak"]}})
    part = Scores.of(understood("fuel leak, might be flooding"), index).symptoms
    assert part[1] > part[0] > 0
    assert part[0] == pytest.approx((SUSPECTED + RELATED) / 1.5)


def test_symptoms_are_read_from_the_complaint_where_none_are_listed(tmp_path: Path) -> None:
    index = index_with(tmp_path, {"26-001-a": {"complaint": "only runs with the choke on"}})
    assert index.labels("symptoms", "symptom", 0) == (CHOKE,)


# --- the total --------------------------------------------------------------------------------------------------


def test_scores_are_between_nought_and_one_and_likest_comes_first(tmp_path: Path) -> None:
    index = index_with(
        tmp_path,
        {
            "26-001-same": {
                "complaint": "runs only on choke, leaks at bulb",
                "symptoms": [CHOKE, LEAK],
                "machine": TRIMMER,
            },
            "26-002-half": {"complaint": "needs choke", "symptoms": [CHOKE], "machine": TRIMMER},
            "26-003-other": {"complaint": "no bar oil", "symptoms": ["no bar oil"]},
        },
    )
    got = scores("string trimmer runs only on choke, leaks at bulb", index)
    assert got["26-001-same"] > got["26-002-half"] > got["26-003-other"] == 0
    assert all(0 <= value <= 1 for value in got.values())
    assert got["26-001-same"] > 0.8


def test_a_machine_of_the_same_kind_is_no_likeness_by_itself(tmp_path: Path) -> None:
    index = index_with(tmp_path, {"26-001-a": {"complaint": "no bar oil", "symptoms": ["no bar oil"]}})
    assert scores("my chainsaw has a dull sheen", index)["26-001-a"] == 0
    assert found("my chainsaw", index).matches == ()


def test_what_a_case_does_not_say_costs_less_than_what_speaks_against_it(tmp_path: Path) -> None:
    cases = {
        name: {"complaint": "surges", "symptoms": [SURGES], "machine": machine}
        for name, machine in (
            ("26-001-like", {"kind": "chainsaw", "engine": "two-stroke"}),
            ("26-002-unsaid", {"kind": "chainsaw"}),
            ("26-003-unlike", {"kind": "chainsaw", "engine": "four-stroke"}),
        )
    }
    got = list(scores("two-stroke chainsaw surges", index_with(tmp_path, cases)).values())
    assert got[0] > got[1] > got[2] > 0


def test_of_a_stub_little_is_known_and_it_does_not_float_up(tmp_path: Path) -> None:
    cases = {
        "26-001-full": {"complaint": "the saw surges", "symptoms": [SURGES]},
        "26-002-stub": {"complaint": "the saw", "symptoms": []},
    }
    got = scores("the saw surges", index_with(tmp_path, cases))
    assert got["26-001-full"] > got["26-002-stub"]


def test_contradictions_lower_the_score(tmp_path: Path) -> None:
    same = {"title": "Saw", "complaint": "surges", "symptoms": [SURGES]}
    index = index_with(
        tmp_path,
        {
            "26-001-plain": same,
            "26-002-looked-for": {**same, "absent": [LEAK]},
            "26-003-had-it": {**same, "symptoms": [SURGES, "black smoke"]},
        },
    )
    asked = scores("surges, leaks at bulb", index)
    assert asked["26-002-looked-for"] == pytest.approx(CONTRADICTION * asked["26-001-plain"])
    denied = scores("surges, no black smoke", index)
    # The words of what is denied count for nobody, so the case that had it cannot gain by them.
    assert denied["26-003-had-it"] < denied["26-001-plain"]
    reasons = {match.id: match.reasons for match in found("surges, leaks at bulb, no black smoke", index).shown}
    assert reasons["26-001-plain"].contradicting == ()
    assert reasons["26-002-looked-for"].contradicting == (f"{LEAK}: not there",)
    assert reasons["26-003-had-it"].contradicting == ("black smoke: there, but not here",)


def test_what_is_over_counts_as_denied(tmp_path: Path) -> None:
    index = index_with(tmp_path, {"26-001-a": {"complaint": "surges", "symptoms": [SURGES, "black smoke"]}})
    over = found("surges, the black smoke is gone", index).shown[0]
    assert over.reasons.contradicting == ("black smoke: there, but not here",)
    assert over.reasons.symptoms == (SURGES,)


# --- reasons ----------------------------------------------------------------------------------------------------


def test_reasons(tmp_path: Path) -> None:
    index = index_with(
        tmp_path,
        {
            "26-001-a": {
                "complaint": "only goes on choke since winter",
                "symptoms": [CHOKE, "varnished fuel system"],
                "machine": TRIMMER,
                "causes": [{"fault": "fuel line cracked"}],
            },
            "26-002-b": {
                "complaint": "hunts",
                "symptoms": [SURGES],
                "machine": {"kind": "generator", "engine": "four-stroke"},
            },
        },
    )
    shown = found("25 cc two-stroke string trimmer runs only on choke since winter, leaks at bulb", index).shown
    first, second = shown
    assert first.id == "26-001-a"
    assert first.causes == ("fuel line cracked",)
    assert first.reasons.symptoms == (CHOKE,)
    assert first.reasons.related == ((LEAK, "varnished fuel system"),)
    assert {"choke", "winter"} <= set(first.reasons.words)
    assert set(first.reasons.matching) == {"string trimmer", "two-stroke", "25 cc"}
    assert first.reasons.differing == first.reasons.unknown == ()
    assert second.reasons.related == ((CHOKE, SURGES),)
    assert set(second.reasons.differing) == {"generator", "four-stroke"}
    assert second.reasons.unknown == ("displacement",)


def test_age_is_a_reason_too(tmp_path: Path) -> None:
    index = index_with(
        tmp_path, {"26-001-a": {"complaint": "surges", "machine": {"kind": "chainsaw", "age": "5 years"}}}
    )
    assert found("six year old saw surges", index).shown[0].reasons.matching == ("chainsaw", "5 years old")


def test_no_reason_comes_from_the_private_part(tmp_path: Path) -> None:
    secret = {"owner": "Quillon Fetterby", "phone": "000 777", "note": "surges when quarrelsome"}
    index = index_with(
        tmp_path,
        {
            "26-001-a": {"complaint": "hunts up and down", "symptoms": [SURGES], "private": secret},
            "26-002-b": {"complaint": "no bar oil", "symptoms": ["no bar oil"], "private": secret},
        },
    )
    (match,) = found("Quillon Fetterby 777 quarrelsome: surges", index).matches
    assert match.id == "26-001-a"
    said = repr(found("Quillon Fetterby 777 quarrelsome: surges", index))
    assert not any(word in said for word in ("Quillon", "Fetterby", "quillon", "fetterby", "quarrelsom", "777"))
    # Naming the owner makes no case more alike: for the index the name is a word nobody used.
    named, other = (scores(f"{words} surges", index) for words in ("quillon fetterby", "zorgle blorp"))
    assert named == other


# --- which, and in which order ----------------------------------------------------------------------------------

COMPLAINTS = ("surges", "runs only on choke", "leaks at bulb", "no spark", "bogs down", "floods and smokes black")


def many(count: int) -> dict[str, dict[str, Any]]:
    draw = random.Random(7)
    causes = ["fuel line cracked", "main jet blocked", "intake boot split", "ignition module dead", "choke left on"]
    return {
        f"26-{number:03}-job": {
            "complaint": ", ".join(draw.sample(COMPLAINTS, 2)),
            "machine": draw.choice(
                [TRIMMER, {"kind": "chainsaw"}, {"kind": "walk-behind mower", "engine": "four-stroke"}]
            ),
            "causes": [{"fault": draw.choice(causes)}],
            "body": draw.choice(["stood all winter", "hot day", ""]),
        }
        for number in range(count)
    }


QUESTIONS = ("trimmer runs only on choke, leaks at bulb", "saw surges, no black smoke", "maybe no spark", "winter")


@pytest.mark.parametrize("question", QUESTIONS)
def test_the_order_of_files_and_segments_changes_nothing(tmp_path: Path, question: str) -> None:
    folder = write_cases(tmp_path, many(30))
    names = list(many(30))
    plain = found(question, index_of(folder))
    assert len(plain.matches) > 5
    for seed in (1, 2):
        order = random.Random(seed).sample(names, len(names))
        for segments in (1, 3):
            again = found(question, index_of(folder, order, segments))
            assert ids(again.matches) == ids(plain.matches)
            assert [match.score for match in again.matches] == pytest.approx([match.score for match in plain.matches])
            assert [match.reasons for match in again.shown] == [match.reasons for match in plain.shown]
            assert ids(again.shown) == ids(plain.shown)


def test_a_stored_index_answers_like_one_in_memory(tmp_path: Path) -> None:
    folder = write_cases(tmp_path, many(12))
    expected = [found(question, index_of(folder)) for question in QUESTIONS]
    for _again in range(2):  # built, then opened
        stored = open_index(folder)
        assert [found(question, stored) for question in QUESTIONS] == expected


def test_equals_are_ordered_by_id(tmp_path: Path) -> None:
    folder = write_cases(tmp_path, {f"26-00{number}-x": {"complaint": "surges"} for number in (3, 1, 2)})
    index = index_of(folder, ["26-003-x", "26-001-x", "26-002-x"])
    assert ids(found("surges", index).matches) == ["26-001-x", "26-002-x", "26-003-x"]


def test_cases_that_are_gone_are_not_found(tmp_path: Path) -> None:
    index = index_with(tmp_path, many(10))
    alive = index.alive.copy()
    alive[:5] = False
    left = found("surges, leaks at bulb", replace(index, alive=alive))
    assert left.matches
    assert all(match.position >= 5 for match in left.matches)


def test_nothing_below_the_floor_and_never_more_than_most(tmp_path: Path) -> None:
    cases = {f"26-{number:03}-x": {"complaint": "surges"} for number in range(MOST + 5)}
    matches = found("surges", index_with(tmp_path, cases)).matches
    assert len(matches) == MOST
    assert ids(matches) == sorted(ids(matches))
    weak = found("surges while the moon is in aquarius and the neighbours sing", index_with(tmp_path, cases))
    assert all(match.score > FLOOR for match in weak.matches)


def test_an_empty_index_finds_nothing(tmp_path: Path) -> None:
    tmp_path.joinpath("empty").mkdir()
    for question in ("surges", "zorgle", "45 cc chainsaw, no spark"):
        assert found(question, index_of(tmp_path / "empty")) == Ranking((), ())


def test_words_nobody_used_find_nothing(tmp_path: Path) -> None:
    assert found("zorgle blorp", index_with(tmp_path, many(5))).matches == ()


# --- diversity --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("weight", "order"), [(1.0, "abcd"), (0.7, "acbd"), (0.5, "adcb"), (0.3, "adcb")])
def test_marginal_relevance_worked_example(weight: float, order: str) -> None:
    # Formula of Carbonell & Goldstein 1998, SIGIR; numbers our own, computed by hand.
    relevance = [0.9, 0.88, 0.6, 0.5]
    pairs = {"ab": 0.95, "ac": 0.2, "ad": 0.1, "bc": 0.25, "bd": 0.1, "cd": 0.3}

    def similarity(one: int, other: int) -> float:
        return pairs["".join(sorted("abcd"[place] for place in (one, other)))]

    assert "".join("abcd"[place] for place in mmr(relevance, similarity, weight, 4)) == order
    assert "".join("abcd"[place] for place in mmr(relevance, similarity, weight, 2)) == order[:2]


def test_marginal_relevance_of_nothing_and_of_equals() -> None:
    assert mmr([], lambda _one, _other: 1.0, 0.7, 5) == []
    assert mmr([0.5, 0.5, 0.5], lambda _one, _other: 1.0, 0.7, 3) == [0, 1, 2]
    assert mmr([0.5, 0.9], lambda _one, _other: 0.0, 0.7, 0) == []


def test_different_causes_are_shown_first(tmp_path: Path) -> None:
    lines = {f"26-00{n}-line": {"complaint": "surges", "causes": [{"fault": "fuel line cracked"}]} for n in range(5)}
    others = {
        "26-008-seal": {"complaint": "surges, smokes", "causes": [{"fault": "flywheel-side crank seal leaking"}]},
        "26-009-valve": {"complaint": "surges, rattles", "causes": [{"fault": "valve clearance wide"}]},
    }
    index = index_with(tmp_path, {**lines, **others})
    plain, diverse = (found("surges", index, limit=3, diverse=diverse) for diverse in (False, True))
    assert ids(plain.matches) == ids(diverse.matches)  # what counts as evidence stays the same
    assert {match.causes for match in plain.shown} == {("fuel line cracked",)}
    assert len({match.causes for match in diverse.shown}) == 3
    assert diverse.shown[0].id == plain.shown[0].id


def test_another_cause_is_no_reason_to_show_what_is_hardly_alike(tmp_path: Path) -> None:
    index = index_with(tmp_path, {"26-001-a": {"complaint": "surges"}})
    same = tuple(Match(0, f"26-00{n}", 0.9 - n / 10, ("fuel line cracked",)) for n in range(4))
    unlike = Match(0, "26-009", 0.2, ("valve clearance wide",))
    assert diversify((*same, unlike), index, 4) == same
    assert diversify((*same, unlike), index, 9) == (*same, unlike)
    assert diversify((), index, 4) == ()


def test_cases_without_a_cause_hide_no_other(tmp_path: Path) -> None:
    index = index_with(tmp_path, {"26-001-a": {"complaint": "surges"}})
    open_ones = tuple(Match(0, f"26-00{n}", 0.9 - n / 100, ()) for n in range(4))
    assert diversify(open_ones, index, 3) == open_ones[:3]


def test_the_number_shown(tmp_path: Path) -> None:
    index = index_with(tmp_path, {f"26-00{number}-x": {"complaint": "surges"} for number in range(8)})
    for limit in (1, 3, 20):
        assert len(found("surges", index, limit=limit).shown) == min(limit, 8)
