"""Similar cases: text, symptoms and machine in one score, with the reasons for each case.

A score is a weighted mean of what can be compared, times the square root of how much of the question could be
compared at all, so that a case of which little is known does not float to the top. It is a similarity and is
never shown as a probability.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retrieve.attributes import Alike, compare
from casebase.retrieve.index import Index
from casebase.retrieve.learned import Taught
from casebase.retrieve.text import features, hashes, is_pair, said
from casebase.retrieve.textscore import text_scores
from casebase.retrieve.understand import Understood
from casebase.retrieve.weights import Weights
from casebase.trade.words import FILLERS

FloatArray = npt.NDArray[np.float64]

RELATED = 0.35
SUSPECTED = 0.5
CONTRADICTION = 0.8
MOST = 200
DIVERSITY = 0.7
COMPARABLE = 0.5
FLOOR = 0.05
LIKELY = 0.2


class Reasons(NamedTuple):
    """Why a case is there: what it shares with the question, what speaks against it, what it does not say.

    `likely` are its causes that the record makes likely for such words, with their chance.
    """

    symptoms: tuple[str, ...] = ()
    related: tuple[tuple[str, str], ...] = ()
    words: tuple[str, ...] = ()
    matching: tuple[str, ...] = ()
    differing: tuple[str, ...] = ()
    contradicting: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    likely: tuple[tuple[str, float], ...] = ()


class Match(NamedTuple):
    """One similar case. `score` is in [0, 1]; `position` is its place in the index."""

    position: int
    id: str
    score: float
    causes: tuple[str, ...]
    reasons: Reasons = Reasons()


class Ranking(NamedTuple):
    """All similar cases in the order of their score, the few to show, diversified over causes, and what the record has
    taught of the question's words.
    """

    matches: tuple[Match, ...]
    shown: tuple[Match, ...]
    taught: Taught = Taught()


def rank(question: Understood, index: Index, *, limit: int = 6, diverse: bool = True) -> Ranking:
    """The cases most like a question, at most MOST; `limit` of them with reasons in `shown`.

    Deterministic: equal scores are ordered by case id.
    """
    scores = Scores.of(question, index)
    total = scores.total(index.weights, index.learned.trust if index.learned else 0.0)
    order = best_positions(total, index)
    matches = tuple(Match(position, index.id(position), score, index.labels("causes", "cause", position))
                    for position, score in zip(order, total[order].tolist(), strict=True))
    chosen = diversify(matches, index, limit) if diverse else matches[:limit]
    shown = tuple(Match(match.position, match.id, match.score, match.causes, scores.reasons(match.position))
                  for match in chosen)
    return Ranking(matches, shown, scores.taught)


def best_positions(total: FloatArray, index: Index) -> list[int]:
    """Positions with a score above FLOOR, best first, ties by id."""
    count = min(MOST, int((total > FLOOR).sum()))
    if not count:
        return []
    least = np.partition(total, -count)[-count]
    candidates = np.flatnonzero(total >= max(least, FLOOR))
    ranked = sorted((-score, index.id(position), position)
                    for score, position in zip(total[candidates].tolist(), candidates.tolist(), strict=True))
    return [position for _score, _id, position in ranked[:MOST]]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Scores:
    """The parts of the score for every position, and what the question asked.

    `symptoms` and `machine` are NaN where they cannot be compared; `taught` is what the record has taught of the
    question's words; `expected` is the learned chance of each case's cause.
    """

    question: Understood
    index: Index
    words: dict[str, float]
    text: FloatArray
    symptoms: FloatArray
    alike: Alike | None
    factor: FloatArray
    taught: Taught
    expected: FloatArray

    @classmethod
    def of(cls, question: Understood, index: Index, *, allowed: npt.NDArray[np.bool_] | None = None,
           chances: Mapping[str, float] | None = None) -> Scores:
        """Compares a question with every case.

        `allowed` masks the cases that may answer, all that count if not given; `chances` stand for those of the
        index's own model, for a question that is itself a case.
        """
        usable = index.alive if allowed is None else index.alive & allowed
        words = features(_claimed(question), index.lexicon.folding)
        text = text_scores(words, index, usable)
        symptoms = symptom_scores(_asked(question), index)
        alike = compare(question.machine, index)
        factor = np.where(usable, _contradiction_factor(question, index), 0.0)
        taught = taught_of(question, index) if chances is None else Taught(chances)
        return cls(question, index, words, text, symptoms, alike, factor, taught, cause_chances(taught.chances, index))

    def total(self, weights: Weights, trust: float) -> FloatArray:
        """The score of every position, in [0, 1].

        What can be compared in words, symptoms and machine gives a mean; the learned part takes its share of it,
        `weights.learned` times `trust`, on the scale of the best mean, so that a question that resembles nothing
        stays without an answer however sure the model is.
        """
        total = np.zeros(len(self.text))
        known = np.zeros(len(self.text))
        possible = 0.0
        parts: list[tuple[float, FloatArray, FloatArray]] = [(weights.text, self.text, np.ones(len(self.text)))]
        if _asked(self.question):
            parts.append((weights.symptoms, np.nan_to_num(self.symptoms),
                          (~np.isnan(self.symptoms)).astype(np.float64)))
        if self.alike is not None:
            parts.append((weights.machine, np.nan_to_num(self.alike.similarity), self.alike.coverage))
        for weight, values, coverage in parts:
            total += weight * coverage * values
            known += weight * coverage
            possible += weight
        total = total / np.maximum(known, 1e-9) * np.sqrt(known / max(possible, 1e-9))
        # A machine of the same kind is no likeness by itself: something of the complaint must be shared.
        total[(np.nan_to_num(self.symptoms) == 0) & (self.text == 0)] = 0.0
        share = weights.learned * trust if self.taught.chances else 0.0
        best = float((total * (self.factor > 0)).max(initial=0.0))
        # The same order as (1 - share) · total + share · best · expected, but with chances spread thinly the totals
        # keep the size they had, and no case is lost for want of a sure cause.
        odds = share / (1 - share)
        likeliest = float((self.expected * (self.factor > 0)).max(initial=0.0))
        return np.asarray((total + odds * best * self.expected) / (1 + odds * likeliest) * self.factor)

    def reasons(self, position: int) -> Reasons:
        """What ties a case to the question and what does not."""
        index, question = self.index, self.question
        has = index.labels("symptoms", "symptom", position)
        asked = _asked(question)
        related = tuple((mine, theirs) for mine in asked if mine not in has for theirs in has
                        if theirs not in asked and _same_family(mine, theirs, index))[:2]
        absent = index.labels("absent", "symptom", position)
        denied = question.labels("symptom", "absent", "resolved")
        against = tuple(f"{label}: not there" for label in asked if label in absent) + tuple(
            f"{label}: there, but not here" for label in has if label in denied)
        matching, differing, unknown = self._machine_reasons(position)
        return Reasons(tuple(label for label in has if label in asked), related, self._shared_words(position),
                       matching, differing, against, unknown, self._likely(position))

    def _likely(self, position: int) -> tuple[tuple[str, float], ...]:
        """The causes of a case whose learned chance is at least LIKELY."""
        if self.index.learned is None or not self.index.learned.trust:
            return ()
        chances = self.taught.chances
        return tuple((cause, chances[cause]) for cause in self.index.labels("causes", "cause", position)
                     if chances.get(cause, 0.0) >= LIKELY)

    def _shared_words(self, position: int, most: int = 5) -> tuple[str, ...]:
        """The question's most telling words that the case has too."""
        segment, place = self.index.locate(position)
        telling = [word for word in self.words if len(word) >= 3 and word not in FILLERS and not is_pair(word)]
        asked = hashes(telling)
        own = set(segment.row("words", place).tolist())
        weighed = sorted(zip(self.index.frequencies(asked).tolist(), telling, asked.tolist(), strict=True))
        return tuple(word for _cases, word, feature in weighed if feature in own)[:most]

    def _machine_reasons(self, position: int) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
        if self.alike is None:
            return (), (), ()
        values = {name: float(part[position]) for name, part in self.alike.parts.items()}
        segment, place = self.index.locate(position)

        def said(name: str) -> str:
            if name in ("kind", "engine", "carburettor"):
                return str(self.index.tables.lists[name][int(segment[name][place])])
            column, unit = ("displacement_cc", "cc") if name == "displacement" else ("age_years", "years old")
            return f"{float(segment[column][place]):g} {unit}"

        known = {name: value for name, value in values.items() if not np.isnan(value)}
        return (tuple(said(name) for name, value in known.items() if value >= 0.75),
                tuple(said(name) for name, value in known.items() if value < 0.3),
                tuple(name for name in values if name not in known))


