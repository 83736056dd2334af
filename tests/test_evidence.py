"""What cured such cases: counting fixes over similar cases, and how sure the counts make us."""

from __future__ import annotations

import random
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from scipy import stats
from small_folders import fix, index_of, index_with, write_cases
from statsmodels.stats.proportion import proportion_confint

from casebase.retrieve.index import Index
from casebase.retrieve.rank import Match
from casebase.reuse.evidence import SIMILAR_FROM, FixEvidence, SymptomEvidence, gather, kernel
from casebase.reuse.intervals import kish

CHOKE, SURGES, START = "runs only on choke", "surges", "will not start"
LINE, CLEAN, KIT = "replace fuel line", "strip and clean carburettor", "fit carburettor kit"
PLUG, FILTER = "replace spark plug", "replace air filter"


def job(*steps: dict[str, Any], symptoms: tuple[str, ...] = (CHOKE,), **more: Any) -> dict[str, Any]:
    return {"symptoms": list(symptoms), "steps": list(steps), **more}


def matches(index: Index, *scores: float) -> tuple[Match, ...]:
    """Every case of the index as a match, with these scores or all alike 1."""
    given = scores or (1.0,) * len(index.alive)
    return tuple(Match(position, index.id(position), score, ()) for position, score in enumerate(given))


def evidence(
    folder: Path, cases: dict[str, dict[str, Any]], symptom: str = CHOKE, *scores: float, **options: Any
) -> SymptomEvidence:
    index = index_with(folder, cases)
    (part,) = gather(matches(index, *scores), [symptom] if symptom else [], index, **options)
    return part


def named(part: SymptomEvidence) -> dict[str, FixEvidence]:
    return {item.name: item for item in part.fixes}


# --- counting ---------------------------------------------------------------------------------------------------


def test_counts_by_result(tmp_path: Path) -> None:
    results = ["cured", "cured", "better", "no change", "worse", "not tested"]
    cases = {f"26-00{number}-x": job(fix(LINE, on=[CHOKE], result=result)) for number, result in enumerate(results, 1)}
    part = evidence(tmp_path, cases)
    (found,) = part.fixes
    assert found.cases == {
        "cured": ("26-001-x", "26-002-x"),
        "better": ("26-003-x",),
        "no change": ("26-004-x",),
        "worse": ("26-005-x",),
        "not tested": ("26-006-x",),
    }
    assert found.tried == 5  # what was not tested was not tried
    assert found.count("cured") == 2
    assert part.cases == 6
    assert found.in_words == "cured 2 of 5"


def test_a_result_belongs_to_its_symptom(tmp_path: Path) -> None:
    both = (CHOKE, SURGES)
    cases = {"26-001-a": job(fix(LINE, result={CHOKE: "cured", SURGES: "no change"}), symptoms=both)}
    index = index_with(tmp_path, cases)
    choke, surges = gather(matches(index), both, index)
    assert (choke.symptom, surges.symptom) == both
    assert named(choke)[LINE].cases == {"cured": ("26-001-a",)}
    assert named(surges)[LINE].cases == {"no change": ("26-001-a",)}


def test_a_fix_for_another_symptom_says_nothing(tmp_path: Path) -> None:
    cases = {"26-001-a": job(fix(LINE, on=[SURGES]), fix(CLEAN, on=[CHOKE]), symptoms=(CHOKE, SURGES))}
    assert set(named(evidence(tmp_path, cases))) == {CLEAN}


def test_a_fix_whose_symptom_is_not_said_counts_for_each_of_the_case(tmp_path: Path) -> None:
    cases = {
        "26-001-a": job(fix(LINE), symptoms=(CHOKE, SURGES)),
        "26-002-b": job(fix(LINE, result="no change"), symptoms=(START,)),
    }
    index = index_with(tmp_path, cases)
    parts = gather(matches(index), (CHOKE, SURGES, START), index)
    assert [named(part)[LINE].cases for part in parts] == [
        {"cured": ("26-001-a",)},
        {"cured": ("26-001-a",)},
        {"no change": ("26-002-b",)},
    ]


