"""What the sentences of a note tell, by the encoder: steps, symptoms, what the work did, and values of settings.

Each sentence is read in the light of those around it; what became of a symptom by a piece of work is a choice between all
sentences and results, and "not told".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple, get_args

import numpy as np
import numpy.typing as npt

from casebase.record.case import Result, Verdict
from casebase.retrieve.encoder import Vectors, gelu, normal, softmax
from casebase.retrieve.heads import LEAST, Alone, Head, learned

RESULTS: tuple[Result, ...] = ("cured", "better", "no change", "worse")
VERDICTS: tuple[Verdict, ...] = ("ok", "bad")
ALONE: tuple[Alone, ...] = get_args(Alone)
_HEADS: tuple[Head, ...] = ("steps", "symptoms", "result", "cause")  # of each sentence and each part
CANDIDATES = 8
AFTER = 19  # so many sentences after a piece of work are told apart
BETWEEN, SINCE = 7, 6  # so many sentences of later work, and so many since a symptom was told, are told apart
NEVER = -30.0  # score of a result told before its work
MOST = 8.0  # what a sentence alone may add to a score
SILENT = 2.0  # most work is told without a result
_TINY = 1e-5  # as the heads were learned with

Numbers = npt.NDArray[np.int_]


class Odds(NamedTuple):
    """The log-odds that a sentence tells something, by the whole of it and by the part that most likely tells it; and that it says this is not there."""

    whole: float
    part: float
    absent: float = LEAST


class ValueOdds(NamedTuple):
    """The log-odds that a number is where a setting was found, and where it was left."""

    before: float
    after: float


class Encoded:
    """A note read by the encoder, its sentences given by their parts, which together are all of a sentence: `steps`, `symptoms` and the results it has `said` are log-odds by sentence (rows)
    and label (columns), `absent` those of saying that a symptom is not there, `causes` those of telling a cause; `tried`, `proof` and `advice` those of telling what had been tried before, of a final test, of what the owner should do."""

    def __init__(self, sentences: Sequence[Sequence[str]]) -> None:
        self._heads = learned()
        self._sentences, self._values = sentences, dict[tuple[int, int, int], dict[str, ValueOdds]]()
        self._vectors, self._parts, counts, self._pieces = self._heads.encoder.parted(sentences)
        self._begins = np.cumsum([0, *counts[:-1]])  # of each sentence the place of its first part
        self._numbers = np.arange(len(sentences)).repeat(counts)  # of each part the number of its sentence
        whole, parts = ({head: self._odds(vectors, head) for head in _HEADS} for vectors in (self._vectors, self._parts))
        best = {head: np.maximum.reduceat(odds, self._begins, axis=0) for head, odds in parts.items()}  # by the part that most likely tells it
        (self.symptoms, absent), (symptoms_by_part, absent_by_part) = (np.hsplit(odds["symptoms"], 2) for odds in (whole, best))
        self.steps, self.said, self._steps_of_parts, self._said_by_part = whole["steps"], whole["result"], parts["steps"], parts["result"]
        self._by_part = {"steps": best["steps"], "symptoms": symptoms_by_part}
        self.absent, self.causes = np.maximum(absent, absent_by_part), np.maximum(whole["cause"], best["cause"])
        self.tried, self.proof, self.advice = (self._heads.alone(self._vectors, kind) for kind in ALONE)

    def _odds(self, vectors: Vectors, head: Head) -> Vectors:
        found: Vectors = self._heads.above_threshold(vectors, head).clip(min=LEAST)
        return found

    def likely(self, subject: Literal["steps", "symptoms"], number: int) -> dict[str, Odds]:
        """The likeliest labels of a sentence with their log-odds."""
        whole, part = (self.steps if subject == "steps" else self.symptoms)[number], self._by_part[subject][number]
        labels, best = self._heads.labels[subject], np.maximum(whole, part)
        absent = self.absent[number] if subject == "symptoms" else np.full_like(whole, LEAST)
        return {labels[place]: Odds(*map(float, (whole[place], part[place], absent[place]))) for place in (-best).argsort()[:CANDIDATES] if best[place] > LEAST}

    def verdict(self, number: int, label: str) -> dict[Verdict, float]:
        """The log-odds of each verdict of a look that a sentence tells, by the whole of it and by the part that most likely tells the look."""
        column, parts = self._heads.numbers["steps"].get(label), np.flatnonzero(self._numbers == number)
        telling = parts[self._steps_of_parts[parts, column].argmax()] if column is not None else parts[0]
        odds = self._odds(np.stack([self._vectors[number], self._parts[telling]]), "verdict").mean(axis=0)
        return dict(zip(VERDICTS, map(float, odds), strict=True))

    def cause_odds(self, number: int) -> dict[str, float]:
        """The log-odds of each cause that a sentence tells it."""
        return self._by_label("causes", self.causes[number])

    def absent_from(self, number: int) -> dict[str, float]:
        """The log-odds of each symptom that a sentence says it is not there."""
        return self._by_label("symptoms", self.absent[number])

    def _by_label(self, subject: str, odds: Vectors) -> dict[str, float]:
        return dict(zip(self._heads.labels[subject], map(float, odds), strict=True))

    def value(self, number: int, start: int, end: int) -> dict[str, ValueOdds]:
        """Of which settings the number at these characters of a sentence is a value. Those of a folder's own vocabulary are not among them, and none is
        for a number behind what is read of a long sentence."""
        if (number, start, end) not in self._values:
            self._values[number, start, end] = self._value(number, start, end)
        return self._values[number, start, end]

    def _value(self, number: int, start: int, end: int) -> dict[str, ValueOdds]:
        states = self._pieces[number]
        first, last = self._heads.encoder.pieces.span("".join(self._sentences[number]), start, end)
        if first >= len(states):
            return {}
        odds = self._heads.above_threshold(states[first:last].mean(axis=0, keepdims=True), "value")[0].clip(min=LEAST)
        labels = self._heads.labels["settings"]
        return {label: ValueOdds(*map(float, both)) for label, both in zip(labels, odds.reshape(2, -1).T, strict=True)}

    def results(self, work: Sequence[tuple[int, str]], symptoms: Mapping[str, Sequence[int]]) -> tuple[Vectors, Vectors]:
        """The chance of each result of each piece of work on each symptom by each sentence, an array of (work, symptoms,
        sentences, results), by the whole sentences and by their parts. `work` are sentences and labels ("do replace belt"), `symptoms` the sentences that tell each."""
        heads, vectors, kept = self._heads, self._vectors, self._heads.weights
        places = [place for place, _label in work]
        done = vectors[places] @ kept["work"].T + heads.rows(kept["of step"], "steps", [label for _place, label in work])
        means = np.stack([vectors[list(telling)].mean(axis=0) if telling else np.zeros_like(vectors[0]) for telling in symptoms.values()])
        seen = means @ kept["trouble"].T + heads.rows(kept["of symptom"], "symptoms", list(symptoms))
        silent = gelu(normal(done[:, None] + seen[None], kept["none norm"], _TINY)) @ kept["none"].T + kept["none bias"] + SILENT

        def told_by(these: Vectors, numbers: Numbers, results: Vectors) -> Vectors:
            """The chances by what stands in the sentences of these numbers, and tells `results` by itself."""
            said, far = these @ kept["said"].T + kept["said bias"], distances(places, numbers)
            by_work: Vectors = (said @ kept["tie work"].T) * done[:, None] + done[:, None] + kept["far"][far.clip(0)] + kept["between"][between(places, numbers)]
            by_symptom: Vectors = (said @ kept["tie"].T) * seen[:, None] + seen[:, None] + kept["since"][since(list(symptoms.values()), numbers)]
            about = heads.rows(np.clip(heads.above_threshold(these, "about"), -MOST, MOST).T, "symptoms", list(symptoms))
            alone = np.clip(results, -MOST, MOST) + about[..., None]
            found = []
            for of_work, apart, none in zip(said + by_work, far, silent, strict=True):  # one after the other: all together can be too large
                scores = _layers(kept, of_work + by_symptom) + alone
                scores[:, apart < 0] = NEVER
                found.append(softmax(np.concatenate([scores.reshape(len(symptoms), -1), none], axis=-1))[:, :-1].reshape(scores.shape))
            return np.stack(found)

        by_part = told_by(self._parts, self._numbers, self._said_by_part)
        return told_by(vectors, np.arange(len(vectors)), self.said), np.add.reduceat(by_part, self._begins, axis=2)


def distances(places: Sequence[int], numbers: Numbers) -> Numbers:
    """How far behind the work told at `places` the sentences of these numbers stand, below 0 before it: an array of (places, numbers)."""
    found: Numbers = np.minimum(numbers[None] - np.array(places)[:, None], AFTER)
    return found


def between(places: Sequence[int], numbers: Numbers) -> Numbers:
    """In how many sentences work is told after that at `places`, up to the sentences of these numbers: an array of (places, numbers)."""
    every = np.unique(places)
    found: Numbers = np.clip(every.searchsorted(numbers, "right")[None] - every.searchsorted(places, "right")[:, None], 0, BETWEEN)
    return found


def since(telling: Sequence[Sequence[int]], numbers: Numbers) -> Numbers:
    """How many sentences ago each symptom was told last: 0 where the sentence of the number tells it, `SINCE` + 1 where it was not told by then; an array of
    (symptoms, numbers)."""
    return np.array([[min((min(number - told, SINCE) for told in of_symptom if told <= number), default=SINCE + 1) for number in numbers.tolist()] for of_symptom in telling])


def _layers(kept: Mapping[str, Vectors], mixed: Vectors) -> Vectors:
    inner = gelu(gelu(normal(mixed, kept["out norm"], _TINY)) @ kept["out inner"].T + kept["out inner bias"])
    scores: Vectors = inner @ kept["out"].T + kept["out bias"]
    return scores