def taught_of(question: Understood, index: Index) -> Taught:
    """What the record has taught of a question's words and machine; nothing where it teaches too little."""
    if index.learned is None:
        return Taught()
    return index.learned.taught(said(question.text), (question.machine.kind, question.machine.engine))


def cause_chances(chances: Mapping[str, float], index: Index) -> FloatArray:
    """For each position the chance of its cause, of several that of the likeliest; 0 without a known cause."""
    value = np.array([chances.get(name, 0.0) for name in index.tables.lists["cause"]])
    best = np.zeros(len(index.alive))
    if chances:
        for offset, segment in zip(index.offsets, index.segments, strict=True):
            owners = segment.owners("causes_at") + offset
            np.maximum.at(best, owners, value[segment["causes"]])
    return best


def _asked(question: Understood) -> dict[str, float]:
    """The symptoms of a question with their weight: present ones count fully, suspected ones half."""
    asked = dict.fromkeys(question.labels("symptom", "possible"), SUSPECTED)
    asked.update(dict.fromkeys(question.symptoms, 1.0))
    return asked


def _claimed(question: Understood) -> str:
    """The question without the symptoms it denies: their words would find the cases that had them."""
    kept = list(question.text)
    for seen in question.observations:
        if seen.kind == "symptom" and seen.status in ("absent", "resolved"):
            kept[seen.start: seen.end] = " " * (seen.end - seen.start)
    return "".join(kept)


