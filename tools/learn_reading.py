"""Finds the weights by which notes and questions are read (`casebase/trade/data/reading.txt`).

    python3 tools/learn_reading.py            learns from notes of told.txt and the questions of asked.txt, in six parts
    python3 tools/learn_reading.py --rounds 3

Notes are those that the encoder (`tools/learn_encoder.py`) has not learned from. Everything is read with the examples of the
other parts, so that nothing is weighed by what it was learned from. What was told before a sentence depends on the weights, so
the notes are read again with the new ones; the second round is still far off, the third and fourth are alike.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from casebase.retain.draft import draft
from casebase.retain.story import Sentence
from casebase.retain.storychoice import BECAME, WEIGHED, Choice, Weighed
from casebase.retain.storylearned import SUBJECTS, sayings
from casebase.retain.storymachines import machines
from casebase.retrieve import heads, likely
from casebase.retrieve.examples import ToldSentence, asked_texts, told_stories
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.logistic import WEIGHTS, Features, written_weights
from casebase.retrieve.understand import understand
from casebase.trade.readings import Reading
from casebase.trade.terms import package_vocabulary

PARTS = 6
RULES_ALONE: dict[Weighed, Features] = {
    "steps": {"constant": -3.0, "read": 6.0}, "steps beside": {"constant": 0.0, "chance": 1.0}, "work of the note": {"constant": 0.0, "chance": 1.0}, "symptoms": {"constant": -3.0, "read": 6.0},
    "symptoms of the note": {"constant": -3.0, "taken": 6.0}, "effects": {"constant": -3.0, "proposed": 6.0}, "effects beside": {"constant": 0.0, "first chance": 1.0},
    **{subject: {"constant": 0.0, f"told {result}": 1.0} for result, subject in BECAME.items()},
    "from": {"constant": -3.0, "rule from": 6.0}, "to": {"constant": -3.0, "rule to": 6.0}}
Rows = dict[Weighed, list[tuple[Features, bool]]]


class Watched(Choice):
    """A choice that notes the features of all it weighed."""

    seen: list[tuple[Weighed, str, Features, Sentence | None]]

    def chance(self, subject: Weighed, thing: str, features: Features, sentence: Sentence | None) -> float:
        self.seen.append((subject, thing, features, sentence))
        return super().chance(subject, thing, features, sentence)


def is_told(subject: Weighed, thing: str, told: ToldSentence) -> bool | None:
    """Whether a sentence of an example tells the thing; None where the question does not arise."""
    if subject in ("effects", "effects beside", *BECAME.values()):
        return not set(thing.split("\n")).isdisjoint(told.effects)
    if subject in ("steps", "steps beside", "work of the note"):
        return None if thing in told.goes_on_with else thing in told.tells("steps")
    if subject in ("symptoms", "symptoms of the note"):
        return thing in told.tells("symptoms")
    label, words, value, back = thing.split("\n")
    setting = next((setting for setting in told.settings if setting.label == label), None)
    return setting and setting.role(Reading(float(value), "", words, None, 0, 0)) == subject and (subject == "from" or back == "0")


def sentence_at(start: int, story: Iterable[ToldSentence]) -> ToldSentence:
    """The sentence of the example in which a sentence of the note begins."""
    end = 0
    for told in story:
        end += len(told.text) + 1
        if start < end:
            return told
    raise AssertionError("a note is no longer than its sentences")


def read_part(part: Sequence[str], weights: dict[Weighed, Features]) -> Rows:
    """Reads some of the notes with the examples of all others; what was weighed, and whether it was told."""
    lexicon = Lexicon.build(package_vocabulary())
    stories = told_stories()
    choice = Watched(lexicon.vocabulary, sayings={subject: sayings(subject, without=part) for subject in SUBJECTS}, weights=weights,
                     machines=machines(without=part))
    rows: Rows = {subject: [] for subject in WEIGHED}
    for name in part:
        choice.seen = []
        draft(" ".join(told.text for told in stories[name]), lexicon, choice)
        for subject, thing, features, sentence in choice.seen:
            told = is_told(subject, thing, sentence_at(sentence.start, stories[name])) if sentence else any(is_told(subject, thing, told) for told in stories[name])
            if told is not None:
                rows[subject].append((features, told))
    return rows


def read_all(names: Sequence[str], weights: dict[Weighed, Features]) -> Rows:
    """Reads the notes of these names, part by part."""
    with ProcessPoolExecutor() as pool:
        parts = list(pool.map(read_part, [names[part::PARTS] for part in range(PARTS)], repeat(weights)))
    return {subject: [row for rows in parts for row in rows[subject]] for subject in WEIGHED}


def read_asked(part: int) -> list[tuple[Features, bool]]:
    """Reads every so many-th question that the encoder has not learned from, with the examples of all others; what was weighed, and whether it was told."""
    lexicon = Lexicon.build(package_vocabulary())
    texts = asked_texts()
    held = heads.learned().held_asked[part::PARTS]
    known = likely.sayings(without=held)
    rows = []
    for number in held:
        text = " ".join(told.text for told in texts[number])
        told = {label for clause in texts[number] for label in clause.tells("symptoms")}
        weighed = likely.Weighed(text, understand(text, lexicon), known, heads.learned(), lexicon.vocabulary.terms["symptom"])
        rows += [(features, label in told) for label, features in weighed.features()]
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=4)
    rounds = parser.parse_args().rounds
    weights = RULES_ALONE
    for number in range(rounds):
        rows = read_all(heads.learned().held, weights)
        weights = {subject: fitted(rows[subject]) for subject in WEIGHED}
        print(f"round {number + 1}: " + ", ".join(f"{len(rows[subject])} {subject}" for subject in WEIGHED) + " weighed", flush=True)
    with ProcessPoolExecutor() as pool:
        asked = fitted([row for rows in pool.map(read_asked, range(PARTS)) for row in rows])
    WEIGHTS.write_text("\n".join(written_weights({**weights, likely.SUBJECT: asked})) + "\n", encoding="utf-8")


def fitted(rows: list[tuple[Features, bool]]) -> dict[str, float]:
    """Weights for the features as they are, from a regression on scaled ones."""
    names = list(dict.fromkeys(name for features, _told in rows for name in features))
    table = np.array([[float(features.get(name, 0.0)) for name in names] for features, _told in rows])
    scale = StandardScaler().fit(table)
    model = LogisticRegression(C=1.0, max_iter=1000).fit(scale.transform(table), [told for _features, told in rows])
    spread = model.coef_[0] / scale.scale_
    return {"constant": float(model.intercept_[0] - spread @ scale.mean_), **dict(zip(names, map(float, spread), strict=True))}


if __name__ == "__main__":
    main()
