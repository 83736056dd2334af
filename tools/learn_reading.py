"""Finds the weights by which notes are read (`casebase/trade/data/reading.txt`).

    python3 tools/learn_reading.py            learns from the notes of told.txt, in six parts
    python3 tools/learn_reading.py --rounds 3

Every note is read with the examples of the other parts, so that nothing is weighed by what it was learned from. What was
told before a sentence depends on the weights, so the notes are read again with the new ones.
"""

from __future__ import annotations

import argparse

import numpy as np
from run import ROOT
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from casebase.retain import storychoice
from casebase.retain.draft import draft
from casebase.retain.story import Sentence
from casebase.retain.storychoice import Choice, Features, written_weights
from casebase.retain.storylearned import SUBJECTS, Subject, ToldSentence, sayings, told_stories
from casebase.retrieve.lexicon import Lexicon
from casebase.trade.terms import package_vocabulary

PARTS = 6
RULES_ALONE: dict[Subject, Features] = {"steps": {"constant": -3.0, "read": 6.0}, "symptoms": {"constant": -3.0, "read": 6.0},
                                        "effects": {"constant": -3.0, "proposed": 6.0}}
WEIGHTS = ROOT / "casebase" / "trade" / "data" / "reading.txt"


class Watched(Choice):
    """A choice that notes the features of all it weighed."""

    seen: list[tuple[Subject, str, Features, Sentence]]

    def chance(self, subject: Subject, thing: str, features: Features, sentence: Sentence) -> float:
        self.seen.append((subject, thing, features, sentence))
        return super().chance(subject, thing, features, sentence)


def is_told(subject: Subject, thing: str, sentence: Sentence, story: tuple[ToldSentence, ...]) -> bool:
    """Whether the sentence of the example that a sentence of the note lies in tells the thing."""
    start = 0
    for told in story:
        if start <= sentence.start < start + len(told.text) + 1:
            return not set(thing.split("\n")).isdisjoint(told.effects if subject == "effects" else told.tells(subject))
        start += len(told.text) + 1
    return False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=2)
    rounds = parser.parse_args().rounds
    lexicon = Lexicon.build(package_vocabulary())
    stories = told_stories()
    names = list(stories)
    parts = [names[part::PARTS] for part in range(PARTS)]
    learned = [{subject: sayings(subject, without=part) for subject in SUBJECTS} for part in parts]
    weights = RULES_ALONE
    for number in range(rounds):
        rows: dict[Subject, list[tuple[Features, bool]]] = {subject: [] for subject in SUBJECTS}
        for part, known in zip(parts, learned, strict=True):
            for name in part:
                choice = Watched(lexicon.vocabulary, sayings=known, weights=weights)
                choice.seen = []
                draft(" ".join(told.text for told in stories[name]), lexicon, choice)
                for subject, thing, features, sentence in choice.seen:
                    rows[subject].append((features, is_told(subject, thing, sentence, stories[name])))
        weights = {subject: fitted(subject, found) for subject, found in rows.items()}
        print(f"round {number + 1}: " + ", ".join(f"{len(found)} {subject} weighed, {sum(told for _f, told in found)} told" for subject, found in rows.items()))
    WEIGHTS.write_text("\n".join(written_weights(weights)) + "\n", encoding="utf-8")
    storychoice.read_weights.cache_clear()


def fitted(subject: Subject, rows: list[tuple[Features, bool]]) -> dict[str, float]:
    """Weights for the features as they are, from a regression on scaled ones."""
    names = list(dict.fromkeys(name for features, _told in rows for name in features))
    table = np.array([[float(features.get(name, 0.0)) for name in names] for features, _told in rows])
    scale = StandardScaler().fit(table)
    model = LogisticRegression(C=1.0, max_iter=1000).fit(scale.transform(table), [told for _features, told in rows])
    spread = model.coef_[0] / scale.scale_
    return {"constant": float(model.intercept_[0] - spread @ scale.mean_), **dict(zip(names, map(float, spread), strict=True))}


if __name__ == "__main__":
    main()