def symptom_scores(asked: dict[str, float], index: Index) -> FloatArray:
    """Soft overlap of symptoms: the mean over the asked ones of the best likeness among the case's own.

    The same symptom counts 1, one of the same family RELATED. NaN for a case that lists no symptoms.
    A case is not punished for having more symptoms than were asked about.
    """
    size = len(index.alive)
    total = np.zeros(size)
    if not asked:
        return total
    labels, families = index.tables.lists["symptom"], index.once(_families)
    for symptom, weight in asked.items():
        best = np.zeros(size)
        family = _family(symptom, index)
        for number, label in enumerate(labels):
            if label != symptom and (not family or families[number] != family):
                continue
            for offset, segment in zip(index.offsets, index.segments, strict=True):
                cases = segment.symptom_postings(number).astype(np.int64) + offset
                best[cases] = np.maximum(best[cases], 1.0 if label == symptom else RELATED)
        total += weight * best
    total /= sum(asked.values())
    lists = np.concatenate([np.diff(segment["symptoms_at"]) for segment in index.segments])
    return np.where(lists > 0, total, np.nan)


def _family(symptom: str, index: Index) -> str:
    """What a symptom stands under in the vocabulary; "" for none."""
    term = index.lexicon.vocabulary.terms["symptom"].get(symptom)
    return term.under if term else ""


def _families(index: Index) -> list[str]:
    """The family of each symptom of the index, by its number."""
    return [_family(label, index) for label in index.tables.lists["symptom"]]


def _same_family(one: str, other: str, index: Index) -> bool:
    return _family(one, index) == _family(other, index) != ""


def _contradiction_factor(question: Understood, index: Index) -> FloatArray:
    """CONTRADICTION for each symptom asked about that a case looked for in vain, or denied here and had there."""
    factor = np.ones(len(index.alive))
    present = [index.tables.known("symptom", label) for label in question.symptoms]
    denied = [index.tables.known("symptom", label) for label in question.labels("symptom", "absent", "resolved")]
    for offset, segment in zip(index.offsets, index.segments, strict=True):
        for column, numbers in (("absent", present), ("symptoms", denied)):
            owners = segment.owners(f"{column}_at")
            for number in numbers:
                if number >= 0:
                    factor[owners[segment[column] == number] + offset] *= CONTRADICTION
    return factor


def diversify(matches: Sequence[Match], index: Index, limit: int) -> tuple[Match, ...]:
    """The best of `matches`, but with different causes: `mmr` over the likeness of causes in their tree.

    The person wants different explanations, so likeness is that of causes, not of texts. Only cases nearly as
    good as the best change places; another cause is no reason to show a case that is hardly alike.
    """
    pool = [match for match in matches[: 10 * limit] if match.score >= COMPARABLE * matches[0].score]
    known: dict[tuple[tuple[str, ...], tuple[str, ...]], float] = {}  # similar cases mostly have a few causes over and over

    def likeness(one: int, other: int) -> float:
        pair = pool[one].causes, pool[other].causes
        if pair not in known:
            known[pair] = _likeness(*pair, index)
        return known[pair]

    chosen = mmr([match.score for match in pool], likeness, DIVERSITY, limit)
    return (*(pool[place] for place in chosen), *matches[len(pool):])[:limit]


def mmr(relevance: Sequence[float], similarity: Callable[[int, int], float], weight: float, limit: int) -> list[int]:
    """Maximal marginal relevance (Carbonell & Goldstein 1998): the places of at most `limit` items, in order.

    next = argmax weight·relevance − (1 − weight)·(its largest similarity to those chosen); weight in [0, 1], 1 is
    plain relevance. Of equals the more relevant comes first, then the earlier.
    """
    left, chosen = list(range(len(relevance))), list[int]()
    nearest = [0.0] * len(relevance)
    while left and len(chosen) < limit:
        best = max(left, key=lambda place: (weight * relevance[place] - (1 - weight) * nearest[place],
                                            relevance[place]))
        chosen.append(best)
        left.remove(best)
        for place in left:
            nearest[place] = max(nearest[place], similarity(place, best))
    return chosen


def _likeness(some: Sequence[str], others: Sequence[str], index: Index) -> float:
    """The likeness of the two nearest causes of two cases, in [0, 1]; 0 where one has none."""
    vocabulary = index.lexicon.vocabulary
    return max((vocabulary.tree_similarity("cause", mine, theirs) for mine in some for theirs in others), default=0.0)