def test_without_a_symptom_whatever_the_cases_complained_of(tmp_path: Path) -> None:
    cases = {
        "26-001-a": job(fix(LINE, on=[CHOKE])),
        "26-002-b": job(fix(LINE, on=[SURGES], result="better"), symptoms=(SURGES,)),
    }
    part = evidence(tmp_path, cases, "")
    assert part.symptom == ""
    assert named(part)[LINE].cases == {"cured": ("26-001-a",), "better": ("26-002-b",)}


def test_a_bundle_stays_a_bundle(tmp_path: Path) -> None:
    cases = {
        "26-001-a": job(fix(LINE, FILTER, on=[CHOKE])),
        "26-002-b": job(fix(FILTER, LINE, on=[CHOKE], result="no change")),
        "26-003-c": job(fix(LINE, on=[CHOKE])),
    }
    found = named(evidence(tmp_path, cases))
    bundle = f"{FILTER} + {LINE}"
    assert set(found) == {bundle, LINE}
    assert found[bundle].cases == {"cured": ("26-001-a",), "no change": ("26-002-b",)}
    assert found[LINE].tried == 1


def test_other_names_of_an_action_are_the_same_action(tmp_path: Path) -> None:
    cases = {"26-001-a": job(fix("new fuel hose", on=[CHOKE])), "26-002-b": job(fix(LINE, on=[CHOKE]))}
    assert named(evidence(tmp_path, cases))[LINE].tried == 2


def test_a_setting_is_a_fix_too(tmp_path: Path) -> None:
    turn = {"set": "low-speed screw", "from": "7/8 turn", "to": "1 turn", "for": [CHOKE], "result": "better"}
    assert named(evidence(tmp_path, {"26-001-a": job(turn)}))["set low-speed screw"].count("better") == 1


def test_of_an_action_done_twice_the_last_result_counts(tmp_path: Path) -> None:
    steps = (fix(CLEAN, on=[CHOKE], result="no change"), fix(CLEAN, on=[CHOKE], result="cured", minutes=50))
    found = named(evidence(tmp_path, {"26-001-a": job(*steps)}))[CLEAN]
    assert found.cases == {"cured": ("26-001-a",)}
    assert found.minutes == 50


def test_a_later_try_without_a_known_result_hides_nothing(tmp_path: Path) -> None:
    steps = (fix(LINE, on=[CHOKE], result="better"), fix(LINE, on=[CHOKE], result="not tested"))
    (found,) = evidence(tmp_path, {"26-001-x": job(*steps)}).fixes
    assert found.cases == {"better": ("26-001-x",)}


def test_earlier_partial_cures_keep_their_credit(tmp_path: Path) -> None:
    steps = (fix(CLEAN, on=[CHOKE], result="better"), fix(LINE, on=[CHOKE]))
    found = named(evidence(tmp_path, {"26-001-a": job(*steps)}))
    assert (found[CLEAN].in_words, found[LINE].in_words) == ("helped, but did not cure", "worked once")


# --- how sure ---------------------------------------------------------------------------------------------------


def test_the_weight_of_a_case() -> None:
    # Our choice: nought up to SIMILAR_FROM, then a power of the rest; 1 for the same.
    assert kernel(0) == kernel(SIMILAR_FROM) == 0
    assert kernel(1) == 1
    assert kernel(0.65) == pytest.approx(0.5**1.5)
    assert [kernel(x / 20) for x in range(21)] == sorted(kernel(x / 20) for x in range(21))


def test_intervals_of_equal_cases(tmp_path: Path) -> None:
    # Seven cures of nine, all alike: Wilson by statsmodels, Beta(8, 3) by scipy (uniform prior).
    cases = {
        f"26-00{number}-x": job(fix(LINE, on=[CHOKE], result="cured" if number < 8 else "no change"))
        for number in range(1, 10)
    }
    found = named(evidence(tmp_path, cases))[LINE]
    assert found.evidence.n == pytest.approx(9)
    assert found.wilson is not None
    assert found.beta is not None
    assert tuple(found.wilson) == pytest.approx(proportion_confint(7, 9, method="wilson"), abs=1e-9)
    assert tuple(found.wilson) == pytest.approx((0.4526, 0.9368), abs=0.00005)
    assert tuple(found.beta) == pytest.approx(tuple(stats.beta.ppf([0.025, 0.975], 8, 3)), abs=1e-9)


