"""Settings of dictated notes: values in one breath, over two sentences, of two settings at once."""

from __future__ import annotations

import pytest
from small_folders import lexicon

from casebase.record.case import Setting
from casebase.retain.draft import draft
from casebase.retain.storychanges import changes, lone, quantities


@pytest.mark.parametrize(("text", "unit", "before", "after"), [
    ("3 mm off the ground up to 6, because of their gravel.", "mm", "3 mm", "6"),
    ("Moved the screw to bring it from 3350 down to 3000.", "rpm", "3350", "3000"),
    ("took the slack out, half an inch to an eighth.", "mm", "half an inch", "an eighth"),
    ("Raised them from an eighth of an inch to three eighths of an inch.", "mm", "an eighth of an inch", "three eighths of an inch"),
    ("The screw was three turns in, I backed it to two and a half, but no.", "turn", "three turns", "two and a half"),
    ("it was making 210 on the gauge, I backed it down to 170 bar.", "psi", "210", "170 bar"),
    ("Top screw went out from three quarters to one turn and an eighth.", "turn", "three quarters", "one turn and an eighth"),
    ("went in half a turn, from one turn up to one and a half.", "turn", "one turn", "one and a half"),
    ("Trimmed the speed from 3,360 to 3,120 rpm.", "rpm", "3,360 rpm", "3,120 rpm"),
    ("hangs at 14 millimetres, it had been at eleven.", "mm", "eleven", "14 millimetres"),
    ("rakers down to 25 thou from 15.", "in", "15", "25 thou"),
    ("tyres set at 14 psi from about eight.", "psi", "eight", "14 psi"),
    ("the lever I bent from 1 mm over to flush.", "mm", "1 mm", "flush"),
])
def test_a_change_in_one_breath(text: str, unit: str, before: str, after: str) -> None:
    change = changes(text, unit)[0]
    assert (change.before, change.after) == (before, after)
    assert text[change.start: change.end]


@pytest.mark.parametrize(("text", "unit"), [
    ("opened it by half a turn and it went to 3,900", "turn"),
    ("ran 30 minutes and then 20 more", "mm"),
    ("set it to one turn, then to two turns", "turn"),
    ("a new one and two screws", "turn"),
])
def test_no_change(text: str, unit: str) -> None:
    assert not changes(text, unit)


@pytest.mark.parametrize(("text", "unit", "side"), [
    ("The cable had 12 mm of slack.", "mm", "before"),
    ("New cable, 2 mm of slack in it.", "mm", "after"),
    ("Wound the knob in and got 180 bar.", "psi", "after"),
    ("I put the tach on, 4,200 rpm.", "rpm", "before"),
    ("Backed it off a turn.", "turn", ""),
    ("it should be 2,800 rpm", "rpm", ""),
    ("idles like a clock at 2800 rpm", "rpm", ""),
    ("a burned spot an inch long", "mm", ""),
])
def test_a_value_alone(text: str, unit: str, side: str) -> None:
    assert lone(text, quantities(text, unit)[0]) == side


def settings(text: str) -> list[tuple[str, str, str]]:
    return [(told.step.setting, told.step.before, told.step.after) for told in draft(text, lexicon()).steps if isinstance(told.step, Setting)]


@pytest.mark.parametrize(("text", "wanted"), [
    ("Speed was a bit high at 3,350 rpm, so I brought the top speed down to 3,120 rpm.", [("full-throttle speed", "3,350 rpm", "3,120 rpm")]),
    ("The drive cable had 12 mm of slack at the handle. I wound it in until there was 3 mm.", [("drive cable play", "12 mm", "3 mm")]),
    ("Set the valve gaps after, intake went from 9 thou down to 6 thou, exhaust at 8 thou.",
     [("inlet valve clearance", "9 thou", "6 thou"), ("exhaust valve clearance", "", "8 thou")]),
    ("I richened the slow screw from one turn to one and three eighths.", [("low-speed screw", "one turn", "one and three eighths")]),
    ("The blade was bent, so I put a new one on, torqued it to 40 foot pounds.", [("blade bolt torque", "", "40 foot pounds")]),
])
def test_settings_of_a_note(text: str, wanted: list[tuple[str, str, str]]) -> None:
    found = settings("It would not run right. " + text)
    assert all(setting in found for setting in wanted), found
    assert len({value for _label, *values in found for value in values if value}) == len({value for _label, *values in wanted for value in values if value})


@pytest.mark.parametrize(("before", "setting"), [
    ("I pulled the flywheel and looked at the points, they were burned. I filed them.", "breaker point gap"), ("The plug was sooty.", "plug gap")])
def test_a_gap_is_that_of_what_was_spoken_of_last(before: str, setting: str) -> None:
    text = f"Tiller, it is hard to start and misfires. {before} The gap was thirty thou and I set it to twenty thou. It starts at once now and the misfire is gone. I ran it for ten minutes. Told him to keep it dry."
    assert [step.step.setting for step in draft(text, lexicon()).steps if isinstance(step.step, Setting)] == [setting]
