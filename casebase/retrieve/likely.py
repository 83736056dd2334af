"""What a question most likely says of symptoms: what was read by the vocabulary, weighed against what owners' words are like.

A symptom told in words no pattern knows ("climbs like a slug with a hangover") is heard by its likeness to examples, and
marked as likely; one that was read but is unlike what such words tell becomes "possible".
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cache
from math import log

import numpy as np

from casebase.retrieve import examples, heads
from casebase.retrieve.encoder import Vectors
from casebase.retrieve.heads import LEAST, Heads
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.logistic import Features, chance, log_of, read_weights
from casebase.retrieve.sayings import OTHER, FloatArray, Sayings, read_examples
from casebase.retrieve.status import Status
from casebase.retrieve.understand import Observation, Understood, understand
from casebase.trade import DATA
from casebase.trade.terms import Term, kin

SUBJECT = "asked"  # of the weights
KEPT = "complaints"  # of what was learned
TAKEN = 0.6  # from this chance on a symptom that was not read is taken as told; best .39 to .58 on thirds of the texts held back, .55 to .6 on the texts of the tests
READ = 0.1  # what was read needs only this much; as the texts of the tests have it
SURER = 2.0  # log-odds by which what was not read must be told more surely than denied
EVEN = -1.0  # less, and what was not read is not even perhaps told
SHORT = 10  # words; what was read in so few is said plainly ("hard to start, leaks fuel") and never doubted
PERHAPS = 0.55  # from here on the likeliest is said to be possible where nothing else is told; below it one of seven such guesses was right
SMOOTHING = 0.05
LONGEST = 2_000  # characters; longer texts are no complaints, and are only read
_NOT = "not "  # before the label of a symptom that is said not to be there
_CANDIDATES, _OF_CLAUSE = 8, 2  # likeliest symptoms weighed, of the whole text and of each clause
_CUT = re.compile(r"[,;:.!?]+\s+|,?\s+(?:but|and|so|although|though|only|then|yet|except)\s+|\s+[-–—]+\s+|\n", re.IGNORECASE)
_DENIED = re.compile(r"\b(?:no|not|never|without|fine|ok|okay|good)\b|n't", re.IGNORECASE)
_PAST = re.compile(r"\b(?:used to|was|were|had|mended|fixed|sorted|last (?:year|spring|summer|winter))\b", re.IGNORECASE)


def question(text: str, lexicon: Lexicon) -> Understood:
    """Reads a question. Raises `Refused` as `understand` does."""
    seen = understand(text, lexicon)
    if len(text) > LONGEST or not any(map(str.isalpha, text)) or _is_plain(seen):
        return seen
    weighed = Weighed(text, seen, learned(), heads.learned(), lexicon.vocabulary.terms["symptom"])
    chances = {label: chance(read_weights()[SUBJECT], features) for label, features in weighed.features()
               if label in weighed.states or features["encoded"] >= max(features["encoded gone"] + SURER, EVEN)}
    return _settled(seen, chances, weighed)


def _is_plain(seen: Understood) -> bool:
    """Whether a short question was read to the last word, so that there is nothing more to hear ("runs only on choke, leaks at bulb")."""
    return not seen.left_over and len(seen.text.split()) <= SHORT and any(term.kind == "symptom" for term in seen.observations)


def _settled(seen: Understood, chances: Mapping[str, float], weighed: Weighed) -> Understood:
    """What was read, less what is unlikely, and with what else is likely."""
    told = {term.label: term.status for term in seen.observations if term.kind == "symptom"}
    doubted = {label for label, status in told.items() if status == "present" and chances.get(label, 1.0) < READ and len(seen.text.split()) > SHORT}
    unread = {label: likelihood for label, likelihood in chances.items() if told.get(label) not in ("present", "absent", "resolved")}
    likely: dict[str, Status] = {label: "present" for label, likelihood in unread.items() if likelihood >= TAKEN}
    if not likely and unread and not any(status in ("present", "possible") for status in told.values()):
        best = max(unread, key=unread.__getitem__)
        likely = {best: "possible"} if unread[best] >= PERHAPS else {}
    kept = [term._replace(status="possible") if term.kind == "symptom" and term.label in doubted else term
            for term in seen.observations if term.kind != "symptom" or term.label not in likely]
    heard = [Observation("symptom", label, status, seen.text[start:end], start, end)
             for label, status in likely.items() for start, end in [weighed.clause_of(label)]]
    return seen._replace(observations=tuple(sorted([*kept, *heard], key=lambda term: (term.start, term.kind))), likely=tuple(likely))


class Weighed:
    """A text held against the examples of how symptoms are told, clause by clause, and read by the encoder."""

    def __init__(self, text: str, seen: Understood, sayings: Sayings, reader: Heads, terms: Mapping[str, Term]) -> None:
        self.text, self.sayings, self.reader, self.terms = text, sayings, reader, terms
        self.clauses = list(_clauses(text))
        odds = reader.above_threshold(reader.encoder.vectors([text[start:end] for start, end in self.clauses]), "symptoms").clip(LEAST)
        self.there, self.gone = np.hsplit(odds, 2)
        self.chances = [sayings.chances(text[start:end]) for start, end in self.clauses]
        self.whole = sayings.chances(text)
        self.states = {term.label: term.status for term in seen.observations if term.kind == "symptom"}
        self.labels = [label for label in terms if label in sayings.numbers]
        self.encoded = {label: float(self._encoded(label, self.there).max()) for label in self.labels}
        self.encoded_most = max(self.encoded.values(), default=LEAST)
        self.best = {label: max(self._of(label, chances) for chances in self.chances) for label in self.labels}

    def _of(self, label: str, chances: FloatArray) -> float:
        number = self.sayings.numbers.get(label)
        return float(chances[number]) if number is not None else 0.0

    def _encoded(self, label: str, odds: Vectors) -> Vectors:
        """The log-odds of a symptom in each clause; one of a folder's own vocabulary the encoder does not know."""
        number = self.reader.numbers["symptoms"].get(label)
        return odds[:, number] if number is not None else np.full(len(odds), LEAST, np.float32)

    def _clause(self, label: str) -> int:
        if label in self.reader.numbers["symptoms"]:
            return int(self._encoded(label, self.there).argmax())
        return max(range(len(self.clauses)), key=lambda place: self._of(label, self.chances[place]))

    def clause_of(self, label: str) -> tuple[int, int]:
        """The characters of the clause that most likely tells a symptom."""
        return self.clauses[self._clause(label)]

    def features(self) -> Iterator[tuple[str, Features]]:
        """Each symptom that may be told, with what speaks for and against it."""
        some = set(sorted(self.labels, key=lambda label: -self.best[label])[:_CANDIDATES]) | set(self.states)
        for chances in self.chances:
            some |= set(sorted(self.labels, key=lambda label: -self._of(label, chances))[:_OF_CLAUSE])
        some |= set(sorted(self.labels, key=lambda label: -self.encoded[label])[:_CANDIDATES])
        order = sorted((label for label in some if label in self.best), key=lambda label: (-self.best[label], label))
        for place, label in enumerate(order):
            yield label, {**self._likeness(label, order), **self._read(label), **self._heard(label), "place": min(place, 8), "first": place == 0, "second": place == 1}

    def _likeness(self, label: str, order: Sequence[str]) -> Features:
        here = self.chances[self._clause(label)]
        start, end = self.clause_of(label)
        best, others = self.best[label], [other for other in self.labels if other != label]
        another = max(self._of(other, here) for other in others)
        return {
            "best": log_of(best), "whole": log_of(self._of(label, self.whole)), "denied here": log_of(self._of(_NOT + label, here)),
            "denied": log_of(max(self._of(_NOT + label, chances) for chances in self.chances)), "another here": log_of(another),
            "another denied here": log_of(max(self._of(_NOT + other, here) for other in self.labels)), "nothing here": log_of(self._of(OTHER, here)),
            "kin": log_of(max((self.best[other] for other in kin(self.terms, label, order)), default=0.0)),
            "best here": best > another, "denial": bool(_DENIED.search(self.text[start:end])), "past": bool(_PAST.search(self.text[start:end])),
            "elsewhere": sum(self._of(label, chances) for chances in self.chances) - best, "clauses": len(self.clauses), "words": log(1 + len(self.text.split())),
        }

    def _heard(self, label: str) -> Features:
        """What the encoder says."""
        here, most, gone = self.encoded[label], self.encoded_most, self._encoded(label, self.gone)
        return {"encoded": here, "encoded told": here > 0, "encoded first": here == most, "encoded behind": most - here,
                "encoded gone": float(gone.max()), "encoded gone here": float(gone[self._clause(label)]), "encoded kin": max((self.encoded[other] for other in kin(self.terms, label, self.encoded)), default=LEAST),
                "encoded and read": here * (self.states.get(label, "") == "present")}

    def _read(self, label: str) -> Features:
        state, present = self.states.get(label, ""), [other for other, status in self.states.items() if status == "present"]
        return {
            **{f"read {status}": state == status for status in ("present", "absent", "resolved", "possible", "historical")},
            "read in all": len(present), "nothing read": not present, "another read": any(other != label for other in present),
            "another denied": any(other != label and status != "present" for other, status in self.states.items()),
            "kin read": bool(kin(self.terms, label, present)),
            "read and like": (state == "present") * log_of(self.best[label]), "unread and like": (not state) * log_of(self.best[label]),
        }


def _clauses(text: str) -> Iterator[tuple[int, int]]:
    """The stretches of a text that say one thing each."""
    start = 0
    for link in (*_CUT.finditer(text), None):
        end = link.start() if link else len(text)
        if text[start:end].strip():
            yield start, end
        start = link.end() if link else end


def sayings(*, without: Collection[int] = ()) -> Sayings:
    """How symptoms are told and denied; `without` the questions of these numbers."""
    clauses = read_examples(DATA / "said_symptoms.txt")
    clauses.setdefault(OTHER, [])
    asked = (text for number, text in enumerate(examples.asked_texts()) if number not in without)
    for told in (told for text in (*examples.newest_notes(), *asked) for told in text):
        labels = [*told.tells("symptoms"), *(_NOT + label for label in told.denies)]
        for label in labels or [OTHER]:
            clauses.setdefault(label, []).append(told.text)
    return Sayings.learn(clauses, smoothing=SMOOTHING)


@cache
def learned() -> Sayings:
    """`sayings` from all there is."""
    arrays, labels = examples.kept(KEPT, ("said_symptoms.txt", "told.txt", "asked.txt"), lambda: sayings().learned)
    return Sayings(labels, arrays)