def test_unlike_cases_weigh_less(tmp_path: Path) -> None:
    # Nadaraya-Watson share and the smaller of Kish's size (Kish 1965) and the mass of the weights.
    scores = (1.0, 0.9, 0.7, 0.5)
    cured = (1, 1, 0, 1)
    results = ["cured" if ok else "no change" for ok in cured]
    cases = {f"26-00{number}-x": job(fix(LINE, on=[CHOKE], result=result)) for number, result in enumerate(results)}
    found = named(evidence(tmp_path, cases, CHOKE, *scores))[LINE].evidence
    weights = [kernel(score) for score in scores]
    assert found.share == pytest.approx(sum(w * c for w, c in zip(weights, cured, strict=True)) / sum(weights))
    assert found.n_eff == pytest.approx(kish(weights))
    assert found.n == pytest.approx(min(kish(weights), sum(weights)))


def test_a_case_hardly_alike_says_nothing(tmp_path: Path) -> None:
    cases = {"26-001-a": job(fix(LINE, on=[CHOKE])), "26-002-b": job(fix(CLEAN, on=[CHOKE]))}
    part = evidence(tmp_path, cases, CHOKE, 0.9, SIMILAR_FROM)
    assert set(named(part)) == {LINE}
    assert part.cases == 1


@pytest.mark.parametrize(
    ("results", "words"),
    [
        (["cured"], "worked once"),
        (["cured", "cured"], "worked both times"),
        (["cured", "no change"], "worked in one case, not in another"),
        (["better"], "helped, but did not cure"),
        (["better", "worse"], "helped in one case, made it worse in another"),
        (["worse"], "made it worse"),
        (["no change"], "tried once, no change"),
        (["no change", "no change"], "tried twice, no change"),
        (["not tested"], "done, but its effect was not tested"),
        (["not tested", "cured"], "worked once"),
        (["cured", "no change", "cured"], "cured 2 of 3"),
        (["no change", "no change", "no change"], "cured 0 of 3"),
    ],
)
def test_under_three_cases_there_are_words_only(tmp_path: Path, results: list[str], words: str) -> None:
    cases = {f"26-00{number}-x": job(fix(LINE, on=[CHOKE], result=result)) for number, result in enumerate(results)}
    found = named(evidence(tmp_path, cases))[LINE]
    assert found.in_words == words
    assert (found.wilson is None) == (found.beta is None) == (len([r for r in results if r != "not tested"]) < 3)


def test_cases_of_one_machine_share_a_vote(tmp_path: Path) -> None:
    def saw(tag: str, result: str) -> dict[str, Any]:
        machine = {"kind": "chainsaw", **({"tag": tag} if tag else {})}
        return job(fix(LINE, on=[CHOKE], result=result), machine=machine)

    cases = {
        "26-001-a": saw("M-1", "cured"),
        "26-002-b": saw("M-1", "cured"),
        "26-003-c": saw("M-1", "cured"),
        "26-004-d": saw("", "no change"),
    }
    found = named(evidence(tmp_path, cases))[LINE]
    assert found.in_words == "cured 3 of 4"  # counts are of cases
    assert found.evidence.n == pytest.approx(2)  # but there are two witnesses
    assert found.evidence.share == pytest.approx(0.5)


def test_a_comeback_is_the_same_machine(tmp_path: Path) -> None:
    cases = {
        "26-001-a": job(fix(LINE, on=[CHOKE])),
        "26-002-b": job(fix(LINE, on=[CHOKE], result="no change"), **{"comeback of": "26-001-a"}),
        "26-003-c": job(fix(LINE, on=[CHOKE])),
    }
    found = named(evidence(tmp_path, cases))[LINE]
    assert found.evidence.n == pytest.approx(2)
    assert found.evidence.share == pytest.approx(0.75)


def test_what_did_not_hold_is_named(tmp_path: Path) -> None:
    news = [{"date": "2026-03-01", "status": "came back"}]
    cases = {
        "26-001-a": job(fix(LINE, on=[CHOKE]), followups=news),
        "26-002-b": job(fix(LINE, on=[CHOKE]), followups=[{"date": "2026-03-01", "status": "holding"}]),
        "26-003-c": job(fix(LINE, on=[CHOKE], result="no change"), fix(CLEAN, on=[CHOKE]), followups=news),
    }
    found = named(evidence(tmp_path, cases))
    assert found[LINE].came_back == ("26-001-a",)  # what never cured cannot come back
    assert found[CLEAN].came_back == ("26-003-c",)


