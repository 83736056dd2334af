"""Work is weighed once more when a note is known to its end (DEVELOPERS.md, "How a note is read"). The notes here are invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from small_folders import lexicon

from casebase.retain import storyworks
from casebase.retain.story import Sentence, sentences
from casebase.retain.storychoice import Choice, Like
from casebase.retain.storyencoded import RESULTS, Encoded, Odds
from casebase.retain.storystep import Told
from casebase.retain.storyworks import Contender, is_likely, without_unlikely
from casebase.retrieve.logistic import Features, odds

TEXT = "It leaks. The plug was next. I fitted the plug. A new hose too. That cured it."


class Watched(Choice):
    """A choice that notes what it was asked."""

    def __init__(self) -> None:
        super().__init__(lexicon().vocabulary)
        self.seen: dict[tuple[str, int], Features] = {}

    def chance(self, subject: str, thing: str, features: Features, sentence: Sentence | None) -> float:
        assert sentence is not None
        self.seen[thing, sentence.start] = features
        return 0.5


class Deaf(Encoded):
    """An encoder that hears only these results: by the place of the work, of the first symptom, by the last sentence."""

    def __init__(self, cured: Mapping[int, float]) -> None:
        self._cured = cured

    def results(self, work: Sequence[tuple[int, str]], symptoms: Mapping[str, Sequence[int]]) -> tuple[np.ndarray, np.ndarray]:
        found = np.zeros((len(work), len(symptoms), 5, len(RESULTS)))
        for place, chance in self._cured.items():
            found[place, 0, 4, RESULTS.index("cured")] = chance
        return found, found


@pytest.fixture
def parts() -> list[Sentence]:
    return list(sentences(TEXT, lexicon()))


def contender(parts: Sequence[Sentence], number: int, label: str, chance: float) -> Contender:
    return Contender(number, parts[number], Like(label, 0.0, 0.0, 0, 0, len(parts[number].text), Odds(0.0, 0.0)), chance, taken=chance >= 0.5, read=False)


def test_what_is_told_again_is_known_before_and_after(parts: list[Sentence]) -> None:
    choice = Watched()
    three = [contender(parts, 1, "do replace spark plug", 0.3), contender(parts, 2, "do replace spark plug", 0.9), contender(parts, 3, "do replace fuel line", 0.8)]
    storyworks.chances(choice, three, Deaf({}), {})
    announced, done, _hose = (choice.seen[one.like.label, one.sentence.start] for one in three)
    assert announced["told after"] == odds(0.9) and announced["told before"] == odds(0.0)
    assert done["told before"] == odds(0.3) and done["told after"] == odds(0.0)
    assert announced["best just after"] == odds(0.9) and done["best just after"] == odds(0.8)


def test_a_result_that_other_work_explains_is_known(parts: list[Sentence]) -> None:
    choice = Watched()
    two = [contender(parts, 2, "do replace spark plug", 0.3), contender(parts, 3, "do replace fuel line", 0.8)]
    storyworks.chances(choice, two, Deaf({0: 0.6, 1: 0.9}), {"leaks fuel": [0]})
    plug, hose = (choice.seen[one.like.label, one.sentence.start] for one in two)
    assert plug["result"] == pytest.approx(0.6) and plug["result by a rival"] == pytest.approx(0.9)
    assert hose["result"] == pytest.approx(0.9) and hose["result by a rival"] == 0.0  # the plug was not taken


def test_settings_contend_but_are_not_weighed(parts: list[Sentence]) -> None:
    choice = Watched()
    two = [contender(parts, 2, "do replace spark plug", 0.3), contender(parts, 2, "set plug gap", 0.8)]
    found = storyworks.chances(choice, two, Deaf({}), {})
    assert [one.like.label for one in found] == ["do replace spark plug"]
    assert choice.seen["do replace spark plug", parts[2].start]["best here"] == odds(0.8)


def test_unlikely_work_goes_and_what_is_done_beside_it_stays(parts: list[Sentence]) -> None:
    step = Told("do", ["replace spark plug", "replace fuel line"], parts[2], 0, 5)
    look = Told("check", ["fuel line"], parts[1], 0, 5)
    plug, hose = contender(parts, 2, "do replace spark plug", 0.6), contender(parts, 2, "do replace fuel line", 0.6)
    assert without_unlikely([look, step], {plug: 0.1, hose: 0.9}) == [look, step]
    assert step.terms == ["replace fuel line"] and step.chance == 0.9
    assert without_unlikely([look, step], {hose: 0.1}) == [look]


def test_work_stays_that_is_likely_in_one_of_its_sentences(parts: list[Sentence]) -> None:
    step = Told("do", ["replace spark plug"], parts[1], 0, 5, more=[parts[2]])
    first, second = (contender(parts, number, "do replace spark plug", 0.6) for number in (1, 2))
    assert without_unlikely([step], {first: 0.1, second: 0.9}) == [step]
    assert not is_likely(0.1) and is_likely(0.9)
