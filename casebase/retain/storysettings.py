"""The settings a sentence of a note tells: a screw, a gap, a speed, as found and as left.

A value may be told sentences before it is changed ("Idle was at 3,900. ... Backed the screw off and got 2,800"), and a
setting that was named once goes on as "it"; both are kept in mind here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from casebase.retain.story import Sentence
from casebase.retain.storychanges import by_itself, changes, lone, quantities
from casebase.retain.storystep import Told
from casebase.retain.storyvalues import Values, fits, read_values, values_of
from casebase.retrieve.lexicon import Found, Lexicon
from casebase.trade.numbers import number

# A speed and the screw that sets it: "idle was 3,400, I turned the idle screw and got it down to 2,700".
_SPEED_OF = {"idle speed screw": "idle speed", "governor spring hole": "full-throttle speed", "governor arm": "full-throttle speed"}
# Checks that a setting stands for where its value was only read.
READ_AS = {"low-speed screw": "mixture screw positions", "high-speed screw": "mixture screw positions",
           "governor spring hole": "governor linkage", "unloader pressure": "pump pressure", "belt tension": "drive belt",
           "chain tension": "chain and bar", "throttle cable play": "throttle cable", "oil mix": "oil mix ratio",
           "metering lever height": "metering lever", "float height": "float and needle", "bar oil flow": "bar oil delivery",
           "idle speed screw": "idle speed", "drive cable play": "drive and brake cables", "brake cable play": "drive and brake cables",
           "choke cable": "choke movement"}
# Settings that go by what is done, and by the part they are on.
_SET_BY = {"set governor": "full-throttle speed", "adjust idle speed": "idle speed", "set ignition air gap": "ignition air gap", "adjust belt": "belt tension",
           "set metering lever": "metering lever height", "set float level": "float height", "service unloader": "unloader pressure",
           "set chain tension": "chain tension", "clean and gap spark plug": "plug gap"}
_PARTS = {"metering lever": "metering lever height", "drive belt": "belt tension", "chain and bar": "chain tension", "float and needle": "float height",
          "throttle cable": "throttle cable play", "ignition air gap": "ignition air gap", "plug gap": "plug gap"}
_SCREW = re.compile(r"\b(?P<which>low|lo|l|slow|high|hi|h|idle|main|pilot)(?:[ -]?speed)?(?: (?:adjust(?:er|ing|ment)|mixture))? (?:screw|needle)\b"
                    r"|\b(?P<letter>[LH])\b(?=[^.;]*\bturn|(?: screw)? (?:was|is|to|at|from|out|in|set)\b)", re.IGNORECASE)
_OTHER_SCREW = re.compile(r"\b(?P<which>low|slow|high) (?:one\b|(?=(?:was|from|to|at)\b))", re.IGNORECASE)  # after another screw: "and the high one at one turn"
_SCREWS = {"l": "low-speed screw", "s": "low-speed screw", "p": "low-speed screw", "h": "high-speed screw", "m": "high-speed screw", "i": "idle speed screw"}
_VALVES = re.compile(r"\b(?:valves?|tappets?|lash|clearances?)\b", re.IGNORECASE)
_VALVE = re.compile(r"\b(?P<which>inlets?|intakes?|exhausts?)\b", re.IGNORECASE)
_PORT = re.compile(r" (?:valve )?(?:boot|gasket|port|manifold|screen|pipe|bolts?|side)")
# Parts that are set, where they are spoken of with a quantity of the right kind: "points were gapped at ten thou".
_SET_PARTS = tuple((label, re.compile(words, re.IGNORECASE)) for label, words in (
    ("breaker point gap", r"\bpoints\b"), ("unloader pressure", r"\bunloader\b"), ("metering lever height", r"\bmetering (?:lever|arm)\b"),
    ("float height", r"\bfloat (?:height|level|arm)\b|\bfloat\b(?! (?:needle|bowl|valve|carb))"), ("skid shoe height", r"\b(?:skid shoes?|skids|runners)\b"),
    ("tyre pressure", r"\b(?:tyres?|tires?)\b"), ("drive cable play", r"\b(?:drive|traction|self[- ]propel\w*) cable\b"),
    ("brake cable play", r"\b(?:brake|stop) cable\b"), ("throttle cable play", r"\bthrottle cable\b"), ("blade bolt torque", r"\bblade (?:bolt|nut)s?\b"),
    ("flywheel nut torque", r"\bflywheel nut\b"), ("belt tension", r"\bbelt\b|\btensioner\b"), ("chain tension", r"\bchain\b"),
    ("ignition air gap", r"\b(?:coil|module|armature)\b(?=.*\bgap\b)|\bgap\b(?=.*\bflywheel\b)")))
_BOLTED = tuple((part, re.compile(words, re.IGNORECASE)) for part, words in (
    ("flywheel nut", r"\bflywheel\b|\bkey\b"), ("blade bolt", r"\bblades?\b"), ("spark plug", r"\b(?<!drain )plug\b")))
# A value that belongs to a setting although only the part was named: "the idle was at 3,900".
_IDLE = re.compile(r"\b(?:idle|tickover|idling|ticking over)\b", re.IGNORECASE)
_TURN = re.compile(
    r"\b(?:set|opened|closed|turned|screwed|backed|wound|adjusted|gapped|brought|raised|lowered|put|bent|went|gave|tried|took|leaned|eased|richened|moved|cranked|left|"
    r"reset|regapped|dropped|squeezed|tightened|slackened|shut|shimmed) (?:(?:it|them|that|this|these|those|both|her|him|in|out|up|down|back|another|an?|the|off|to)\b|(?=\d))",
    re.IGNORECASE)
# A word for a setting that says which one only by what was just spoken of.
_SHORT = re.compile(r"\b(?P<word>gap|tension|deflection|lever|slack)\b", re.IGNORECASE)
_MEANT = {"gap": (("plug", "plug gap"), ("coil", "ignition air gap"), ("module", "ignition air gap"), ("points", "breaker point gap"), ("point", "breaker point gap"), ("flywheel", "ignition air gap")),
          "tension": (("chain", "chain tension"), ("belt", "belt tension")), "deflection": (("belt", "belt tension"),),
          "slack": (("chain", "chain tension"), ("belt", "belt tension"), ("throttle", "throttle cable play"),
                    ("brake", "brake cable play"), ("drive", "drive cable play")),
          "lever": (("metering", "metering lever height"),)}
# What is said of a value that was found right and left alone.
_SOUND = re.compile(r"\b(?:was|were|fine|right|ok|okay|good|spot on|alone|already|should|wants|book|same)\b", re.IGNORECASE)
_GOES_ON = re.compile(r"\b(?:it|that|them|this|down|up|back|slack|in|out)\b", re.IGNORECASE)
_BOTH = re.compile(r"\b(?:both|them|the two|the pair)\b", re.IGNORECASE)
_VALVE_LABELS = ("inlet valve clearance", "exhaust valve clearance")
_FAR = 3  # so many sentences later a value as found is no longer that of "it"


class Settings:
    """Reads settings sentence by sentence; keeps in mind what was spoken of last and where it stood."""

    def __init__(self, lexicon: Lexicon) -> None:
        self.vocabulary = lexicon.vocabulary
        self.last = ""
        self.valves = False
        self.number = 0
        self.stood: dict[str, tuple[int, Told]] = {}
        self.done: set[str] = set()
        self.before: list[Sentence] = []  # the last two sentences, this one among them once it is read
        self.spoken: list[str] = []  # the settings named in the last sentence that named one, in order

    def read(self, sentence: Sentence, near: Sequence[frozenset[str]], about: str, last_check: str) -> list[Told]:
        """The settings of a sentence, also those that were only read, as checks.

        `near` are the words of the sentences before, the last one last; `about` are those of what was just done.
        """
        self.number += 1
        names = self._names(sentence) or self._short(sentence, near) or self._set_parts(sentence)
        told: list[Told] = []
        for position, (label, start, end) in enumerate(names):
            stop = names[position + 1][1] if position + 1 < len(names) else len(sentence.text)
            beside = bool(told and told[-1].kind == "set" and told[-1].after and self.alike(label, told[-1].terms[0]))
            told += self._one(sentence, label, start, end, stop, names[position - 1][2] if position else 0, beside=beside)
        if not told and not names:
            told += self._both(sentence)
        if not told:
            told += self._by_part(sentence, about, last_check)
        if not told and self.last:
            told += (step for step in self._again(sentence) if not names or step.end <= names[0][1])
        for step in told:
            self.keep(step)
        self.before = [*self.before[-1:], sentence]
        if names:
            self.last = names[-1][0]
            self.spoken = list(dict.fromkeys(name for name, _start, _end in names))
        return told

    def _one(self, sentence: Sentence, label: str, start: int, end: int, stop: int, low: int, *, beside: bool) -> Iterator[Told]:
        unit = self.vocabulary.terms["setting"][label].unit
        heard = label in self.stood or label in self.done or any(fits(reading.unit, unit) and reading.end <= start for reading in sentence.readings)
        values = self._values(sentence.text[end:stop], sentence.text[low:start], unit, told=heard)
        if values.after and not values.before and unit:  # "it was high at 3,350, so I brought the top speed down to 3,120"
            before = next((change.before for change in changes(sentence.text[low:stop], unit, told=heard) if change.after == values.after), "")
            values = replace(values, before=before)
        elif values.before and not values.turned and beside and not values.after and not _SOUND.search(sentence.text[end:stop]):
            values = replace(values, before="", after=values.before, turned=True)  # "intake went from 9 thou to 6, exhaust at 8"
        if values.turned:
            yield Told("set", [label], sentence, start, end + values.stop, before=values.before, after=values.after, note=values.note)
            yield from (Told("set", [label], sentence, end + at, end + until, after=after) for at, until, after in values.again)
        elif values.before:
            check = label if label in self.vocabulary.terms["check"] else READ_AS.get(label, "")
            told = Told("check", [check or label], sentence, start, end + values.stop, found=values.before)
            self.stood[label] = (self.number, told)
            if check:
                yield told

    def keep(self, step: Told) -> None:
        """Keeps in mind a setting that was taken for what a sentence tells."""
        self._recall(step)
        self._remember(step)
        self.done.add(step.terms[0])

    def alike(self, label: str, other: str) -> bool:
        """Whether two settings are told in units of one kind."""
        units = [self.vocabulary.terms["setting"][name].unit for name in (label, other)]
        return fits(*units)

    def _values(self, text: str, lead: str, unit: str, *, told: bool = False) -> Values:
        """The values behind the name of a setting; what was changed in one breath is surer than what each number says alone."""
        values = read_values(text, lead, unit, told=told)
        change = next(iter(changes(text, unit, told=told)), None) if unit else None
        sure = bool(values.before and values.after) and change is not None and values.before != change.before and values.after != change.after
        if change is None or sure or by_itself(text, change):
            return values
        return Values(change.before, change.after, True, max(values.stop, change.end), again=values.again if values.before and values.after else ())

    def _recall(self, step: Told) -> None:
        """Gives a setting the value it was found at, told in a sentence before."""
        label = step.terms[0]
        if step.kind == "check":
            self.stood.setdefault(label, (self.number, step))
            return
        for name in (label, _SPEED_OF.get(label, ""), next((screw for screw, speed in _SPEED_OF.items() if speed == label), "")):
            number, check = self.stood.get(name, (0, None))
            if check is not None and self.number - number <= _FAR and check.sentence is not step.sentence and step.after and not step.before and check.found:
                step.before = next((value.text.strip() for value in values_of(check.found, self.vocabulary.terms["setting"][label].unit)), check.found)
                step.more.append(check.sentence)
                step.replaces = check
        self.stood = {name: entry for name, entry in self.stood.items() if name != label and _SPEED_OF.get(name) != label and _SPEED_OF.get(label) != name}

    def _remember(self, step: Told) -> None:
        """Where a setting stood, told in the sentence before without its name: "The gauge showed 210. I let it down to 170"."""
        last = next((sentence for sentence in reversed(self.before) if sentence is not step.sentence), None)
        if step.kind != "set" or step.terms[0] in self.done or not step.after or step.before or step.note or last is None or not _GOES_ON.search(step.sentence.text):
            return
        unit = self.vocabulary.terms["setting"][step.terms[0]].unit
        stood = [value for value in quantities(last.text, unit) if (value.unit or unit == "rpm") and lone(last.text, value) == "before"] if unit else []
        others = any(check.sentence is last for name, (_number, check) in self.stood.items() if name != step.terms[0])
        if len(stood) == 1 and not others and number(step.after) != stood[0].value:
            step.before = stood[0].text.strip()
            step.more.append(last)

    def _by_part(self, sentence: Sentence, about: str, last_check: str) -> Iterator[Told]:
        """A setting told by the action or the part: "adjusted the governor, from 2,600 to 2,950 rpm", "torqued the bolt to 50 Nm"."""
        found = [(_SET_BY[term.label], term.start, term.end) for term in sentence.of("action") if term.label in _SET_BY]
        torque = next((reading for reading in sentence.readings if reading.unit in ("N.m", "ft-lb", "in-lb")), None)
        if torque:
            start = sentence.segment_at(torque.start)[0]
            found += [(f"{part} torque", start, start) for part in _bolted(sentence.text[: torque.start], last_check, about)]
        part = next((term.label for term in sentence.of("check") if term.label in _PARTS), last_check)
        if not found and part in _PARTS and not sentence.of("action"):
            first = next((reading for reading in sentence.readings if fits(reading.unit, self.vocabulary.terms["setting"][_PARTS[part]].unit)), None)
            if first is not None:
                start = sentence.segment_at(first.start)[0]
                found.append((_PARTS[part], start, start))
        for label, start, end in found[:1]:
            values = self._values(sentence.text[end:], sentence.text[:end], self.vocabulary.terms["setting"][label].unit)
            if label.endswith(" torque"):
                values = Values(after=values.after or values.before, turned=True, stop=values.stop)  # a torque is never found
            if values.turned and (values.after or values.before):
                self.last = label
                yield Told("set", [label], sentence, start, end + values.stop, before=values.before, after=values.after, note=values.note)

    def _both(self, sentence: Sentence) -> Iterator[Told]:
        """ "Closed them up to 0.10 and 0.12": the valves of the sentences before, each to its value or both to one."""
        valves = [label for label in self.spoken if label in _VALVE_LABELS]
        match = _BOTH.search(sentence.text)
        values = quantities(sentence.text, "in") if match and self.spoken and set(valves) == set(_VALVE_LABELS) else []
        if not match or not values or not _TURN.search(sentence.text) or any(lone(sentence.text, value) != "after" for value in values[:1]):
            return
        for label, value in zip(valves, values if len(values) == len(valves) else values[:1] * 2, strict=True):
            yield Told("set", [label], sentence, match.start(), value.end, after=value.text.strip())

    def _names(self, sentence: Sentence) -> list[tuple[str, int, int]]:
        named = [(term.label, term.start, self._end(term, sentence)) for term in sentence.of("setting") if self._is_setting(term, sentence)]
        for match in _SCREW.finditer(sentence.text):
            if match["letter"] and match["letter"].islower():
                continue
            if not any(start < match.end() and match.start() < end for _label, start, end in named):
                named.append((_SCREWS[(match["which"] or match["letter"])[0].lower()], match.start(), match.end()))
        if self.last in _SCREWS.values() or any(label in _SCREWS.values() for label, _start, _end in named):
            named += [(_SCREWS[match["which"][0].lower()], match.start(), match.end()) for match in _OTHER_SCREW.finditer(sentence.text)
                      if not any(start < match.end() and match.start() < end for _label, start, end in named)]
        named += [("idle speed", match.start(), match.end()) for match in _IDLE.finditer(sentence.text)
                  if not any(start < match.end() and match.start() < end for _label, start, end in named)
                  and values_of(sentence.text[match.end():], "rpm")][:1]
        lengths = [reading for reading in values_of(sentence.text, "mm") if reading.unit or self.valves]
        told = any(reading.unit in ("thou", "mm", "in") and re.match(r"(?: valve| one)?(?: though)?,?(?: it)? (?:was|were|at|is|to)\b", sentence.text[match.end():])
                   and 0 < reading.start - match.end() < 24 for match in _VALVE.finditer(sentence.text) for reading in lengths)
        if _VALVES.search(sentence.text) or told or (self.valves and lengths):
            named = [name for name in named if "valve clearance" not in name[0]]
            named += [("exhaust valve clearance" if match["which"].lower().startswith("ex") else "inlet valve clearance", match.start(), match.end())
                      for match in _VALVE.finditer(sentence.text) if not _PORT.match(sentence.text[match.end():])]
        self.valves = bool(_VALVES.search(sentence.text)) or told or (self.valves and bool(lengths))
        named = sorted(named, key=lambda name: name[1])
        return [name for position, name in enumerate(named)
                if not (position and _SPEED_OF.get(name[0]) == named[position - 1][0]
                        and any(reading.unit == "rpm" for reading in sentence.readings if reading.start > name[2]))]

    def _short(self, sentence: Sentence, near: Sequence[frozenset[str]]) -> list[tuple[str, int, int]]:
        """ "The gap was 0.9": of the plug or of the coil, whichever was just spoken of."""
        here = frozenset(token.head for token in sentence.folded)
        for match in _SHORT.finditer(sentence.text):
            for words in (here, *reversed(near[-_FAR:])):
                label = next((label for word, label in _MEANT[match["word"].lower()] if word in words), "")
                if label and values_of(sentence.text[match.end():], self.vocabulary.terms["setting"][label].unit):
                    return [(label, match.start(), match.end())]
        return []

    def _set_parts(self, sentence: Sentence) -> list[tuple[str, int, int]]:
        """A part that is set, before a quantity of the kind it is set in."""
        for label, pattern in _SET_PARTS:
            match = pattern.search(sentence.text)
            unit = self.vocabulary.terms["setting"][label].unit
            if match and (label in self.done or any(fits(reading.unit, unit) and reading.start > match.start() for reading in sentence.readings)):
                return [(label, match.start(), match.end())]
        return []

    def _end(self, term: Found, sentence: Sentence) -> int:
        """Where the name of a setting ends; a pattern of speech may hold its values too."""
        values = values_of(sentence.text[term.start: term.end], self.vocabulary.terms["setting"][term.label].unit)
        head = sentence.text[term.start: term.start + values[0].start] if values and values[0].start else ""
        return term.start + len(head.split(",")[0].rstrip()) if head else term.end

    def _is_setting(self, term: Found, sentence: Sentence) -> bool:
        """Not where the words only say what kind of jet or which speed, and not within another setting's words."""
        words = sentence.text[term.start: term.end].lower()
        return not words.endswith("jet") and not any(
            other is not term and set(term.used) < set(other.used) for other in sentence.of("setting"))

    def _again(self, sentence: Sentence) -> Iterator[Told]:
        """ "Then I opened it to one and a quarter": the setting of the sentence before."""
        match = _TURN.search(sentence.text)
        unit = self.vocabulary.terms["setting"][self.last].unit
        if not match or any(term.start <= match.start() < term.end for term in sentence.of("action")):
            return
        start = match.start() + match.group().index(" ")
        values = self._values(sentence.text[start:], sentence.text[:start], unit)
        apart = values.after and re.search(r",(?!.*\b(?:to|at|got|now)\b)", sentence.text[start: sentence.text.find(values.after, start)])
        if values.turned and not apart and (values.after or values.note):
            yield Told("set", [self.last], sentence, match.start(), start + values.stop, before=values.before,
                       after=values.after, note=values.note, doubts=["which setting is meant stands in the sentence before"])
            yield from (Told("set", [self.last], sentence, start + at, start + until, after=after) for at, until, after in values.again)


def _bolted(*texts: str) -> list[str]:
    """The part whose bolt is torqued, spoken of in the first of the texts that names one; the last one named there."""
    for text in texts:
        named = [(match.start(), part) for part, words in _BOLTED for match in words.finditer(text)]
        if named:
            return [max(named)[1]]
    return []
