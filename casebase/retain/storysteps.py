"""The steps a sentence of a note tells: what was looked at, what was set, what was done."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import zip_longest

from casebase.retain.stepwords import verdict_of
from casebase.retain.story import Sentence, longest
from casebase.retain.storycues import effects_in, minutes_in, money_in, source_in
from casebase.retain.storyfindings import cause_at, finding, in_general, judged, tells
from casebase.retain.storyparts import KIND_OF, Parts
from casebase.retain.storysettings import READ_AS, Settings
from casebase.retain.storystep import Told
from casebase.retain.storyvalues import fits
from casebase.retrieve.lexicon import Found, Lexicon
from casebase.trade.words import tokens

_NOT_DONE = re.compile(
    r"\b(?:should|shall|would|could|want(?:ed|s)? to|going to|gonna|thinking of|if|planning|might|may|must|can|will|need(?:s|ed)? to|"
    r"needs?|have to|has to|instead of|without|before|rather than|not|n't|never|no|nothing|whether|about to|ordered|wait(?:ing)? for)\b"
    r"(?:\W+\w+){0,3}\W*$", re.IGNORECASE)
_NOT_STEPS = frozenset(("months stored with fuel", "starting procedure", "nothing done", "decline repair", "show owner the procedure"))
_STATE = re.compile(r"\bput (?:the|a|my) (?:meter|tester|gauge)\b|\bchang(?:ed|es) (?:at|when|with|as|if)\b|\b(?:was|were|is|are|looks?|looked|seems?|seemed|came out|still|all|and) (?:\w+ )?(?:clean|clear|new|fresh|free|tight|sharp)\b"
                    r"|^(?:[\w ]* )?(?:filter|plug|screen|jets?|tank) clean$", re.IGNORECASE)
_LOOK = re.compile(r"\b(?:check|look|test|measur|inspect|examin|tried|read|found|spray|wetted|saw|see|view|felt|smell|took a look|went over|put (?:the|a) (?:tester|gauge|squirt|spoon|drop))\w*\b",
                   re.IGNORECASE)
_TAKEN_OFF = re.compile(r"\b(?:pulled|took|taken|take|removed|unbolted|popped|whipped|lifted|had|with|got) (?:the |its |his )?$", re.IGNORECASE)
_AGAIN = re.compile(
    r"\b(?P<verb>cleaned|cleared|topped|replaced|swapped|changed|renewed|burn(?:ed|t)|repaired|tightened|freed|adjusted|refitted|nipped|raked|poked|blew|washed|"
    r"scraped|rinsed|brushed|straightened|greased|oiled|sharpened|scrubbed|mended|soldered|fixed|flushed|"
    r"(?:fitted|put|put in|tried|got|gave it|in went|on went|bought|stuck|threw|chucked) (?:an? )?(?:new|another|fresh|second[- ]hand|used) (?:one|ones|pair|set|lot)|"
    r"new (?:one|ones|pair|set|lot)|another one|(?:fitted|got) another|did|scrubbed|unblocked|poked|picked|dug)\b"
    r"(?: (?:it|that|this|them|those|both|all)\b|(?<= one)|(?<= ones)|(?<= pair)|(?<= set)|(?<= lot)|(?<= another))(?: (?:up|out|off|back))?", re.IGNORECASE)
_WHILE = re.compile(r"\bwhile (?:i was|it was|we were|at it|i had)\b|\bat the same time\b", re.IGNORECASE)
_NEAR = 3  # so many sentences back a part is still the one just spoken of


class Reader:
    """Reads steps sentence by sentence; keeps in mind what part and what setting were spoken of last."""

    def __init__(self, lexicon: Lexicon) -> None:
        self.lexicon = lexicon
        self.vocabulary = lexicon.vocabulary
        self.parts = Parts(lexicon)
        self.settings = Settings(lexicon)
        self.machine: frozenset[str] = frozenset()
        self.last_check = ""
        self.last_action = ""
        self.last_causes: list[str] = []
        self.near: list[frozenset[str]] = []

    def actions(self, sentence: Sentence) -> list[Found]:
        """Actions named in a sentence, by the patterns of the vocabulary or by a verb and its parts."""
        named = longest(sentence.of("action"))
        near = self.machine.union(*self.near[-_NEAR:], self.parts.heads(sentence.text))
        more = [Found("action", done.label, (), done.start, done.end, "said")
                for done in self.parts.done(sentence, [(term.start, term.end) for term in named], near)]
        return sorted([*named, *more], key=lambda term: term.start)

    def _find(self, text: str) -> list[Found]:
        return self.lexicon.find(self.lexicon.folding.fold(list(tokens(text))))

    def steps(self, sentence: Sentence, *, quiet: Sequence[tuple[int, int]] = ()) -> list[Told]:
        """The steps of a sentence in order. `quiet` are stretches that tell of symptoms and hold no check."""
        told = self.settings.read(sentence, self.near, self.last_action, self.last_check)
        told += self._actions(sentence, told)
        told += self._checks(sentence, told, quiet)
        told.sort(key=lambda step: (step.start, step.end))
        self.last_action = next((step.terms[0] for step in reversed(told) if step.kind == "do"), self.last_action)
        self.near.append(self.parts.heads(" ".join((sentence.text, *(term for step in told if step.kind == "check" for term in step.terms)))))
        causes = [seen.label for seen in sentence.observations if seen.kind == "cause" and seen.status == "present"]
        self.last_causes = causes or ([] if any(step.kind == "do" for step in told) else self.last_causes)
        for step, following in zip_longest(told, told[1:]):
            self.fill(step, following.start if following else len(sentence.text))
        judged = any(step.kind == "check" and step.verdict for step in told)
        return [step for step in told if step.kind != "check" or not (
            step.terms[0] in _NOT_STEPS or (judged and step.verdict is None and not any(map(str.isdigit, step.found)) and len(step.found) < 5))]

    # --- actions ----------------------------------------------------------------------------------------------------

    def _actions(self, sentence: Sentence, settings: Sequence[Told]) -> list[Told]:
        told: list[Told] = []
        for term in self.actions(sentence):
            if (_NOT_DONE.search(sentence.text[: term.start]) or _overlaps(term.start, term.end, settings)
                    or term.label in _NOT_STEPS or _STATE.search(sentence.text[term.start: term.end])
                    or any(check.start <= term.start and term.end < check.end for check in sentence.of("check"))):
                continue
            label, doubts = self._meant(term, sentence)
            last = told[-1] if told else None
            if last and re.fullmatch(r"\s*(?:in|with|using) (?:the |an? )?\w*\s*", sentence.text[last.end: term.start]):
                last.terms, last.end = [label], term.end  # "cleaned the carburettor in the ultrasonic bath"
                continue
            if last and (label in last.terms or _together(sentence.text[last.end: term.start])):
                if label not in last.terms:
                    last.terms.append(label)
                last.end = max(last.end, term.end)
                continue
            told.append(Told("do", [label], sentence, term.start, term.end, doubts=doubts))
        if not told and not settings:
            told += self._same_part(sentence)
        return told

    def _meant(self, term: Found, sentence: Sentence) -> tuple[str, list[str]]:
        """ "Repaired the wire" after a chafed stop wire is of the stop wire: the action that removes the fault just seen."""
        actions = self.vocabulary.terms["action"]
        if not self.last_causes or not set(self.last_causes).isdisjoint(actions[term.label].cures):
            return term.label, []
        said = {token.head for token in sentence.folded if term.start <= token.start < term.end}
        for label, action in actions.items():
            names = {token.head for token in self.lexicon.folding.fold(list(tokens(label)))}
            if not set(self.last_causes).isdisjoint(action.cures) and len(said & names) > 1:
                return label, [f"taken to be of the {self.last_causes[0]}"]
        return term.label, []

    def _same_part(self, sentence: Sentence) -> Iterator[Told]:
        """ "Burned it clean", "fitted a new one": done to the part that was looked at last."""
        match = _AGAIN.search(sentence.text)
        part = next((term.label for term in sentence.of("check")), "") or self.last_check
        if not match or not part or _NOT_DONE.search(sentence.text[: match.start()]):
            return
        verb = match["verb"].lower()
        near = self.parts.heads(sentence.text[:match.start()]) or (self.near[-1] if self.near else frozenset())
        label = self.parts.of_kind(KIND_OF.get(verb.split()[0], "replace"), near | self.parts.heads(part),
                                   {*self.last_causes, *(seen.label for seen in sentence.observations if seen.kind == "cause")})
        label = label or self._done_to(verb, part, sentence, match.start())
        if label:
            yield Told("do", [label], sentence, match.start(), match.end(), doubts=[f'"{match.group()}" is taken to be of the {part}'])

    def _done_to(self, verb: str, part: str, sentence: Sentence, position: int) -> str:
        """What the vocabulary finds for a verb with a name of the part, the one said before `position` first; "" for nothing."""
        said = [sentence.text[term.start: term.end] for term in sentence.found if term.how == "part" and term.end <= position]
        words = "new" if "one" in verb else "clean" if verb.startswith(("burn", "scrap", "wash")) else verb
        return next((term.label for name in (*said[-1:], part, *self.vocabulary.terms["check"][part].also)
                     for term in self._find(f"{words} {name}") if term.kind == "action"), "")

    # --- checks -----------------------------------------------------------------------------------------------------

    def _checks(self, sentence: Sentence, others: Sequence[Told], quiet: Sequence[tuple[int, int]]) -> list[Told]:
        taken = [(step.start, step.end) for step in others]
        told: list[Told] = []
        for term in sorted(sentence.of("check"), key=lambda term: (not self._by_name(term, sentence), -len(term.used))):
            if any(step.kind == "set" and term.label in (step.terms[0], READ_AS.get(step.terms[0])) for step in others):
                continue
            spans = [*taken, *((step.start, step.end) for step in told)]
            if (any(start < term.end and term.start < end for start, end in spans) or _inside(term, quiet)
                    or any(term.label in step.terms for step in (*told, *others) if step.kind != "do")
                    or not self._is_look(term, sentence, others)):
                continue
            told.append(Told("check", [term.label], sentence, term.start, term.end))
        told += self._from_causes(sentence, [*others, *told], quiet)
        told += self._from_symptoms(sentence, [*others, *told], quiet)
        for step in sorted(told, key=lambda step: step.start):
            self.last_check = step.terms[0]
        return told

    def _is_look(self, term: Found, sentence: Sentence, others: Sequence[Told]) -> bool:
        """Whether the words tell of a look and what it gave, and do not only mention the part."""
        names = [(other.start, other.end) for kind in ("carburettor", "setting") for other in sentence.of(kind)]
        if term.how == "name" and any(start <= term.start and term.end <= end and (start, end) != (term.start, term.end)
                                      for start, end in names):
            return False
        looked = looks(sentence.text)
        if _TAKEN_OFF.search(sentence.text[: term.start]) and re.match(r" (?:off|out|away)(?: first| then| again)?(?:[,;.]|$)", sentence.text[term.end:]) and term.how == "name":
            return False  # "pulled the plug lead off first"
        if self._of_another(term, sentence):
            return False
        start, end = sentence.segment_at(term.start)
        if term.how == "said" and not looked and any(
                seen.kind == "cause" and start <= seen.start < end and not (seen.start < term.end and term.start < seen.end)
                for seen in sentence.observations):
            return False  # "the wire was chafed through to the fin"
        if any(step.start < term.start for step in others) and not looked:
            return False  # "flashed the field, it came up to 228 volts" tells what was done
        check = self.vocabulary.terms["check"][term.label]
        measured = any(fits(reading.unit, check.unit) for reading in sentence.readings)
        if check.quantity and not measured and any(r.start < end and start <= r.start for r in sentence.readings):
            return False  # "charging voltage 14.1 volts at full speed"
        if looked or measured or (term.how == "said" and len(term.used) > 2 and {*check.ok, *check.bad} == {"yes", "no"}):
            return True
        words = sentence.text[start:]
        if cause_at(sentence, term.start, term.end) or tells(words):
            return True
        return bool(verdict_of(words, check, of_size=check.quantity == "length")[0]
                    or sentence.text[term.start: term.end].lower().endswith(("test", "check")))

    def _of_another(self, term: Found, sentence: Sentence) -> bool:
        """Whether the part stands within the name of a fault that another check sees: the blade in "blade brake lining worn"."""
        for seen in sentence.observations:
            if seen.kind == "cause" and seen.start <= term.end + 1 and term.end < seen.end and term.how == "name":
                check = self._check_of(seen.label)
                if check and check != term.label and seen.label not in self.vocabulary.terms["check"][term.label].points_to:
                    return True
        return False

    def _from_symptoms(self, sentence: Sentence, others: Sequence[Told], quiet: Sequence[tuple[int, int]]) -> Iterator[Told]:
        """A symptom that is the finding of a check by itself, where the sentence tells of a look: "on the tester, no spark"."""
        if not re.search(r"\b(?:tester|tested|gauge|meter|checked|looked|tach)\b", sentence.text, re.IGNORECASE):
            return
        for seen in sentence.observations:
            check = next((label for label, term in self.vocabulary.terms["check"].items() if seen.label in term.known_from), "")
            if (seen.kind == "symptom" and check and seen.status in ("present", "absent") and not any(check in step.terms for step in others)
                    and not any(start <= seen.start and seen.end <= end for start, end in quiet)
                    and not any(step.start < seen.end and seen.start < step.end for step in others)):
                yield Told("check", [check], sentence, seen.start, seen.end, found=seen.words,
                           verdict="bad" if seen.status == "present" else "ok")

    def _by_name(self, term: Found, sentence: Sentence) -> bool:
        return term.how == "name" or term.label in sentence.text.lower()

    def _from_causes(self, sentence: Sentence, others: Sequence[Told], quiet: Sequence[tuple[int, int]]) -> Iterator[Told]:
        """A fault that was seen is a check of that part: "the primer bulb had a crack in it"."""
        for seen in sentence.observations:
            if seen.kind != "cause" or seen.status not in ("present", "absent") or any(
                    start < seen.end and seen.start < end for start, end in quiet):
                continue
            if any(step.start < seen.end and seen.start < step.end for step in others):
                continue
            check = self._check_of(seen.label)
            if check and not any(check in step.terms for step in others):
                yield Told("check", [check], sentence, seen.start, seen.end, found=seen.words,
                           verdict="bad" if seen.status == "present" else "ok",
                           doubts=[f'"{seen.words}" is taken as a look at this'])

    def _check_of(self, cause: str) -> str:
        """The check by which a cause is seen: of those that point to it, the one whose names share its words."""
        words = set(cause.split())
        best = max(((len(words & set(" ".join((term.label, *term.also)).split())), -len(term.points_to), label)
                    for label, term in self.vocabulary.terms["check"].items() if cause in term.points_to), default=(0, 0, ""))
        return best[2] if best[0] else ""

    def judge(self, steps: Sequence[Told], of: Sentence, sentence: Sentence) -> None:
        """ "Both good", "it was glazed": a sentence that judges the checks of the sentence before."""
        for step in steps:
            if step.kind == "check" and step.sentence is of and step.verdict is None:
                term = self.vocabulary.terms["check"][step.terms[0]]
                step.verdict = verdict_of(sentence.text, term, of_size=False)[0] or in_general(sentence.text, term).verdict
                if step.verdict:
                    step.more.append(sentence)

    # --- what belongs to a step -------------------------------------------------------------------------------------

    def fill(self, step: Told, stop: int) -> None:
        """Adds finding and verdict, or time and money, from the words up to `stop`."""
        text = step.sentence.text
        rest = text[step.start: stop]
        if step.kind == "check":
            term = self.vocabulary.terms["check"][step.terms[0]]
            words = finding(text[step.end: stop]) if not step.found else step.found
            if step.verdict is None:
                step.verdict, doubt = judged(step.sentence, step.start, step.end, stop, words, term)
                step.doubts += [doubt] if doubt else []
            step.found = words or text[step.start: step.end]
            return
        step.minutes, step.source = minutes_in(rest), source_in(rest)
        step.parts = money_in(rest) if step.kind == "do" else None


def looks(text: str) -> bool:
    """Whether a text tells of somebody looking, testing or measuring."""
    return bool(_LOOK.search(text))


def _inside(term: Found, spans: Sequence[tuple[int, int]]) -> bool:
    return any(start <= term.start and term.end <= end for start, end in spans)


def _together(between: str) -> bool:
    """Whether two actions were done in one go: "stripped it, cleaned the breather and changed the oil"."""
    words = between.split()
    return bool(len(words) <= (10 if _WHILE.search(between) else 6) and re.match(r"\s*(?:,|and\b|plus\b|&|in\b|with\b)", between) and not effects_in(between)
                and not re.search(r"\b(?:then|but|after|next|so|\d+)\b|[.;]", between))


def _overlaps(start: int, end: int, told: Sequence[Told]) -> bool:
    return any(step.start < end and start < step.end for step in told if step.kind == "set")
