"""What notes are learned from: the examples of the package are well kept, and the notes tests measure with are not among them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_folders import DATA, lexicon, understood

from casebase.retain.draft import draft
from casebase.retain.story import Sentence, sentences
from casebase.retain.storychoice import WEIGHED, Choice, Weighed
from casebase.retain.storylearned import Subject, learned, sayings
from casebase.retain.storymachines import machines
from casebase.retain.storytwice import SET_BY
from casebase.retrieve import examples, heads, likely
from casebase.retrieve.examples import told_machines, told_stories
from casebase.retrieve.logistic import Features, read_weights
from casebase.retrieve.sayings import OTHER, read_examples
from casebase.trade import DATA as PACKAGE

KINDS = {"check": "check", "set": "setting", "do": "action", "symptom": "symptom", "absent": "symptom", "tried": "action", "cause": "cause"}


def known(kind: str, words: str) -> bool:
    """Whether words begin with a label of a kind; a verdict or values may follow."""
    labels = lexicon().vocabulary.terms[KINDS[kind]]  # type: ignore[index]
    parts = words.split()
    return any(" ".join(parts[:count]) in labels for count in range(len(parts), 0, -1))


def test_every_saying_is_under_a_label_of_the_vocabulary_and_there_once() -> None:
    steps, symptoms = read_examples(PACKAGE / "said_steps.txt"), read_examples(PACKAGE / "said_symptoms.txt")
    assert [label for label in steps if not known(*label.split(" ", 1))] == []
    assert [label for label in symptoms if label not in lexicon().vocabulary.terms["symptom"]] == []
    for every in (steps, symptoms):
        assert [label for label, said in every.items() if len(said) != len({clause.casefold() for clause in said})] == []


def test_every_item_of_the_notes_is_known() -> None:
    wrong = []
    for name, story in told_stories().items():
        for item in (item for sentence in story for item in sentence.items):
            kind, _space, rest = item.removeprefix("more ").partition(" ")
            if kind == "effect":
                work, _bar, symptom = re.sub(r"^(?:cured|better|no change|worse) ", "", rest).rpartition(" / ")
                right = bool(work) and known(*work.split(" ", 1)) and known("symptom", symptom)
            else:
                right = kind in ("proof", "advice") or (kind in KINDS and known(kind, rest))
            wrong += [] if right else [(name, item)]
    assert wrong == []


def test_no_example_tells_an_adjustment_twice() -> None:
    """With a value it is a setting, without one something done."""
    twice = [(name, sentence.text) for name, story in told_stories().items() for sentence in story
             for setting in sentence.settings if f"do {SET_BY.get(setting.label)}" in sentence.tells("steps")]
    assert twice == []


def test_no_note_that_is_measured_with_was_learned_from() -> None:
    taught = {sentence.text.casefold() for story in told_stories().values() for sentence in story}
    taught |= {clause.casefold() for subject in ("steps", "symptoms") for said in read_examples(PACKAGE / f"said_{subject}.txt").values() for clause in said}
    for folder in ("stories", "stories_fresh", "stories_unseen", "stories_settings"):
        for path in (DATA / folder).glob("*.txt"):
            own = {sentence.text.casefold() for sentence in sentences(path.read_text(encoding="utf-8"), lexicon()) if len(sentence.text.split()) > 8}
            assert own & taught == set(), path.name


def test_what_was_kept_says_what_was_learned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    subject: Subject = "roles"  # the one learned soonest
    monkeypatch.setattr(examples, "shared_cache", lambda name: tmp_path / name)
    clause = "the plug came out black and wet and it still would not start"
    fresh, kept = learned.__wrapped__(subject), learned.__wrapped__(subject)
    (file,) = tmp_path.iterdir()
    assert kept.labels == fresh.labels and np.array_equal(kept.chances(clause), fresh.chances(clause))
    file.write_bytes(file.read_bytes()[:-100] + bytes(100))
    assert np.array_equal(learned.__wrapped__(subject).chances(clause), fresh.chances(clause))  # a damaged file is learned anew


def test_sayings_held_back_are_mostly_understood() -> None:
    """Every eighth note is left out; of its sentences that tell one step the step stands among the six likeliest."""
    names = list(told_stories())[::8]
    without = sayings("steps", without=names)
    found = []
    for sentence in (sentence for name in names for sentence in told_stories()[name]):
        labels = sentence.tells("steps")
        if len(labels) == 1:
            order = [without.labels[number] for number in (-without.chances(sentence.text)).argsort() if without.labels[number] != OTHER]
            found.append(labels[0] in order[:6])
    print(f"{len(found)} sentences held back: {np.mean(found):.3f} among the first six")
    assert np.mean(found) >= 0.85


class Watched(Choice):
    """A choice that notes by what it weighed."""

    names: dict[Weighed, set[str]]

    def chance(self, subject: Weighed, thing: str, features: Features, sentence: Sentence | None) -> float:
        self.names[subject] |= set(features)
        chance = super().chance(subject, thing, features, sentence)
        assert 0 <= chance <= 1
        return chance


def test_every_weight_is_of_a_feature_and_every_feature_has_a_weight() -> None:
    choice: Any = Watched(lexicon().vocabulary)
    choice.names = {subject: set() for subject in WEIGHED}
    for path in sorted((DATA / "stories").glob("*.txt"))[:6]:
        draft(path.read_text(encoding="utf-8"), lexicon(), choice)
    text = "runs rough and leaks at the bulb"
    weighed = likely.Weighed(text, understood(text), likely.learned(), heads.learned(), lexicon().vocabulary.terms["symptom"])
    names = {**choice.names, likely.SUBJECT: {name for _label, features in weighed.features() for name in features}}
    assert {subject: set(weights) - {"constant"} for subject, weights in read_weights().items()} == names


def test_what_is_told_of_which_machine() -> None:
    """Counted here once more, by hand; common practice, no source: a bar is oiled on a chainsaw, a line is wound on a trimmer."""
    counted = machines()
    of_saws = [name for name, kind in told_machines().items() if kind == "chainsaw"]
    oiled = [name for name in of_saws if any("check bar oil delivery" in told.tells("steps") for told in told_stories()[name])]
    row, column = counted.labels.index("check bar oil delivery"), counted.kinds.index("chainsaw")
    assert counted.counts[row, column] == len(oiled) > 0
    assert counted.counts[-1, column] == len(of_saws)
    assert counted.fit("check bar oil delivery", "chainsaw") > 1 > -1 > counted.fit("check bar oil delivery", "generator")
    assert counted.fit("do rewind line", "string trimmer") > 1
    assert counted.fit("do rewind line", "") == counted.fit("do no such thing", "chainsaw") == 0
    assert set(counted.kinds) <= set(lexicon().vocabulary.terms["machine"])
