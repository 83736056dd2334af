"""An adjustment is one step in the record: a setting where a value is told, else what was done (DEVELOPERS.md, "How a note is read")."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_folders import lexicon

from casebase.record.case import Check, Repair, Setting, Step
from casebase.retain.draft import draft
from casebase.retain.story import Sentence
from casebase.retain.storychanges import is_amount, is_left_alone, lone
from casebase.retain.storystep import Told
from casebase.retain.storytwice import SET_BY, told_once
from casebase.trade.readings import find_readings

DATA = Path(__file__).parent / "data"
ADJUSTING = {*SET_BY, *SET_BY.values()}


def adjustments(text: str) -> list[Step]:
    """The steps of a note that adjust something."""
    steps = [told.step for told in draft(text, lexicon()).steps]
    return [step for step in steps if (isinstance(step, Setting) and step.setting in ADJUSTING) or (isinstance(step, Repair) and not ADJUSTING.isdisjoint(step.actions))]


def test_every_setting_and_action_is_of_the_vocabulary() -> None:
    terms = lexicon().vocabulary.terms
    assert set(SET_BY) <= set(terms["setting"])
    assert set(SET_BY.values()) <= set(terms["action"])


def test_what_is_told_with_a_value_is_a_setting_and_nothing_else() -> None:
    (step,) = adjustments("Trimmer, it bogs when I give it throttle. I adjusted the mixture, the low screw was at one turn and I set it to one and a quarter turns. That cured it.")
    assert isinstance(step, Setting)
    assert (step.setting, step.before, step.after) == ("low-speed screw", "one turn", "one and a quarter turns")


@pytest.mark.parametrize(("said", "action"), [
    ("I took up the drive cable by 8 mm.", "adjust drive cable"), ("Turned the idle speed screw back a quarter turn.", "adjust idle speed"),
    ("I took up the drive cable first, about three eighths of an inch.", "adjust drive cable"), ("I took the drive cable up 6 mm at the adjuster.", "adjust drive cable"),
    ("Opened the high-speed screw an eighth of a turn.", "adjust mixture")])
def test_what_is_told_by_how_much_it_was_moved_was_done(said: str, action: str) -> None:
    steps = adjustments(f"Mower, it runs badly and the drive slips on the hill. {said}")
    assert [step.actions for step in steps if isinstance(step, Repair)] == [(action,)]
    assert not any(isinstance(step, Setting) for step in steps)


@pytest.mark.parametrize(("text", "unit", "amount"), [
    ("I took up 8 mm", "mm", True), ("up half an inch on the idler", "in", True), ("backed the screw out a full turn", "turn", True),
    ("let it out by a quarter of a turn", "turn", True), ("made it 6 mm shorter", "mm", True),
    ("took up the cable 10 mm and it started to drive", "mm", True), ("took up the wheel cable on the nut, about 6 mm", "mm", True),
    ("took up the cable, 6 mm of slack to none", "mm", False), ("took up the cable, leaving 3 mm", "mm", False), ("took up the cable, 5 mm left", "mm", False), ("took it up a good fifteen mm", "mm", True), ("the cable was loose, so I took it up a full half inch", "in", True),
    ("took up the cable, coil gap 0.3 mm", "mm", False), ("took up the belt with 5 mm of sag", "mm", False), ("took up the cable and set the plug to 0.7 mm", "mm", False),
    ("moved it along 6 mm", "mm", True), ("moved the idler over half an inch in its slot", "in", True), ("backed the cable off some, about 5 mm", "mm", True), ("opened it a bit, a quarter turn", "turn", True),
    ("pressed, it gave in 30 mm", "mm", False), ("it went in 45 mm", "mm", False), ("gave it one and a half turns", "turn", False), ("gave it half a turn", "turn", True),
    ("I gave it 4 mm of play", "mm", False), ("set it to 8 mm", "mm", False), ("the screw was at one turn", "turn", False),
    ("wound the unloader up to 120 bar", "bar", False), ("pumped it up 2 psi", "psi", False)])
def test_amounts(text: str, unit: str, amount: bool) -> None:
    (value,) = find_readings(text)
    assert is_amount(text, value, unit) == amount


@pytest.mark.parametrize(("text", "left"), [
    ("the gap was 0.7 mm, so back in it went, untouched", True), ("rears were 10 psi like the sidewall says, so they stayed put", True),
    ("it was 2,800 rpm and I didn't touch it", True), ("the low screw I left at 1 1/4 turns", True), ("turned it up to 2,800 rpm and left it there", False), ("set it to 0.3 mm", False)])
def test_what_was_left_alone(text: str, left: bool) -> None:
    (value,) = find_readings(text)
    assert is_left_alone(text, value, len(text)) == left


@pytest.mark.parametrize(("text", "side"), [
    ("took up the cable 10 mm", ""), ("took up the belt and torqued the bolt to 20 N.m", "after"), ("took up the cable and set the gap to 0.3 mm", "after")])
def test_how_much_was_taken_up_is_no_value(text: str, side: str) -> None:
    (value,) = find_readings(text)
    assert lone(text, value) == side


def test_a_torque_without_a_value_and_a_value_left_as_found_are_no_settings() -> None:
    told = draft((DATA / "stories_unseen" / "h08-mower-stump.txt").read_text(encoding="utf-8"), lexicon()).steps  # "New blade, twenty-two fifty."
    assert not any(isinstance(step.step, Setting) and step.step.setting == "blade bolt torque" for step in told)
    exhaust, inlet = "Exhaust was 5 thou, right where it belongs.", "Intake had eleven thou, set it to 5 thou."
    steps = adjustments(f"Ride-on mower, it cranks slowly. {exhaust} {inlet} It spins over now.")
    assert [(step.setting, step.before, step.after) for step in steps if isinstance(step, Setting)] == [("inlet valve clearance", "eleven thou", "5 thou")]


def test_a_value_somebody_else_had_set_is_where_it_was_found() -> None:
    told = draft("Chainsaw, no oil on the bar. I fitted a new oil pump and it oils again. Gerard had the oiler screw wound out to three turns. I put it back to one and a half turns.", lexicon())
    (step,) = [step.step for step in told.steps if isinstance(step.step, Setting)]
    assert (step.setting, step.before, step.after) == ("bar oil flow", "three turns", "one and a half turns")


def test_a_torque_that_was_too_low_is_where_the_bolt_was_found() -> None:
    told = draft("Mower, it shakes. New blade. Blade bolt had only been pulled up to 20 newton metres, it's at 50 newton metres now.", lexicon())
    (step,) = [step.step for step in told.steps if isinstance(step.step, Setting)]
    assert (step.setting, step.before, step.after) == ("blade bolt torque", "20 newton metres", "50 newton metres")


def test_what_is_put_back_did_nothing_and_keeps_its_value() -> None:
    told = draft("Blower, it bogs when I open the throttle. The high-speed screw was one and an eighth turns out, I opened it up to one and three eighths turns and it made things worse, so I put it back to one and an eighth.",
                 lexicon())
    settings = [step.step for step in told.steps if isinstance(step.step, Setting)]
    assert [(step.setting, step.after, [effect.result for effect in step.effects]) for step in settings] == [
        ("high-speed screw", "one and three eighths turns", ["worse"]), ("high-speed screw", "one and an eighth", [])]
    assert not any("is about is not said" in doubt for doubt in told.steps[-1].doubts)


def test_values_in_broad_scots() -> None:
    (step,) = adjustments("The chain moves at idle. I set the idle fae three thousand six hundred revs doon tae two thousand eight hundred revs. The chain stands noo.")
    assert isinstance(step, Setting)
    assert (step.setting, step.before, step.after) == ("idle speed", "three thousand six hundred revs", "two thousand eight hundred revs")


def test_the_speed_that_was_set_is_told_by_its_size() -> None:
    (step,) = adjustments("Generator, it surges. The speed was 3,260 rpm, so I brought the speed down to 3,000 rpm with the screw. Steady now.")
    assert isinstance(step, Setting)
    assert step.setting == "full-throttle speed"


def test_the_speed_that_is_named_is_the_one_that_was_set() -> None:
    (step,) = adjustments("The head keeps turning at idle. The idle was 3,600 rpm so I brought it down to 2,800 rpm.")
    assert isinstance(step, Setting)
    assert step.setting == "idle speed"


@pytest.mark.parametrize(("said", "setting", "before", "after"), [
    ("The points were set at twenty-eight thou. I closed them to twenty thou.", "breaker point gap", "twenty-eight thou", "twenty thou"),
    ("The belt gave an inch and a half, way slack. Moved the idler until the belt gave half an inch.", "belt tension", "an inch and a half", "half an inch"),
    ("The low screw was at one turn, so I set it to one and a quarter. Hang on, no, it was one and three eighths turns.", "low-speed screw", "one turn", "one and three eighths turns"),
    ("I set the plug gap to thirty thou. No, tell a lie, twenty-five thou.", "plug gap", "", "twenty-five thou")])
def test_a_change_told_over_several_sentences_is_one(said: str, setting: str, before: str, after: str) -> None:
    steps = [told.step for told in draft(f"Mower, it runs badly. {said}", lexicon()).steps if isinstance(told.step, Setting)]
    assert [(step.setting, step.before, step.after) for step in steps] == [(setting, before, after)]


def _set(label: str, text: str, place: int, before: str = "", after: str = "") -> tuple[Sentence, Told]:
    sentence = Sentence(text, place, (), (), (), ())
    return sentence, Told("set", [label], sentence, 0, len(text), before=before, after=after)


def _once(*told: tuple[Sentence, Told]) -> list[tuple[str, str, str]]:
    parts = list({id(sentence): sentence for sentence, _step in told}.values())
    steps = told_once([step for _sentence, step in told if step.terms], parts, lexicon().vocabulary.terms["setting"])
    return [(step.terms[0], step.before, step.after) for step in steps]


def test_two_looks_are_no_change() -> None:
    assert len(_once(_set("idle speed", "Idle was 2,000 rpm.", 0, after="2,000 rpm"), _set("idle speed", "Idle was 2,200 rpm.", 20, after="2,200 rpm"))) == 2


def test_a_value_as_found_goes_to_the_change_that_follows() -> None:
    found = _set("belt tension", "It was an inch and a half.", 0, before="an inch and a half")
    changed = _set("belt tension", "Moved the idler to half an inch.", 30, after="half an inch")
    assert _once(found, changed) == [("belt tension", "an inch and a half", "half an inch")]


@pytest.mark.parametrize(("first", "following", "after"), [
    ("Set it to thirty thou.", "No, tell a lie, twenty-five thou.", "twenty-five thou"), ("Set it to thirty thou", "Actually one lead was loose too.", "thirty thou"),
    ("Set it to 30 thou", "No, I've got it here, 28 thou.", "28 thou"), ("Set it to thirty thou.", "Better, so then twenty-five thou.", "thirty thou")])
def test_a_value_is_corrected_by_the_next_sentence_only_where_it_says_so(first: str, following: str, after: str) -> None:
    words = " ".join(first.rstrip(".").split()[-2:])
    other, nothing = _set("", following, len(first) + 1)
    nothing.terms.clear()
    assert _once(_set("plug gap", first, 0, after=words), (other, nothing)) == [("plug gap", "", after)]


def test_a_ratio_is_corrected_whole() -> None:
    other, nothing = _set("", "No, tell a lie, forty to one.", 40)
    nothing.terms.clear()
    assert _once(_set("oil mix", "Mixed it at fifty to one.", 0, after="fifty to one"), (other, nothing)) == [("oil mix", "", "forty to one")]


def test_another_setting_of_the_same_value_stays() -> None:
    first, second = "Set the inlet to four thou.", "No, five thou, and the exhaust to five thou."
    inlet, exhaust = _set("inlet valve clearance", first, 0, after="four thou"), _set("exhaust valve clearance", second, 30, after="five thou")
    assert _once(inlet, exhaust) == [("inlet valve clearance", "", "five thou"), ("exhaust valve clearance", "", "five thou")]


def test_a_setting_beside_its_look_keeps_its_values() -> None:
    notes = draft("Generator, it surges. Speed was 3,260 rpm by my counter which is somehow high, so I brought it down to 3,100 rpm with the screw.", lexicon())
    (step,) = [told.step for told in notes.steps if isinstance(told.step, Setting)]
    assert (step.setting, step.before, step.after) == ("full-throttle speed", "3,260 rpm", "3,100 rpm")


@pytest.mark.parametrize(("said", "setting", "after"), [
    ("Mower, hard to start. The inlet gap was tight at 2 thou. Set the exhaust valve clearance to 6 thou.", "exhaust valve clearance", "6 thou"),
    ("Saw, it bogs. The low screw was two and a quarter turns out. Set the high screw to one and a half turns.", "high-speed screw", "one and a half turns")])
def test_what_is_said_of_one_of_a_pair_is_not_where_the_other_was_found(said: str, setting: str, after: str) -> None:
    changed = [told.step for told in draft(said, lexicon()).steps if isinstance(told.step, Setting)]
    assert [(step.setting, step.before, step.after) for step in changed] == [(setting, "", after)]


@pytest.mark.parametrize(("said", "after"), [("The plug gap was shut. Gave it 0.7 mm.", "0.7 mm"), ("The drive cable was too tight. I gave it five millimetres.", "five millimetres")])
def test_what_a_part_was_given_is_where_it_was_set(said: str, after: str) -> None:
    look, setting = (told.step for told in draft(f"Snow thrower, the auger keeps turning. {said}", lexicon()).steps)
    assert isinstance(look, Check) and look.verdict == "bad"
    assert isinstance(setting, Setting) and setting.after == after


def test_a_setting_made_again_after_a_part_was_replaced_is_another() -> None:
    notes = draft("Saw, it dies when hot. I closed the coil gap from 20 thou to 12 thou, and it still died. I fitted a new coil, set the coil gap to 12 thou again, and it runs hot now.", lexicon())
    changed = [told.step for told in notes.steps if isinstance(told.step, Setting)]
    assert [(step.before, step.after) for step in changed] == [("20 thou", "12 thou"), ("", "12 thou")]
    notes = draft("Mower, hard to start. I set the plug gap to 0.7 mm and cleaned the air filter. Checked the plug gap again, 0.7 mm. It starts now.", lexicon())
    assert [told.step.after for told in notes.steps if isinstance(told.step, Setting)] == ["0.7 mm"]


@pytest.mark.parametrize(("said", "results"), [
    ("I set the inlet valve clearance to 6 thou and the exhaust valve clearance to 8 thou. That cured it, it starts first pull now.", ["cured", "cured"]),
    ("I set the inlet valve clearance to 6 thou and it made no difference. Then I set the exhaust valve clearance to 8 thou. That cured it, it starts first pull now.", ["no change", "cured"])])
def test_both_valves_set_in_one_go_share_what_they_did(said: str, results: list[str]) -> None:
    notes = draft(f"Mower, hard to start. {said}", lexicon())
    changed = [told.step for told in notes.steps if isinstance(told.step, Setting)]
    assert [[effect.result for effect in step.effects] for step in changed] == [[result] for result in results]


def test_a_value_is_found_once() -> None:
    """What the first change began at is not where the second began."""
    notes = draft("Saw, it dies when hot. I closed the coil gap from sixteen thou down to ten thou, and it still died. I fitted a new coil and set the coil gap to 12 thou.", lexicon())
    changed = [(told.step.before, told.step.after) for told in notes.steps if isinstance(told.step, Setting)]
    assert changed[0] == ("sixteen thou", "ten thou")
    assert changed[1:] in ([("", "12 thou")], [("ten thou", "12 thou")])


def test_values_told_the_wrong_way_round_are_exchanged() -> None:
    text = ("Mower, it floods and stalls at idle. New needle, and the float was at 9 mm, I set it to 13 mm. It still flooded. "
            "No, sorry, I've got that the wrong way round, 13 was what it was and 9 is what it is now. That cured it. Ran it ten minutes. Told him to turn the fuel off.")
    (step,) = (told.step for told in draft(text, lexicon()).steps if isinstance(told.step, Setting))
    assert (step.setting, step.before, step.after) == ("float height", "13 mm", "9 mm")


def test_a_mix_told_the_other_way_is_kept_whole() -> None:
    text = "Trimmer, it smokes. The can was mixed one to twenty-five. I mixed it one to fifty. That cured the smoke. Ran it ten minutes. It was fine. Told him to measure."
    (step,) = (told.step for told in draft(text, lexicon()).steps if isinstance(told.step, Setting))
    assert (step.setting, step.after) == ("oil mix", "one to fifty")
