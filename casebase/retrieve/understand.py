"""From a person's words to observations: terms with their status, the machine, readings, what was tried.

What was understood is always shown, so that a person can put it right; words that were not understood are
kept as `left_over` and still count in the text part of the search.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from casebase.problems import refuse
from casebase.retrieve.lexicon import Found, Lexicon
from casebase.retrieve.status import Status, Trigger, status_of, triggers
from casebase.trade.readings import Reading, find_readings
from casebase.trade.terms import Kind
from casebase.trade.words import FILLERS, Token, tokens

MAX_CHARACTERS = 20_000

TriedResult = Literal["cured", "better", "no change", "worse", "not said"]


class Observation(NamedTuple):
    """A term read in a text. `words` is the passage it was read from, `start` its character position."""

    kind: Kind
    label: str
    status: Status
    words: str
    start: int
    end: int


class Tried(NamedTuple):
    """Something done before, and what it did as far as the text says."""

    action: str
    result: TriedResult
    words: str


class MachineSeen(NamedTuple):
    """What a text says of the machine; "" and None where it says nothing."""

    kind: str = ""
    engine: str = ""
    carburettor: str = ""
    displacement_cc: float | None = None
    age_years: float | None = None


class Understood(NamedTuple):
    """All that was read in a text."""

    text: str
    observations: tuple[Observation, ...]
    machine: MachineSeen
    readings: tuple[Reading, ...]
    tried: tuple[Tried, ...]
    left_over: tuple[str, ...]
    corrected: tuple[tuple[str, str], ...]
    doubts: tuple[tuple[str, tuple[str, ...]], ...]
    likely: tuple[str, ...] = ()  # of the symptoms those that were not read but heard by likeness

    def labels(self, kind: Kind, *statuses: Status) -> tuple[str, ...]:
        """The labels of a kind with one of the statuses (default: present), each once, in order."""
        wanted = statuses or ("present",)
        return tuple(dict.fromkeys(seen.label for seen in self.observations
                                   if seen.kind == kind and seen.status in wanted))

    @property
    def symptoms(self) -> tuple[str, ...]:
        return self.labels("symptom")

    @property
    def is_empty(self) -> bool:
        return not (self.observations or self.tried or self.machine != MachineSeen())


def understand(text: str, lexicon: Lexicon) -> Understood:
    """Reads a text. Raises `Refused` when it holds no word at all or is longer than MAX_CHARACTERS."""
    if len(text) > MAX_CHARACTERS:
        raise refuse("too-long", f"the text has {len(text):,} characters; {MAX_CHARACTERS:,} can be read at once",
                     "give the complaint in a few sentences", field="words")
    plain_tokens = tokens(text)
    if not any(token.text[0].isalnum() for token in plain_tokens):
        raise refuse("no-words", "there are no words in this", 'say what the machine does, for example "runs only on '
                     'choke, leaks at bulb"', field="words")
    corrected: list[tuple[str, str]] = []
    folded = lexicon.folding.fold([_respell(token, lexicon, corrected) for token in plain_tokens])
    found = lexicon.find(folded)
    said, denied = (
        {position for term in found if term.kind in ("symptom", "cause") and term.how in ways for position in term.used}
        for ways in (("name", "said"), ("denies",)))
    signals = triggers(folded, said | denied)
    # "No leaks" denies by itself, and its "no" goes on to deny: "no leaks, smoke or noise".
    lists = [signal for signal in triggers(folded, said) if signal.kind == "noun" and signal.start in denied]
    readings = find_readings(text)
    terms = {position for term in found if term.kind == "symptom" and term.how != "denies" for position in term.used}
    seen = (_observation(term, folded, signals if term.how == "denies" else [*signals, *lists], text, terms)
            for term in found if term.kind in ("symptom", "cause", "check", "setting"))
    observations = tuple(observation for observation in seen if observation is not None)
    used = {position for term in found for position in term.used}
    used |= {position for signal in signals for position in range(signal.start, signal.end)}
    used |= {i for i, token in enumerate(folded) for r in readings if r.start <= token.start < r.end}
    left = tuple(dict.fromkeys(token.text for i, token in enumerate(folded) if i not in used and _counts(token)))
    return Understood(
        text=text, observations=_settle(observations), machine=_machine(found, readings, folded), readings=readings,
        tried=tuple(_tried(found, folded)), left_over=left, corrected=tuple(dict.fromkeys(corrected)),
        doubts=tuple(_doubts(folded, used, lexicon)))


def without(seen: Understood, labels: Iterable[str]) -> Understood:
    """The same words without what a person says was read wrongly.

    `labels` name terms, actions that were tried, or facts of the machine ("two-stroke", "displacement", "age").
    """
    gone, machine = frozenset(labels), seen.machine
    kind, engine, carburettor = ("" if name in gone else name for name in machine[:3])
    return seen._replace(
        observations=tuple(term for term in seen.observations if term.label not in gone),
        likely=tuple(label for label in seen.likely if label not in gone),
        tried=tuple(tried for tried in seen.tried if tried.action not in gone),
        machine=MachineSeen(kind, engine, carburettor, None if "displacement" in gone else machine.displacement_cc,
                            None if "age" in gone else machine.age_years))


def _respell(token: Token, lexicon: Lexicon, corrected: list[tuple[str, str]]) -> Token:
    better = lexicon.correct(token.text)
    if better is None:
        return token
    corrected.append((token.text, better))
    return Token(better, better, token.start, token.end)


def _counts(token: Token) -> bool:
    return token.text[0].isalpha() and FILLERS.isdisjoint((token.text, token.head)) and len(token.text) > 1


def _observation(term: Found, folded: Sequence[Token], signals: Sequence[Trigger], text: str,
                 terms: set[int]) -> Observation | None:
    """The observation a term stands for; None where the words come to no statement."""
    status = status_of(term.used, folded, signals, is_cause=term.kind == "cause",
                       terms=terms if term.kind == "symptom" and term.how != "denies" else ())
    if term.how == "denies":
        # "It starts first pull" denies that it will not start; "it never starts first pull" says nothing sure.
        if status != "present":
            return None
        status = "absent"
    if term.how == "part" and status not in ("absent", "possible"):
        return None
    return Observation(term.kind, term.label, status, text[term.start: term.end], term.start, term.end)


def _settle(observations: Iterable[Observation]) -> tuple[Observation, ...]:
    """One observation per term: what is said later and more plainly outweighs (present over possible...)."""
    order = ("present", "resolved", "absent", "possible", "historical")
    best: dict[tuple[str, str], Observation] = {}
    for seen in observations:
        key = (seen.kind, seen.label)
        if key not in best or order.index(seen.status) < order.index(best[key].status):
            best[key] = seen
    return tuple(sorted(best.values(), key=lambda seen: (seen.start, seen.kind)))


def _machine(found: Sequence[Found], readings: Sequence[Reading], folded: Sequence[Token]) -> MachineSeen:
    def first(kind: Kind) -> str:
        terms = [term for term in found if term.kind == kind]
        return max(terms, key=lambda term: (len(term.used), -term.start)).label if terms else ""

    cc = next((r.value for r in readings if r.unit == "cc"), None)
    age = next((r.value for r in readings if r.unit == "year" and _is_age(r, folded)), None)
    return MachineSeen(first("machine"), first("engine"), first("carburettor"), cc, age)


def _is_age(reading: Reading, folded: Sequence[Token]) -> bool:
    """ "6 years old", "six-year-old saw"; not "stood for 2 years"."""
    after = next((token.text for token in folded if token.start >= reading.end), "")
    return after == "old" or reading.text.endswith("yo")


_EFFECTS: dict[TriedResult, tuple[str, ...]] = {
    "no change": ("no difference", "no change", "did nothing", "does nothing", "not help", "no help", "no luck", "no joy",
                  "no effect", "no improvement", "still the same", "same as before", "to no avail", "same thing",
                  "no better", "not fix", "not cure", "still"),
    "worse": ("worse",),
    "better": ("better", "improved", "helped", "helps"),
    "cured": ("fixed it", "cured it", "cured", "that did it", "did the trick", "sorted it", "solved", "runs fine now"),
}
_NOT_DONE = {"should", "shall", "would", "could", "want", "going", "thinking", "if", "planning", "might", "may", "not", "never",
             "must", "can", "will", "how", "do", "need", "needs", "before"}


def _tried(found: Sequence[Found], folded: Sequence[Token]) -> Iterable[Tried]:
    """Actions reported as done. One that is only asked about or still to come does not count."""
    actions = [term for term in found if term.kind == "action"]
    for number, term in enumerate(actions):
        first = term.used[0]
        lead = [token.text for token in folded[max(0, first - 4): first]]
        for cut in (".", ";", "!", "?", "\n", ",", "but"):
            if cut in lead:
                lead = lead[len(lead) - lead[::-1].index(cut):]
        if _NOT_DONE & set(lead) and "after" not in lead:
            continue
        following = actions[number + 1].used[0] if number + 1 < len(actions) else len(folded)
        rest = " ".join(token.text for token in folded[term.used[-1] + 1: min(following, term.used[-1] + 14)])
        words = " ".join(token.text for token in folded[term.used[0]: term.used[-1] + 1])
        yield Tried(term.label, _effect(rest), words)


def _effect(rest: str) -> TriedResult:
    padded = f" {rest} "
    hits = [(padded.find(f" {cue} "), result) for result, cues in _EFFECTS.items() for cue in cues
            if f" {cue} " in padded]
    return min(hits)[1] if hits else "not said"


def _doubts(folded: Sequence[Token], used: set[int], lexicon: Lexicon) -> Iterable[tuple[str, tuple[str, ...]]]:
    """Words that could mean several things and that no term has claimed."""
    ambiguous = lexicon.ambiguous
    seen = set()
    for position, token in enumerate(folded):
        word = token.text if token.text in ambiguous else token.head
        if position not in used and word in ambiguous and word not in seen:
            seen.add(word)
            yield word, ambiguous[word]
