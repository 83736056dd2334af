"""What a step did, and to which symptom: phrases of effect tied to the symptoms a note speaks of."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cache

from casebase.record.case import Result
from casebase.retain.story import Sentence
from casebase.retain.storycues import Cue, effects_in
from casebase.retain.storystep import ABOUT_WHAT, Told
from casebase.retain.storytwice import SET_BY
from casebase.retrieve.lexicon import Lexicon
from casebase.trade.handbook import rows
from casebase.trade.terms import Vocabulary
from casebase.trade.words import FILLERS, tokens

# Words of a symptom's names that tell it from no other.
_COMMON = FILLERS | frozenset(
    ["run", "only", "when", "with", "not", "no", "will", "do", "does", "can", "keep", "under", "for", "or", "off", "from", "fuel", "engine", "machine", "by",
     "after", "be", "is", "get", "too", "full", "stay", "much", "if", "as", "open", "go", "come", "out", "then", "hot", "cold", "bad", "low", "slow", "high",
     "fast", "hard", "speed", "one", "two", "time", "all", "day", "has", "have", "over", "down", "what", "new", "old", "bar", "without", "let", "back", "dry", "wet"])
_STILL = re.compile(r"\bstill\b|\bkept\b|\bas (?:before|ever)\b|\bremained?\b|\bcarried on\b", re.IGNORECASE)
_RANK: dict[Result, int] = {"worse": 3, "better": 2, "cured": 1, "no change": 0, "not tested": 0}
_BOTH = re.compile(r"\b(?:both|the two|everything|all of it|the lot|all three)\b", re.IGNORECASE)
# Of which family of symptoms a verb speaks where no symptom is named.
_FAMILIES = {"start": ("starting",), "fire": ("starting",), "run": ("running", "power"), "rev": ("running", "power"), "idle": ("idling",),
             "pull": ("power",), "cut": ("cutting attachment",), "smoke": ("oil and smoke",), "smoothly": ("running", "idling")}

class Symptoms:
    """The symptoms told so far, what became of them, and which of them is being spoken of."""

    def __init__(self, lexicon: Lexicon) -> None:
        self.lexicon = lexicon
        self.words: dict[str, frozenset[str]] = {}
        self.own: dict[str, frozenset[str]] = {}
        self.cured: set[str] = set()
        self.focus: list[str] = []
        self.topic: list[str] = []

    def add(self, label: str, said: str) -> None:
        """Takes in a symptom with the words in which it was told."""
        if label in self.words:
            return
        term = self.lexicon.vocabulary.terms["symptom"].get(label)
        names = " ".join((label, *(term.also if term else ()), said))
        self.words[label] = frozenset(self._heads(names)) - _COMMON
        self.own[label] = frozenset(self._heads(label))

    def _heads(self, text: str) -> Iterable[str]:
        return (token.head for token in self.lexicon.folding.fold(list(tokens(text))) if not token.is_break)

    @property
    def open(self) -> list[str]:
        return [label for label in self.words if label not in self.cured]

    def settle(self, steps: Iterable[Told]) -> None:
        """Takes as cured what the last word on it says is cured."""
        last = {symptom: result for step in steps for symptom, result in step.effects.items()}
        self.cured = {symptom for symptom, result in last.items() if result == "cured"}

    def named(self, sentence: Sentence, start: int, end: int, steps: Sequence[Told] = ()) -> list[str]:
        """The symptoms that a stretch of a sentence speaks of: by a term, else by a word that is theirs alone."""
        terms = [term.label for term in sentence.found if term.kind == "symptom" and term.how != "part"
                 and start <= term.start < end and term.label in self.words]
        if terms:
            return list(dict.fromkeys(terms))
        taken = {(step.start, step.end) for step in steps if step.kind != "check"}
        hits: dict[str, int] = {}
        for token in sentence.folded:
            if start <= token.start < end and not any(low <= token.start < high for low, high in taken):
                for label, words in self.words.items():
                    if token.head in words:
                        hits[label] = hits.get(label, 0) + (2 if token.head in self.own[label] else 1)
        best = max(hits.values(), default=0)
        found = [label for label, count in hits.items() if count == best]
        still = [label for label in found if label not in self.cured]
        return still or found

    def turn_to(self, sentence: Sentence) -> None:
        """Takes up the fault that a short sentence announces: "Now the oil.", "Cutting out first.", "Output." """
        text = sentence.text
        if len(text.split()) <= 6 and not effects_in(text) and not any(seen.kind == "cause" for seen in sentence.observations):
            named = [label for label in self.named(sentence, 0, len(text)) if label not in self.cured]
            if named:
                self.topic = self.focus = named

    def tie(self, sentence: Sentence, steps: Sequence[Told], before: Told | None, new: Collection[str] = ()) -> bool:
        """Gives the effects told in a sentence to the steps they follow; True where there was any.

        Symptoms in `new` are told of here for the first time: that they are there is not what a step did.
        """
        told = False
        heard: list[str] = []
        last: list[tuple[Result, list[str]]] = []
        for start, end in sentence.stretches():
            effects = [(result, target) for result, target in self._effects(sentence, start, end, steps)
                       if not (result == "no change" and target and set(target) <= set(new))]
            if not effects and last and len(sentence.text[start:end].split()) <= 3:
                more = self.named(sentence, start, end, steps)  # "that cured the dying and the restarting"
                effects = [(last[0][0], more)] if more else []
            last = effects
            for result, target in effects:
                step = _step_before(steps, end) or before
                told = True
                heard = target or heard
                if step is not None and not self._is_topic(step, target, sentence, start, end):
                    self._note(step, target or heard or self._said_next(sentence, end, steps), result, sentence)
        mentioned = self.named(sentence, 0, len(sentence.text), steps)
        if mentioned:
            self.focus = mentioned
        return told

    def _effects(self, sentence: Sentence, start: int, end: int, steps: Sequence[Told]) -> list[tuple[Result, list[str]]]:
        text = sentence.text[start:end]
        if _BOTH.search(text) and effects_in(text):
            return [(effects_in(text)[0].result, self.open)]
        cues = [cue for cue in effects_in(text) if not _of_a_part(sentence, start + cue.start, steps, cue)]
        named = self.named(sentence, start, end, steps)
        states = {seen.label: seen.status for seen in sentence.observations
                  if seen.kind == "symptom" and start <= seen.start < end and seen.label in self.words}
        unknown = any(seen.kind == "symptom" and seen.status in ("present", "possible") and start <= seen.start < end for seen in sentence.observations)
        if cues and not (unknown and not named and cues[0].result in ("better", "cured")):
            cue = max(cues, key=lambda cue: _RANK[cue.result]) if len(cues) > 1 else cues[0]
            return [(cue.result, named)]
        if named and not steps and set(states.values()) == {"present"} and re.match(r"(?:but|yet|however|it|she|and|only)\b", sentence.text, re.IGNORECASE):
            return [("no change", named)]  # "but it would not start"
        if named and steps and set(states.values()) == {"present"} and _step_before(steps, start) is not None:
            return [("no change", named)]
        if (named or unknown) and _STILL.search(text) and "absent" not in states.values():
            return [("no change", named or (self.open if len(self.open) == 1 else []))]
        gone = [label for label, state in states.items() if state in ("absent", "resolved") and not _STILL.search(text)]
        gone = gone or self._kin(sentence, start, end) or self._does_now(sentence, start, end)
        if not gone and not states and _well_now(sentence, start, end, steps):
            return [("cured", named)]
        return [("cured", gone)] if gone else []

    def _said_next(self, sentence: Sentence, position: int, steps: Sequence[Told]) -> list[str]:
        """The symptom named right after a bare "better": "better, it had more power"."""
        start, end = sentence.segment_at(min(position + 2, len(sentence.text) - 1))
        own = not _STILL.search(sentence.text[start:end]) and not any(start <= step.start < end for step in steps)
        return self.named(sentence, start, end, steps) if start >= position and own else []

    def _is_topic(self, step: Told, named: Sequence[str], sentence: Sentence, start: int, end: int) -> bool:
        """Whether "the chain was still creeping" only goes on to the next fault, the step before having done its own."""
        return (sentence is not step.sentence and not re.match(r"(?:but|yet|still|it)\b", sentence.text, re.IGNORECASE) and bool(step.effects) and bool(named) and not effects_in(sentence.text[start:end])
                and not any(label in step.effects or self.helped(step, label) for label in named))

    def _does_now(self, sentence: Sentence, start: int, end: int) -> list[str]:
        """ "The auger turns now": what a symptom says it does not do, it does."""
        text = sentence.text[start:end]
        if not re.search(r"\bnow\b|\bafter that\b|\bagain\b|\bat last\b|\bfinally\b|\ball the way\b|\blike it should\b|\bproperly\b", text, re.IGNORECASE) \
                or re.search(r"\b(?:not|no|never|still|only|hardly|barely|but|without)\b|n't\b", text, re.IGNORECASE):
            return []
        heads = {token.head for token in sentence.folded if start <= token.start < end}
        return [label for label in self.open
                if (denied := re.search(r"\b(?:does not|will not|no|never|not)\b(?P<what>.*)", label)) is not None
                and not heads.isdisjoint(set(self._heads(denied["what"])) - _COMMON)]

    def _kin(self, sentence: Sentence, start: int, end: int) -> list[str]:
        """ "It starts on the second pull" denies that it will not start, and so the hard starting this job has."""
        terms = self.lexicon.vocabulary.terms["symptom"]
        families = {terms[seen.label].under for seen in sentence.observations if seen.kind == "symptom" and start <= seen.start < end
                    and seen.status == "absent" and seen.label not in self.words}
        kin = [label for label in self.open if label in terms and terms[label].under in families]
        return kin if len(kin) == 1 and families == {"starting"} else []

    def _note(self, step: Told, named: list[str], result: Result, sentence: Sentence) -> None:
        targets = named or self._meant(step, sentence)
        if not named and len(self.open) > 1 and targets:
            step.doubts.append(ABOUT_WHAT.format(sentence=sentence.text))
        for target in targets:
            if result == "cured" and target in self.cured and target not in step.effects:
                continue  # said once more of what an earlier step has cured
            old = step.effects.get(target)
            if old is None or result == "cured" or _RANK[result] >= _RANK[old]:
                step.effects[target] = result
            if step.effects[target] == "cured":
                self.cured.add(target)
            else:
                self.cured.discard(target)
        if sentence is not step.sentence and sentence not in step.more:
            step.more.append(sentence)

    def _meant(self, step: Told, sentence: Sentence) -> list[str]:
        """The symptom an effect is about where none is named: the one spoken of, else one the step is known to help."""
        open_ = self.open
        terms = self.lexicon.vocabulary.terms["symptom"]
        families = {family for token in sentence.folded for family in _FAMILIES.get(token.head, ())}
        kin = [label for label in open_ if label in terms and terms[label].under in families]
        open_ = kin or open_
        if step.effects and not any(label in open_ for label in self.focus):
            return list(step.effects)
        helped = [label for label in open_ if self.helped(step, label)]
        spoken = [label for label in (*self.topic, *self.focus) if label in open_]
        return ([label for label in spoken if label in helped] or spoken or helped or open_)[:1] if open_ else list(step.effects)

    def helped(self, step: Told, symptom: str) -> bool:
        """Whether published tables know what was done for a symptom."""
        return any(helps(self.lexicon.vocabulary, SET_BY.get(term, term), symptom) for term in step.terms)


def _well_now(sentence: Sentence, start: int, end: int, steps: Sequence[Told]) -> bool:
    """Whether a stretch says that something is so now, and nothing against it: "the temperature stays down now"."""
    text = sentence.text[start:end]
    return (bool(re.search(r"\w \w+ now[.!]?$|\bit now \w|\bnow it \w", text)) and not re.search(r"\b(?:not|no|never|still|only|but|try|let|so far)\b|n't\b", text)
            and not any(start <= reading.start < end for reading in sentence.readings)
            and not any(step.kind == "check" and start <= step.start < end for step in steps)
            and not any(seen.kind == "symptom" and start <= seen.start < end for seen in sentence.observations))


def _step_before(steps: Sequence[Told], position: int) -> Told | None:
    return next((step for step in reversed(steps) if step.kind != "check" and step.start < position and not step.terms[0].endswith(" torque")), None)


def _of_a_part(sentence: Sentence, position: int, steps: Sequence[Told], cue: Cue) -> bool:
    """Whether a "fine" or "worse" is the finding of a check in the same breath and no effect of a step."""
    start, end = sentence.segment_at(position)
    if any(step.kind == "check" and step.start <= position < step.end for step in steps):
        return True
    return cue.result == "cured" and any(
        step.kind == "check" and start <= step.start < end and step.start < position for step in steps)


@cache
def _helped() -> Mapping[tuple[str, str], None]:
    return {(row.action, symptom): None for row in rows() for symptom in row.symptoms}


@cache
def _causes_of() -> Mapping[str, frozenset[str]]:
    causes: dict[str, set[str]] = {}
    for row in rows():
        for symptom in row.symptoms:
            causes.setdefault(symptom, set()).add(row.cause)
    return {symptom: frozenset(found) for symptom, found in causes.items()}


def helps(vocabulary: Vocabulary, action: str, symptom: str) -> bool:
    """Whether published tables know an action, or a cause it removes, for a symptom."""
    if (action, symptom) in _helped():
        return True
    term = vocabulary.terms["action"].get(action)
    return bool(term and not _causes_of().get(symptom, frozenset()).isdisjoint(term.cures))
