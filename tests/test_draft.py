"""Spoken notes to a draft: stories with hand-made gold, the cue words one by one, and what a draft must never do."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Hashable, Iterable
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from small_folders import DATA, lexicon

from casebase.problems import Refused
from casebase.record.case import Check, Effect, Repair, Setting, Step
from casebase.record.casefile import read
from casebase.retain.draft import Draft, as_case, draft
from casebase.retain.draftfile import as_file, as_json
from casebase.retain.storychanges import numbers_in
from casebase.retain.storycues import effects_in, minutes_in, money_in, outcome_in
from casebase.retain.storyfindings import trimmed
from casebase.trade.readings import find_readings
from casebase.trade.worded import worded_value

STORIES = sorted(path.stem for path in (DATA / "stories").glob("*.txt"))
DAY = date(2026, 11, 25)
FIELDS = ("symptoms", "steps", "results", "readings", "settings", "absent", "causes", "verdicts")


@cache
def drafted(name: str) -> Draft:
    return draft((DATA / "stories" / f"{name}.txt").read_text(encoding="utf-8"), lexicon())


@cache
def wanted(name: str) -> dict[str, Any]:
    gold = yaml.safe_load((DATA / "stories" / f"{name}.yaml").read_text(encoding="utf-8"))
    assert isinstance(gold, dict)
    return gold


def denied(name: str) -> set[str]:
    """The symptoms that a story says are not there."""
    return set(wanted(name).get("absent", ())) - set(wanted(name)["symptoms"])


# --- the scorer -------------------------------------------------------------------------------------------------------


def terms_of(step: Step) -> list[tuple[str, str]]:
    if isinstance(step, Check):
        return [("check", step.check)]
    if isinstance(step, Setting):
        return [("set", step.setting)]
    return [("do", action) for action in step.actions]


def gold_terms(step: dict[str, Any]) -> list[tuple[str, str]]:
    if "do" in step:
        return [("do", action) for action in step["do"]]
    kind = "check" if "check" in step else "set"
    return [(kind, step[kind])]


def size(text: object, setting: str) -> tuple[float, ...] | None:
    """The numbers of a value of a setting, whatever their words: "one and an eighth turns" and "1 1/8" are one value; "thirty-six hundred" alone is of
    revolutions, "the third" of a hole; a range is two."""
    found = numbers_in(str(text), lexicon().vocabulary.terms["setting"][setting].unit)
    value = worded_value(str(text))
    return tuple(round(reading.value, 4) for reading in found) or (None if value is None else (value,))


def reading_of(text: str) -> tuple[float, str]:
    found = find_readings(text)
    if found:
        return round(found[0].value, 4), found[0].unit
    value, unit = text.rsplit(" ", 1)
    return float(value), unit


def pairs(name: str, field: str) -> tuple[Iterable[Hashable], Iterable[Hashable], Iterable[Hashable]]:
    """What was read, what was wanted, and what may be read without being wanted."""
    notes, gold = drafted(name), wanted(name)
    steps = [told.step for told in notes.steps]
    if field == "symptoms":
        return [entry.value for entry in notes.symptoms], gold["symptoms"], gold.get("also_ok", ())
    if field == "steps":
        return [pair for step in steps for pair in terms_of(step)], [pair for step in gold["steps"] for pair in gold_terms(step)], ()
    if field == "results":
        return ([(terms_of(step)[0], effect.symptom, effect.result) for step in steps if not isinstance(step, Check) for effect in step.effects],
                [(gold_terms(step)[0], *result) for step in gold["steps"] for result in step.get("results", {}).items()], ())
    if field == "readings":
        return ([(round(said.reading.value, 4), said.reading.unit) for said in notes.readings],
                [reading_of(text) for text in gold["readings"]], ())
    if field == "absent":
        return [entry.value for entry in notes.absent], denied(name), ()
    if field == "causes":
        return [cause.fault.fault for cause in notes.causes], gold.get("causes", ()), ()
    if field == "verdicts":
        return ([(step.check, step.verdict) for step in steps if isinstance(step, Check)],
                [(step["check"], step.get("verdict")) for step in gold["steps"] if "check" in step], ())
    assert field == "settings"
    return ([(step.setting, size(step.before, step.setting), size(step.after, step.setting)) for step in steps if isinstance(step, Setting)],
            [(step["set"], size(step.get("from", ""), step["set"]), size(step.get("to", ""), step["set"])) for step in gold["steps"] if "set" in step], ())


def f1(names: Iterable[str], field: str) -> float:
    right = missed = extra = 0
    for name in names:
        read_, want, allowed = pairs(name, field)
        got, gold = Counter(read_), Counter(want)
        right += sum((got & gold).values())
        missed += sum((gold - got).values())
        extra += sum(count for what, count in (got - gold).items() if what not in set(allowed))
    return 2 * right / (2 * right + missed + extra)


# What is reached, a little less; of the first five wanted are .90, .85, .85, .95 and .95. The rules were written with `stories`; `fresh` was
# mended with; of `unseen` all but i, j and o were looked at while the reader was made; `settings` holds many settings a story, and was
# mended with. None of them was learned from. The figures are in DEVELOPERS.md.
REACHED = {"stories": {"symptoms": 0.94, "steps": 0.9, "results": 0.79, "readings": 0.98, "settings": 0.96, "absent": 0.7, "causes": 0.75, "verdicts": 0.84},
           "stories_fresh": {"symptoms": 0.91, "steps": 0.91, "results": 0.7, "readings": 0.98, "settings": 0.95, "absent": 0.75, "causes": 0.72, "verdicts": 0.78},
           "stories_unseen": {"symptoms": 0.95, "steps": 0.91, "results": 0.835, "readings": 0.97, "settings": 0.935, "absent": 0.76, "causes": 0.84, "verdicts": 0.775},
           "stories_settings": {"symptoms": 0.96, "steps": 0.86, "results": 0.76, "readings": 0.94, "settings": 0.72, "absent": 0.7, "causes": 0.82, "verdicts": 0.69}}


@pytest.mark.parametrize("field", FIELDS)
@pytest.mark.parametrize("folder", REACHED)
def test_stories(folder: str, field: str) -> None:
    names = sorted(f"../{folder}/{path.stem}" for path in (DATA / folder).glob("*.txt"))
    assert len(names) >= 12
    value = f1(names, field)
    print(f"{folder}, {len(names)} stories, {field}: F1 {value:.3f}")
    assert value >= REACHED[folder][field]


@pytest.mark.parametrize(("field", "bar"), [("symptoms", 0.9), ("steps", 0.85), ("results", 0.85), ("readings", 0.95), ("settings", 0.95)])
def test_the_newest_stories_are_read_as_well_as_is_wanted(field: str, bar: float) -> None:
    """Seven sets by writers who had not seen the reader; what of them was looked at stands in DEVELOPERS.md."""
    names = [f"../stories_unseen/{path.stem}" for path in sorted((DATA / "stories_unseen").glob("a[b-h]*.txt"))]
    assert len(names) == 98
    value = f1(names, field)
    print(f"{field}: F1 {value:.3f}, wanted {bar}")
    assert value >= bar


def test_what_is_said_not_to_be_there_is_not_read_as_there() -> None:
    """At most 3 % of the symptoms that a story denies; all stories together."""
    names = [f"../{folder}/{path.stem}" for folder in REACHED for path in sorted((DATA / folder).glob("*.txt"))]
    told = [(name, label) for name in names for label in denied(name)]
    there = [(name, label) for name, label in told if any(entry.value == label for entry in drafted(name).symptoms)]
    print(f"{len(there)} of {len(told)} denied symptoms are read as there: {there}")
    assert len(told) > 300
    assert len(there) <= 0.03 * len(told)


def test_gold_stories_are_as_asked() -> None:
    terms = lexicon().vocabulary.terms
    assert len(STORIES) >= 12
    for name in STORIES:
        assert 150 <= len(drafted(name).text.split()) <= 500, name
        for step in wanted(name)["steps"]:
            for kind, label in gold_terms(step):
                assert label in terms[{"check": "check", "set": "setting", "do": "action"}[kind]], label
            assert set(step.get("results", {})) <= {*wanted(name)["symptoms"], *wanted(name).get("also_ok", ())}, name


# --- what holds for every draft ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", STORIES)
def test_every_entry_carries_its_sentence(name: str) -> None:
    notes = drafted(name)
    singles = [entry for entry in (notes.complaint, notes.outcome) if entry]
    said = [entry.sentence for entry in (*notes.machine, *singles, *notes.symptoms, *notes.absent, *notes.history, *notes.proof, *notes.advice)]
    said += [sentence for step in notes.steps for sentence in step.sentences]
    said += [cause.sentence for cause in notes.causes] + [reading.sentence for reading in notes.readings]
    assert said
    assert all(sentence and sentence in notes.text for sentence in said)


@pytest.mark.parametrize("name", STORIES)
def test_nothing_is_invented(name: str) -> None:
    # Every number, finding and value of a step stands in one of the sentences it was read from.
    for told in drafted(name).steps:
        text = " ".join(told.sentences)
        if isinstance(told.step, Check):
            assert told.step.found in text
        if isinstance(told.step, Setting):
            assert all(part in text for value in (told.step.before, told.step.after) for part in value.split())


@pytest.mark.parametrize("name", STORIES)
def test_the_file_reads_back(name: str) -> None:
    notes = drafted(name)
    text = as_file(notes, DAY)
    case = as_case(notes, DAY)
    again = read(text.encode(), "26-001-x").case
    assert again is not None
    assert dataclasses.replace(again, id="", body="") == dataclasses.replace(case, body="")
    assert text.count("# unsure") >= sum(bool(step.doubts) for step in notes.steps)
    assert case.status == "open"


def test_the_machine_of_each_story() -> None:
    for name in STORIES:
        machine = {entry.field: entry.value for entry in drafted(name).machine}
        assert machine == {field: str(value) for field, value in wanted(name)["machine"].items()}, name


def test_plain_data_has_the_sentences() -> None:
    data = as_json(drafted(STORIES[0]))
    assert data["complaint"]["sentence"] in drafted(STORIES[0]).text
    assert {"machine", "complaint", "symptoms", "absent", "history", "steps", "causes", "proof", "outcome", "advice", "readings",
            "unread", "unsure"} == set(data)
    assert {step["kind"] for step in data["steps"]} == {"check", "set", "do"}


def test_notes_that_say_nothing_leave_everything_empty() -> None:
    notes = draft("Had a cup of tea. The weather was grey.", lexicon())
    assert notes == Draft(text=notes.text, unread=("Had a cup of tea.", "The weather was grey."))
    assert "do not say what kind of machine" in as_file(notes, DAY)


@pytest.mark.parametrize("text", ["", "  ", "...", "?"])
def test_notes_without_words_are_refused(text: str) -> None:
    with pytest.raises(Refused):
        draft(text, lexicon())


@given(st.text(max_size=150) | st.lists(st.sampled_from(
    ["Chainsaw.", "It surges.", "Fitted a new fuel line,", "no change", "low screw was at one turn,", "opened it to 1 1/4 turns", "compression 110 psi",
     "still", "cured", ".", ",", "\n", "He said", "4.50 in parts", "20 minutes", "air filter was black", "and", "but"]), max_size=20).map(" ".join))
def test_any_notes_are_read_or_refused(text: str) -> None:
    try:
        notes = draft(text, lexicon())
    except Refused:
        return
    assert all(sentence and sentence in text for step in notes.steps for sentence in step.sentences)
    as_json(notes)
    assert as_file(notes, DAY).startswith("---\n")


# --- cue words --------------------------------------------------------------------------------------------------------

INTRO = "Walk-behind mower, four-stroke. It is hard to start and it surges. "


@pytest.mark.parametrize(
    ("said", "effects"),
    [
        ("Cleaned the carburettor. The surging made no odds.", {"surges": "no change"}),
        ("Cleaned the carburettor and that fixed the surging.", {"surges": "cured"}),
        ("Cleaned the carburettor. It starts easier but it surges as before.", {"hard to start": "better", "surges": "no change"}),
        ("Cleaned the carburettor. That fixed both.", {"hard to start": "cured", "surges": "cured"}),
        ("Cleaned the carburettor, the surging is better but not right.", {"surges": "better"}),
        ("Cleaned the carburettor. The surging got worse.", {"surges": "worse"}),
        ("Cleaned the carburettor. It no longer surges.", {"surges": "cured"}),
        ("Cleaned the carburettor but it still surges.", {"surges": "no change"}),
        ("Cleaned the carburettor.", {}),
    ],
)  # fmt: skip
def test_what_a_step_did(said: str, effects: dict[str, str]) -> None:
    (told,) = draft(INTRO + said, lexicon()).steps
    assert isinstance(told.step, Repair)
    assert {effect.symptom: effect.result for effect in told.step.effects} == effects


def test_an_effect_of_several_steps_is_told_of_each() -> None:
    told = draft(INTRO + "Replaced the air filter. Fitted a new spark plug. Neither helped.", lexicon()).steps
    effects = [set(step.step.effects) for step in told if isinstance(step.step, Repair)]
    assert len(effects) == 2 and all(effects)
    assert {effect.result for of_step in effects for effect in of_step} == {"no change"}


def test_a_short_sentence_announces_the_fault() -> None:
    (told,) = draft(INTRO + "Emptied the grass box. Now the surging. Cleaned the carburettor. Steady as you like.", lexicon()).steps
    assert isinstance(told.step, Repair) and Effect("surges", "cured") in told.step.effects


def test_a_finding_replaces_nothing() -> None:
    """What was found worn is not replaced by that: the kit is what was fitted."""
    steps = [step.step for step in draft("The chainsaw floods. Found the metering needle worn, fitted a kit, 12.50, that did it.", lexicon()).steps]
    assert [step.actions for step in steps if isinstance(step, Repair)] == [("fit carburettor kit",)]


def test_what_is_told_in_unknown_words_is_read_by_likeness_and_unsure() -> None:
    (told,) = draft("Walk-behind mower, four-stroke. It surges. Cleaned the carburettor. Purrs away like a kitten from then on.", lexicon()).steps
    assert isinstance(told.step, Repair) and told.step.effects == (Effect("surges", "cured"),)
    assert any("is likely" in doubt for doubt in told.doubts)


def test_an_effect_on_no_named_symptom_is_unsure() -> None:
    (told,) = draft(INTRO + "Replaced the air filter. That did it.", lexicon()).steps
    assert told.doubts


@pytest.mark.parametrize(
    ("text", "result"),
    [("made no difference", "no change"), ("that did it", "cured"), ("better but not right", "better"), ("not completely gone", "better"),
     ("made it worse", "worse"), ("did not help", "no change"), ("it was greasy", None)],
)  # fmt: skip
def test_phrases_of_effect(text: str, result: str | None) -> None:
    assert [cue.result for cue in effects_in(text)][:1] == ([result] if result else [])


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("took 25 minutes", 25), ("half an hour", 30), ("died after 10 minutes", None), ("ran it for an hour", None), ("two hours all in", 120)],
)  # fmt: skip
def test_minutes(text: str, minutes: int | None) -> None:
    assert minutes_in(text) == (None if minutes is None else Decimal(minutes))


@pytest.mark.parametrize(
    ("text", "money"),
    [("four fifty in parts", "4.50"), ("eighteen euro fifty, twenty minutes", "18.50"), ("new one in, two pound forty", "2.40"), ("4 euros 20 minutes", "4"), ("9.50", "9.50"),
     ("18 quid", "18"), ("six euros", "6"), ("gap was 0.75 mm", None), ("€12", "12"), ("90 pounds of compression", None),
     ("twenty-four fifty in parts", "24.50"), ("thirty-forty quid", "40"), ("another fifty quid", "50"), ("a thirty quid coil", "30"), ("half fifty quid", "50")],
)  # fmt: skip
def test_money(text: str, money: str | None) -> None:
    found = money_in(text)
    assert (None if found is None else str(found)) == money


@pytest.mark.parametrize(
    ("text", "outcome"),
    [("Not worth fixing.", "not worth fixing"), ("Fixed.", "fixed"), ("So partly fixed.", "partly fixed"), ("He said no.", "declined"),
     ("It ran well.", None)],
)  # fmt: skip
def test_outcomes(text: str, outcome: str | None) -> None:
    assert outcome_in(text) == outcome


@pytest.mark.parametrize(
    ("said", "before", "after"),
    [
        ("Low screw was at one turn, opened it to one and a quarter turns.", "one turn", "one and a quarter turns"),
        ("Ignition air gap from 0.5 mm to 0.3 mm.", "0.5 mm", "0.3 mm"),
        ("The low-speed screw went from 7/8 to 1 1/8 turns.", "7/8", "1 1/8 turns"),
        ("Set the plug gap to 0.7 mm.", "", "0.7 mm"),
        ("Ignition air gap was twenty thou, set it to twelve.", "twenty thou", "twelve"),
        ("Wound the unloader up from 75 bar to 110.", "75 bar", "110"),
        ("Tyre pressure was 8 psi, put both to 15.", "8 psi", "15"),
        ("Low screw was at seven eighths of a turn, took it out to one and a quarter, no, one and an eighth turns, sorry.",
         "seven eighths of a turn", "one and an eighth turns"),
        ("The exhaust clearance was two thou, no, tell a lie, one thou, backed it off to five thou.", "one thou", "five thou"),
        ("The exhaust clearance was two thou, no, what have I written, one thou, so I backed it off to five thou.", "one thou", "five thou"),
        ("The points were set at twenty-eight thou. I closed them to twenty thou.", "twenty-eight thou", "twenty thou"),
        ("Torqued the blade bolt to 50 newton metres.", "", "50 newton metres"),
    ],
)
def test_settings(said: str, before: str, after: str) -> None:
    (told,) = (told.step for told in draft(INTRO + said, lexicon()).steps if isinstance(told.step, Setting))
    assert [size(value, told.setting) for value in (told.before, told.after)] == [size(value, told.setting) for value in (before, after)]


@pytest.mark.parametrize(("cut", "words"), [("emptied it and", "emptied it"), (", but dry; so", "dry"), ("sound and dry", "sound and dry"), ("sandy", "sandy"), ("and", ""), ("so-so", "so-so"),
                                            ("two thou or so", "two thou or so")])
def test_a_finding_has_no_loose_ends(cut: str, words: str) -> None:
    assert trimmed(cut) == words
