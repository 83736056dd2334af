"""The next check, weighing and readings on the demo cases and on the handbook alone."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from casebase import CaseBase
from casebase.problems import Refused
from casebase.reuse import shapes
from casebase.reuse.nextcheck import Known, NextStep
from casebase.reuse.weigh import Replacement, read_given

DEMO = Path(__file__).parents[1] / "cases"


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> CaseBase:
    return CaseBase(shutil.copytree(DEMO, tmp_path_factory.mktemp("demo") / "cases"))


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> CaseBase:
    return CaseBase(tmp_path_factory.mktemp("empty"))


def checks(step: NextStep) -> list[str]:
    return [proposal.term.label for proposal in step.proposals if proposal.kind == "check"]


def chance(step: NextStep, cause: str) -> float:
    return float(dict(zip(step.belief.causes, step.belief.chances, strict=True))[cause])


def test_chances_sum_to_one_and_rest_on_cases_or_sources(base: CaseBase) -> None:
    step = base.next_step("runs only on choke")
    assert float(step.belief.chances.sum()) == pytest.approx(1)
    for cause, _chance in step.belief.top(5):
        assert step.belief.cases.get(cause) or step.belief.rows.get(cause) or cause == "something else"


def test_an_answer_moves_the_chances_as_bayes_says(base: CaseBase) -> None:
    before = base.next_step("starts only sometimes")
    bad = base.next_step("starts only sometimes", Known((("plug lead and cap", "bad"),)))
    good = base.next_step("starts only sometimes", Known((("plug lead and cap", "ok"),)))
    unsure = base.next_step("starts only sometimes", Known((("plug lead and cap", "can't tell"),)))
    assert chance(bad, "plug lead broken") > chance(before, "plug lead broken") > chance(good, "plug lead broken")
    assert chance(unsure, "plug lead broken") == pytest.approx(chance(before, "plug lead broken"))
    assert "plug lead and cap" not in checks(bad)


@pytest.mark.parametrize("words", ["will not start", "runs badly", "no power", "surges and smokes"])
def test_a_look_comes_before_parts_are_bought(base: CaseBase, words: str) -> None:
    """Common practice, no source: while nothing is sure, the cheap looks are done first."""
    proposals = base.next_step(words, limit=6).proposals
    kinds = [proposal.kind for proposal in proposals]
    assert kinds[0] == "check" and kinds == sorted(kinds)
    assert kinds.count("fix") >= 1


def test_a_fix_that_is_surer_than_not_may_come_first(base: CaseBase) -> None:
    known = Known((("fuel line", "bad"), ("fuel leak check", "bad"), ("fuel reaches carburettor", "bad"),
                   ("fuel line bubbles", "bad")))
    first = base.next_step("leaks fuel, fuel line cracked", known).proposals[0]
    assert first.first_for_safety or (first.kind == "fix" and first.works >= 0.5)


def test_a_failed_fix_takes_chance_from_its_cause(base: CaseBase) -> None:
    before = base.next_step("runs only on choke")
    after = base.next_step("runs only on choke", Known(failed=("fit carburettor kit", "no such fix")))
    assert chance(after, "metering diaphragm stiff") < chance(before, "metering diaphragm stiff")
    assert "fit carburettor kit" not in [p.term.label for p in after.proposals]


def test_what_a_symptom_says_is_not_asked_again(base: CaseBase) -> None:
    assert "runs better with choke" not in checks(base.next_step("runs only on choke", limit=30))


def test_a_safety_check_comes_first(base: CaseBase) -> None:
    first = base.next_step("runs only on choke, leaks fuel").proposals[0]
    assert first.term.label == "fuel leak check"
    assert first.first_for_safety


def test_a_two_stroke_has_no_valve_clearance(base: CaseBase) -> None:
    step = base.next_step("two-stroke trimmer, hard to start", limit=30)
    assert not [name for name in checks(step) if "valve" in name]
    assert not [cause for cause, _chance in step.belief.top(60) if "valve clearance" in cause]


def test_an_owner_is_offered_what_needs_no_tools(base: CaseBase) -> None:
    step = base.next_step("will not start", profile="owner", limit=30)
    assert step.proposals
    assert all(proposal.term.owner for proposal in step.proposals)


def test_two_symptoms_of_different_systems_are_told_apart(base: CaseBase) -> None:
    assert "two faults" in base.next_step("runs only on choke, line does not advance").two_faults
    assert base.next_step("runs only on choke").two_faults == ""


def test_the_handbook_alone_names_published_causes(empty: CaseBase) -> None:
    # US Army TM 5-4240-501-14&P, 'Check-up' page: over-choking, rich mixture, water in fuel, inlet valve stuck open.
    step = empty.next_step("will not start, spark plug wet")
    assert {"water in fuel", "float needle leaking"} <= set(step.belief.causes)
    assert any("TM 5-4240-501-14" in row.source for row in step.belief.rows["water in fuel"])
    assert step.proposals
    assert not step.belief.cases


def test_nothing_is_proposed_for_what_nobody_knows(empty: CaseBase) -> None:
    assert empty.next_step("flurble grommick").proposals == ()


def test_a_job_is_asked_by_what_is_still_wrong(base: CaseBase) -> None:
    job, path = base.job("26-022")
    assert job is not None
    assert path is not None
    step = base.next_step_of(job, Known((("fuel filter", "ok"),)))
    assert "surges" not in step.two_faults or step.proposals
    assert "fuel filter" not in checks(step)
    assert base.job("will not start") == (None, None)


def test_the_shape_of_next(base: CaseBase) -> None:
    data = shapes.next_step(base.next_step("surges"), base.index.lexicon.vocabulary)
    assert set(data) == {"causes", "two_faults", "settled", "proposals", "cautions", "defers"}
    assert all(0 <= cause["chance"] <= 1 for cause in data["causes"])


# --- weigh ------------------------------------------------------------------------------------------------------


def test_figures_by_hand_and_from_cases(base: CaseBase) -> None:
    answer = base.weigh(["fit carburettor kit", "replace carburettor: 34, 30 min, 85 %", "replace fuel line: 3 of 4"],
                        "runs only on choke", otherwise=120, replacement=Replacement(240, 6, 3))
    by_name = {item.step.name: item for item in answer.fixes}
    assert by_name["fit carburettor kit"].evidence is not None
    assert by_name["replace carburettor"].step.chance == pytest.approx(0.85)
    assert by_name["replace fuel line"].step.chance == pytest.approx(4 / 6)  # 3 of 4 on the uniform prior
    assert answer.cost.low <= answer.outlook.cost <= answer.cost.high
    assert answer.keeping is not None
    assert set(shapes.weighing(answer, base.index.lexicon.vocabulary)) >= {"order", "expected_cost", "fixes", "keeping"}


def test_a_kit_that_costs_nearly_as_much_as_the_part_is_not_worth_fitting(base: CaseBase) -> None:
    # Common practice, no source; the figures are invented.
    answer = base.weigh(["fit carburettor kit: 32, 40 min, 60 %", "replace carburettor: 34, 30 min, 95 %"], otherwise=100)
    kit = next(item for item in answer.fixes if item.step.name == "fit carburettor kit")
    assert answer.course.steps[0].name == "replace carburettor"
    assert kit.pays_under is None or kit.pays_under < 32 or answer.course.steps[-1].name == "fit carburettor kit"


@pytest.mark.parametrize(("fix", "said"), [
    ("fit carburettor kit: 170 %", "0 % to 100 %"), ("fit carburettor kit: -3, 50 %", "0 or more"),
    ("fit carburettor kit: 3 of 2", "cures of tries"), ("fit carburettor kit: soon", "11.80"), (": 5", "names no fix"),
    ("fit a jet pack: 50 %", "there is no fix"), ("fit carburettor kit", "give a chance"),
])
def test_bad_figures_are_refused_with_what_is_allowed(base: CaseBase, fix: str, said: str) -> None:
    with pytest.raises(Refused, match=said):
        base.weigh([fix])


def test_too_many_fixes_are_refused(base: CaseBase) -> None:
    with pytest.raises(Refused, match="1 to 8"):
        base.weigh(["fit carburettor kit: 50 %"] * 9)


def test_given_figures_are_read() -> None:
    given = read_given("fit carburettor kit: 11.80, 38 min, 60 %")
    assert (given.price, given.minutes, given.chance) == (11.8, 38, 0.6)


# --- reading ----------------------------------------------------------------------------------------------------


def test_a_reading_stands_to_its_limits_and_to_the_shops_own(base: CaseBase) -> None:
    answer = base.in_context("inlet valve clearance", "0.001 in", engine="four-stroke")
    assert any(item.stands == "below" and "valve clearance tight" in item.means for item in answer.judged)
    assert all(item.limit.source for item in answer.judged)
    assert answer.own
    assert shapes.reading(answer, base.index.lexicon.vocabulary)["what"] == "inlet valve clearance"
    high = base.in_context("cranking compression", "300 psi", engine="two-stroke")
    assert any(item.stands == "above" for item in high.judged)
    assert base.in_context("low-speed screw", "1 1/8 turns").own


def test_a_pair_that_disagrees_is_named(base: CaseBase) -> None:
    # The slip printed in US Army TM 10-4320-307-24: 0.011 in is 0.28 mm.
    answer = base.in_context("plug gap", "0.011-inch or 0.028 mm")
    assert "decimal point" in answer.pairs[0].explanation


@pytest.mark.parametrize(("name", "value", "said"), [
    ("flux gap", "1 mm", "no check or setting"), ("plug gap", "62", "no number with a unit"),
    ("cranking compression", "62 mm", "different things")])
def test_bad_readings_are_refused(base: CaseBase, name: str, value: str, said: str) -> None:
    with pytest.raises(Refused, match=said):
        base.in_context(name, value)