# --- the rest of a fix ------------------------------------------------------------------------------------------


def test_medians_and_the_last_time(tmp_path: Path) -> None:
    costs = [(25, "9.50"), (15, "7"), (60, None), (None, "30")]
    cases = {}
    for number, (minutes, parts) in enumerate(costs):
        more = {key: value for key, value in (("minutes", minutes), ("parts", parts)) if value is not None}
        cases[f"26-00{number}-x"] = job(fix(LINE, on=[CHOKE], **more), date=f"2026-0{number + 1}-05")
    found = named(evidence(tmp_path, cases))[LINE]
    assert (found.minutes, found.parts) == (25, 9.5)
    assert found.last == date(2026, 4, 5)
    even = evidence(tmp_path / "even", dict(list(cases.items())[:2]))
    assert (named(even)[LINE].minutes, named(even)[LINE].parts) == (20, 8.25)
    bare = named(evidence(tmp_path / "bare", {"26-001-a": job(fix(LINE, on=[CHOKE]))}))[LINE]
    assert bare.minutes is bare.parts is None


def test_ranked_by_the_lower_bound(tmp_path: Path) -> None:
    # 1 of 1 has the better share, 6 of 7 the better lower bound (Wilson .2065 against .4869).
    cases = {
        f"26-00{number}-x": job(fix(LINE, on=[CHOKE], result="cured" if number else "no change")) for number in range(7)
    }
    cases["26-010-y"] = job(fix(KIT, on=[CHOKE]))
    cases["26-011-z"] = job(fix(PLUG, on=[CHOKE], result="no change"))
    assert [item.name for item in evidence(tmp_path, cases).fixes] == [LINE, KIT, PLUG]


def test_what_was_tried_already_is_set_aside(tmp_path: Path) -> None:
    cases = {
        "26-001-a": job(fix(PLUG, on=[CHOKE])),
        "26-002-b": job(fix(LINE, on=[CHOKE])),
        "26-003-c": job(fix(PLUG, LINE, on=[CHOKE])),
    }
    part = evidence(tmp_path, cases, tried=[PLUG])
    assert [item.name for item in part.set_aside] == [PLUG]
    # A bundle with something new in it is not set aside.
    assert {item.name for item in part.fixes} == {LINE, f"{LINE} + {PLUG}"}
    both = evidence(tmp_path, cases, tried=[PLUG, LINE])
    assert both.fixes == ()
    assert len(both.set_aside) == 3


def test_a_symptom_no_case_has(tmp_path: Path) -> None:
    part = evidence(tmp_path, {"26-001-a": job(fix(LINE, on=[CHOKE]))}, "no bar oil")
    assert part == SymptomEvidence("no bar oil", (), (), 0)


def test_no_matches_no_evidence(tmp_path: Path) -> None:
    index = index_of(write_cases(tmp_path / "empty", {}))
    assert gather((), [CHOKE], index) == (SymptomEvidence(CHOKE, (), (), 0),)


def test_the_order_of_files_and_segments_changes_nothing(tmp_path: Path) -> None:
    draw = random.Random(5)
    cases = {
        f"26-{number:03}-x": job(
            *(
                fix(action, on=[CHOKE], result=draw.choice(["cured", "better", "no change"]))
                for action in draw.sample([LINE, CLEAN, KIT, PLUG], 2)
            ),
            machine={"kind": "chainsaw", "tag": f"M-{number % 9}"},
        )
        for number in range(24)
    }
    folder = write_cases(tmp_path, cases)
    scores = {name: draw.uniform(0.2, 1) for name in cases}

    def answer(index: Index) -> list[tuple[Any, ...]]:
        found = [Match(position, index.id(position), scores[index.id(position)], ()) for position in range(24)]
        (part,) = gather(sorted(found, key=lambda match: -match.score), [CHOKE], index)
        return [(item.name, item.cases, item.in_words, item.evidence, item.wilson) for item in part.fixes]

    plain = answer(index_of(folder))
    assert len(plain) == 4
    for seed in (1, 2):
        order = random.Random(seed).sample(list(cases), 24)
        assert answer(index_of(folder, order, segments=3)) == plain
