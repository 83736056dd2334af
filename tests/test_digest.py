"""What the index keeps of a case: labels of the vocabulary, effects per symptom, and nothing private."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from helpers import full_case
from small_folders import lexicon

from casebase.record.case import Case, Check, Effect, Machine, Repair, Setting
from casebase.retrieve.digest import CheckRow, EffectRow, digest
from casebase.retrieve.text import features


def small(**changes: object) -> Case:
    case = Case("26-001-x", "A job", date(2026, 1, 5), Machine(kind="chainsaw"), "it is dead")
    return replace(case, **changes)


def test_a_case_with_everything():
    found = digest(full_case(), lexicon())
    assert found.id == "26-014-saw-dies-tilted"
    assert (found.kind, found.engine, found.carburettor) == ("chainsaw", "two-stroke", "diaphragm")
    assert (found.displacement_cc, found.age_years) == (45, 6)
    assert found.symptoms[0] == "dies when tilted"
    assert found.causes == ("fuel line cracked", "fuel filter blocked")
    assert found.day == date(2026, 4, 18).toordinal()
    assert found.outcome == "partly fixed"
    assert found.came_back
    assert found.checks == (CheckRow("fuel line", "bad"),)
    line = ("replace fuel filter", "replace fuel line")
    assert found.effects == (
        EffectRow(1, ("set low-speed screw",), "dies when tilted", "no change", 2.5, None),
        EffectRow(2, line, "dies when tilted", "cured", 25, 9.5),
        EffectRow(2, line, found.symptoms[1], "better", 25, 9.5),
    )


def test_nothing_private_is_kept():
    secret = replace(full_case(), private=(("owner", "Zyxwv Qponm"), ("phone", "555000111")))
    assert digest(secret, lexicon()) == digest(replace(secret, private=()), lexicon())


def test_names_become_labels():
    vocabulary = lexicon().vocabulary
    term = next(term for term in vocabulary.terms["symptom"].values() if term.also)
    found = digest(small(symptoms=(term.also[0].upper(), term.label, "sings at night")), lexicon())
    assert found.symptoms == (term.label, "sings at night")


@pytest.mark.parametrize(("text", "cc"), [("45 cc", 45), ("45cc", 45), ("", None), ("large", None), ("45 kg", None)])
def test_displacement(text, cc):
    assert digest(small(machine=Machine("chainsaw", displacement=text)), lexicon()).displacement_cc == cc


@pytest.mark.parametrize(("text", "years"), [("6 years", 6), ("1 year", 1), ("6", None), ("", None), ("old", None)])
def test_age(text, years):
    assert digest(small(machine=Machine("chainsaw", age=text)), lexicon()).age_years == years


def test_without_listed_symptoms_they_are_read_from_the_complaint():
    assert digest(small(complaint="only runs on choke"), lexicon()).symptoms == ("runs only on choke",)
    listed = small(complaint="only runs on choke", symptoms=("no spark",))
    assert digest(listed, lexicon()).symptoms == ("no spark",)


@pytest.mark.parametrize("complaint", ["...", "?!", "–", "x" * 30_000, "leak " * 6000])
def test_any_complaint_will_do(complaint):
    found = digest(small(complaint=complaint), lexicon())
    assert found.id == "26-001-x"


def test_one_machine_is_one_cluster():
    """Jobs on one machine are not independent: the tag ties them, else the job it came back from."""
    tagged = [digest(small(id=name, machine=Machine("chainsaw", tag="T-1")), lexicon()) for name in ("a", "b")]
    assert tagged[0].cluster == tagged[1].cluster
    first, again = small(id="25-001-x"), small(id="25-009-y", comeback_of="25-001-x")
    assert digest(first, lexicon()).cluster == digest(again, lexicon()).cluster
    assert digest(first, lexicon()).cluster != digest(small(id="25-002-z"), lexicon()).cluster


def test_a_bundle_stays_one_in_whatever_order_it_was_written():
    steps = [Repair(names, (Effect("", "cured"),)) for names in (("b", "a"), ("a", "b"), ("a", "b", "a"))]
    assert {row.actions for row in digest(small(steps=tuple(steps)), lexicon()).effects} == {("a", "b")}


def test_steps_without_a_result_have_no_effect_and_checks_no_verdict():
    steps = (Repair(("a",)), Setting("low-speed screw"), Check("fuel line"), Check("my own check", "odd", "unsure"))
    found = digest(small(steps=steps), lexicon())
    assert found.effects == ()
    assert found.checks == (CheckRow("fuel line", ""), CheckRow("my own check", "unsure"))


def test_the_words_of_the_complaint_count_most():
    case = small(complaint="quibble", title="quibble", body="quibble", symptoms=("quibble",), steps=(Check("quibble"),))
    (word,) = features("quibble")
    assert digest(case, lexicon()).features[word] == 2.0 + 1.5 + 0.5 + 1.0 + 0.5
    assert digest(small(complaint="quibble quibble"), lexicon()).features[word] == 4.0


def test_what_a_step_cost():
    steps = (Repair(("a",), (Effect("", "cured"),), parts=Decimal("0"), minutes=None),)
    (row,) = digest(small(steps=steps), lexicon()).effects
    assert (row.parts, row.minutes) == (0.0, None)
