"""Facts of the trade the tool must agree with. Each is common practice, no published source; the cases are our own."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from small_folders import index_of, write_cases

from casebase.api import CaseBase
from casebase.cli import nextviews, weighviews
from casebase.cli.paper import Paper
from casebase.reuse.causes import SOMETHING_ELSE
from casebase.reuse.nextcheck import Known, NextStep


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> CaseBase:
    base = CaseBase(tmp_path_factory.mktemp("empty"))
    base.__dict__["index"] = index_of(base.folder)
    return base


def causes(step: NextStep, count: int = 6) -> list[str]:
    return [cause for cause, _chance in step.belief.top(count + 1) if cause != SOMETHING_ELSE][:count]


def chance(step: NextStep, cause: str) -> float:
    return float(dict(zip(step.belief.causes, step.belief.chances, strict=True)).get(cause, 0.0))


def groups(base: CaseBase, names: list[str]) -> list[set[str]]:
    return [set(base.index.lexicon.vocabulary.path("cause", name)) for name in names]


def shown(base: CaseBase, step: NextStep) -> str:
    out = io.StringIO()
    nextviews.next_step(Paper(out), base, step)
    return " ".join(out.getvalue().split())


@pytest.mark.parametrize("check", ["inlet valve clearance", "exhaust valve clearance"])
def test_clearance_is_felt_with_the_valve_closed_and_a_light_drag(empty: CaseBase, check: str) -> None:
    out = io.StringIO()
    weighviews.reading(Paper(out), empty, empty.in_context(check, "0.006 in", engine="four-stroke"))
    told = " ".join(out.getvalue().split())
    assert "valve closed" in told and "light drag" in told
    assert "slides without drag is thinner than the gap" in told and "will not go in is thicker" in told


def test_no_clearance_is_asked_of_an_engine_without_valves(empty: CaseBase) -> None:
    step = empty.next_step("two-stroke chainsaw, no power, low compression", limit=30)
    assert not [p for p in step.proposals if "valve clearance" in p.term.label]


def test_choke_only_is_starved_or_leaned_out(empty: CaseBase) -> None:
    """Fuel restriction, air leak or carburettor."""
    named = causes(empty.next_step("two-stroke trimmer runs only with the choke on"), 8)
    lean = {"fuel supply", "tank vent", "fuel line", "carburettor", "metering", "air leak", "intake", "impulse", "crankcase"}
    words = ("fuel", "vent", "intake", "impulse", "metering", "jet", "passage", "seal", "carburettor", "screen", "pump",
             "diaphragm", "lever", "screw", "mixture", "needle", "float", "line")
    for name, path in zip(named, groups(empty, named), strict=True):
        assert path & lean or any(word in name for word in words), name
    assert not {"spark plug fouled", "ignition module dead", "flywheel key sheared"} & set(named)


def test_once_fuel_and_air_are_sound_the_carburettor_is_the_first_suspect(empty: CaseBase) -> None:
    sound = Known(tuple((name, "ok") for name in (
        "fuel line", "fuel filter", "fuel reaches carburettor", "runs with cap loosened", "crankcase pressure",
        "impulse line")))
    first = causes(empty.next_step("two-stroke trimmer runs only on choke", sound), 1)
    assert groups(empty, first)[0] & {"carburettor", "diaphragm carburettor", "float carburettor"}, first


def test_a_tank_to_tank_bulb_must_not_spray_into_the_throat(empty: CaseBase) -> None:
    step = empty.next_step("trimmer purge bulb sprays fuel into the carburettor throat")
    assert set(causes(step, 2)) == {"metering needle leaking", "metering lever too high"}
    told = shown(empty, empty.next_step("trimmer primer bulb acts up, floods", limit=30))
    assert "throat wet when primer is pressed" not in told


def test_a_wet_primer_must_wet_the_throat(empty: CaseBase) -> None:
    vocabulary = empty.index.lexicon.vocabulary
    dry, wet = (vocabulary.terms["check"][f"throat {word} when primer is pressed"] for word in ("dry", "wet"))
    assert (dry.ok, wet.ok) == (("yes",), ("yes",))
    assert dry.applies(carburettor="diaphragm") and not dry.applies(carburettor="float")
    assert wet.applies(carburettor="float") and not wet.applies(carburettor="diaphragm")
    step = empty.next_step("snow thrower will not start, primer bulb does not fill", limit=30)
    assert "throat dry when primer is pressed" not in [p.term.label for p in step.proposals]
    found = {p.term.label: p for p in step.proposals}
    if "throat wet when primer is pressed" in found:
        assert "must put fuel into the carburettor's throat" in shown(empty, step)


def test_a_bulb_that_does_not_fill_is_looked_at_before_the_spark(empty: CaseBase) -> None:
    step = empty.next_step("will not start, primer bulb does not fill")
    assert groups(empty, causes(step, 1))[0] & {"fuel supply", "primer"} or "fuel" in causes(step, 1)[0]
    assert chance(step, "fuel line cracked") >= chance(step, "spark plug fouled") > 0
    vocabulary = empty.index.lexicon.vocabulary
    assert "will hardly start" in vocabulary.terms["check"]["primer bulb action"].how


@pytest.mark.parametrize("words", ["will not start", "hard to start"])
def test_an_empty_bulb_and_a_bad_start_are_one_fault(empty: CaseBase, words: str) -> None:
    step = empty.next_step(f"{words}, primer bulb does not fill")
    assert step.two_faults == ""
    assert set(causes(step, 3)) == {"fuel line cracked", "fuel line off", "primer check valve stuck"}


@pytest.mark.parametrize(("machine", "other"), [("trimmer", "wet"), ("chainsaw", "wet"), ("mower", "dry"), ("snow thrower", "dry")])
def test_the_kind_of_machine_says_which_bulb_it_has(empty: CaseBase, machine: str, other: str) -> None:
    step = empty.next_step(f"{machine} floods, will not start, primer bulb does not fill", limit=90)
    assert f"throat {other} when primer is pressed" not in [p.term.label for p in step.proposals]


def test_a_mixture_screw_is_counted_in_and_noted_before_it_is_moved(empty: CaseBase) -> None:
    terms = empty.index.lexicon.vocabulary.terms
    for term in (terms["setting"]["low-speed screw"], terms["setting"]["high-speed screw"],
                 terms["action"]["adjust mixture"]):
        assert "seats lightly" in term.how and "note the count" in term.how and "eighths or quarters of a turn" in term.how
    step = empty.next_step("two-stroke saw, mixture screw was turned by somebody, bogs and surges", limit=30)
    told = shown(empty, step)
    if "adjust mixture:" in told:
        assert "note how it stands now" in told and "eighths or quarters" in told


def test_every_proposed_setting_asks_for_the_value_as_found(empty: CaseBase) -> None:
    step = empty.next_step("idle too fast, cutting attachment moves at idle", limit=30)
    settings = [p for p in step.proposals if p.is_setting]
    assert settings and shown(empty, step).count("note how it stands now") == len(settings)


def test_a_kit_that_costs_nearly_as_much_as_the_part_is_not_worth_fitting(empty: CaseBase) -> None:
    """A new carburettor at 42 and half an hour is what is left when the kit fails: a dear kit is left out or comes later."""
    part = 42 + 30 / 60 * float(empty.index.settings.hourly_rate)
    dear = empty.weigh(["fit carburettor kit: 38, 35 min, 60 %"], otherwise=part)
    (kit,) = dear.fixes
    assert kit.pays_under is not None and kit.pays_under < 38
    assert dear.course.steps == () and dear.left_out == ("fit carburettor kit",)
    out = io.StringIO()
    weighviews.weighing(Paper(out), empty, dear)
    assert "None of them: what is left without them costs 62.00 EUR" in " ".join(out.getvalue().split())
    cheap = empty.weigh(["fit carburettor kit: 6, 10 min, 60 %"], otherwise=part)
    assert [step.name for step in cheap.course.steps] == ["fit carburettor kit"]
    both = empty.weigh(["fit carburettor kit: 38, 35 min, 60 %", "replace carburettor: 42, 30 min, 90 %"], otherwise=150)
    assert both.course.steps[0].name == "replace carburettor"


def test_a_new_part_is_laid_beside_the_old_one(empty: CaseBase) -> None:
    step = empty.next_step("will not start, spark plug wet", limit=30)
    parts = [p for p in step.proposals if p.kind == "fix" and p.term.label.split()[0] in ("replace", "fit")]
    assert parts and shown(empty, step).count("lay the new part beside the old one") == len(parts)


def test_a_head_that_turns_with_the_rope_means_a_dragging_clutch(empty: CaseBase) -> None:
    step = empty.next_step("trimmer head turns when I pull the rope slowly")
    assert set(causes(step, 2)) == {"clutch shoe stuck", "drum bearing seized"}
    assert "means the clutch drags" in empty.index.lexicon.vocabulary.terms["check"]["clutch"].how


def test_fuel_left_over_winter_is_a_suspect_and_a_drained_engine_is_not(empty: CaseBase) -> None:
    left = empty.next_step("mower stood all winter with fuel in the tank, will not start")
    plain = empty.next_step("mower will not start")
    dry = empty.next_step("mower will not start, tank was drained and run dry before winter")
    assert causes(left, 1) == ["stale fuel"]
    assert chance(left, "stale fuel") > chance(plain, "stale fuel") >= chance(dry, "stale fuel")
    assert chance(dry, "stale fuel") < 0.02


def test_a_hose_left_off_lets_dirty_air_in(empty: CaseBase) -> None:
    step = empty.next_step("four-stroke mower, breather hose was left off, dust inside")
    assert causes(step, 1) == ["breather hose off"]
    assert "dirty air" in empty.index.lexicon.vocabulary.terms["check"]["breather"].how


def test_the_shops_own_cases_outweigh_the_facts_in_time(tmp_path: Path) -> None:
    """The facts are a start, not a cage: ten jobs of the shop's own that say otherwise come first."""
    folder = write_cases(tmp_path / "cases", {f"26-{n:03d}-trimmer": {
        "complaint": "runs only on choke", "symptoms": ["runs only on choke"], "machine": {"kind": "string trimmer"},
        "status": "closed", "outcome": "fixed", "causes": [{"fault": "tank vent blocked"}],
        "steps": [{"do": "clear or replace tank vent", "for": ["runs only on choke"], "result": "cured"}],
    } for n in range(1, 11)})
    base = CaseBase(folder)
    base.__dict__["index"] = index_of(folder)
    assert causes(base.next_step("trimmer runs only on choke"), 1) == ["tank vent blocked"]
