"""Quantities in spoken notes whose unit was told before, or goes without saying."""

from __future__ import annotations

import pytest

from casebase.retain.storyreadings import Heard

TOLD = {
    # a range, and what it is held against
    "It ought to show 2,700 psi and it was swinging from 900 to 1,600.": ["2700 psi", "900 psi", "1600 psi"],
    "The meter wandered between 205 and 250 volts.": ["205 V", "250 V"],
    "Tick-over was 4,100 rpm when it ought to be about 2,800.": ["4100 rpm", "2800 rpm"],
    "Gauge on it, 62 psi cold, and I'd want 130.": ["62 psi", "130 psi"],
    "Fifteen psi on ten pulls, that ought to be up around 90.": ["15 psi", "90 psi"],
    "Revs went from 4,900 to 5,600 rpm, a bit better, but nowhere near 7,200.": ["4900 rpm", "5600 rpm", "7200 rpm"],
    "The gap was fourteen thou, where the book calls for four and six.": ["14 thou", "4 thou", "6 thou"],
    # as found and as left
    "I took the slow screw from one turn to one and three eighths and she came down.": ["1 turn", "1.375 turn"],
    "I screwed the gauge in hot, 70 psi, and cold it made 105.": ["70 psi", "105 psi"],
    "Brought the gap from 1.1 down to 0.7 millimetres.": ["1.1 mm", "0.7 mm"],
    # from a sentence before
    "Battery stood at 11.9 volts. I gave it six hours on the charger, got it up to 12.7, and it clicked.": ["11.9 V", "6 h", "12.7 V"],
    "It showed 3 bar less than the 2,700 psi on the plate. Still weak, 1,800 at best.": ["3 bar", "2700 psi", "1800 psi"],
    # the unit goes without saying
    "Battery read 12.7, so that part is good.": ["12.7 V"],
    "Tacho said 3,900 when it should be 2,700.": ["3900 rpm", "2700 rpm"],
    "Rocker cover off, inlet at 0.30 and exhaust at 0.35, too slack.": ["0.3 mm", "0.35 mm"],
    "I couldn't get a 0.03 feeler under it.": ["0.03 mm"],
    "It sits at 1,800 now.": ["1800 rpm"],
    # corrected in the same breath
    "Plug gap was 0.9, no hang on, I wrote it down, 0.95 mm.": ["0.95 mm"],
    # money, counts, marks, the mix of fuel
    "Compression was 62 psi. New one is 420, so I rang them and said it's not worth it.": ["62 psi"],
    "It made 60 psi. Barrel and piston's a hundred and ten, and he can get another saw for two-fifty.": ["60 psi"],
    "Held 14 psi. I moved the height lever from two to four.": ["14 psi"],
    "It showed 60 bar. It should be two and a half times that.": ["60 bar"],
    "Started 8 times out of ten, it held 6 psi, and mixed at 50 to 1.": ["6 psi"],
    "He was here in 1985 and it was at 2,000 hours on the clock.": ["2000 h"],
    "Changed the air filter as it's only four pounds.": [],
    "I put in a new seal at six pounds, and the popping left it.": [],
}


@pytest.mark.parametrize("text", TOLD)
def test_a_number_takes_the_unit_it_goes_on_from(text: str) -> None:
    heard = Heard()
    sentences = text.replace(". ", ".\n").split("\n")
    assert [str(reading) for sentence in sentences for reading in heard.read(sentence)] == TOLD[text]


@pytest.mark.parametrize("text", TOLD)
def test_readings_stand_where_they_say(text: str) -> None:
    found = Heard().read(text)
    assert all(text[reading.start:reading.end] == reading.text for reading in found)
    assert all(first.end <= then.start for first, then in zip(found, found[1:], strict=False))


def test_a_unit_is_forgotten_after_a_while() -> None:
    heard = Heard()
    heard.read("It made 60 psi.")
    for sentence in ("Then the belt.", "It was shiny.", "I took it off."):
        assert not heard.read(sentence)
    assert not heard.read("It should be 90.")
