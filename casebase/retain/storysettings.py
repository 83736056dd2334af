"""The settings a sentence of a note tells: a screw, a gap, a speed, as found and as left."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from casebase.retain.story import Sentence, Told
from casebase.retain.storyvalues import fits, read_values
from casebase.retrieve.lexicon import Found, Lexicon

# A speed and the screw that sets it: "idle was 3,400, I turned the idle screw and got it down to 2,700".
_SPEED_OF = {"idle speed screw": "idle speed", "governor spring hole": "full-throttle speed", "governor arm": "full-throttle speed"}
# Checks that a setting stands for where its value was only read.
_READ_AS = {"low-speed screw": "mixture screw positions", "high-speed screw": "mixture screw positions",
            "governor spring hole": "governor linkage", "unloader pressure": "pump pressure", "belt tension": "drive belt",
            "chain tension": "chain and bar", "throttle cable play": "throttle cable", "oil mix": "oil mix ratio",
            "metering lever height": "metering lever", "float height": "float and needle", "bar oil flow": "bar oil delivery",
            "idle speed screw": "idle speed"}
# Settings that go by what is done, and by the part they are on.
_SET_BY = {"set governor": "full-throttle speed", "adjust idle speed": "idle speed", "set ignition air gap": "ignition air gap", "adjust belt": "belt tension",
           "set metering lever": "metering lever height", "set float level": "float height", "service unloader": "unloader pressure",
           "set chain tension": "chain tension", "clean and gap spark plug": "plug gap"}
_PARTS = {"metering lever": "metering lever height", "drive belt": "belt tension", "chain and bar": "chain tension", "float and needle": "float height",
          "throttle cable": "throttle cable play", "ignition air gap": "ignition air gap", "plug gap": "plug gap"}
_TORQUE = re.compile(r"\b(?:torqued?|tightened|nipped|done)\b(?= .{0,40}\b(?:nm|n\.m|newton|ft|foot|in[- ]lb))", re.IGNORECASE)
_SCREW = re.compile(r"\b(?P<which>low|lo|l|high|hi|h|idle|main|pilot)(?:[ -]?speed)?(?: (?:adjust(?:er|ing|ment)|mixture))? (?:screw|needle)\b", re.IGNORECASE)
_SCREWS = {"l": "low-speed screw", "p": "low-speed screw", "h": "high-speed screw", "m": "high-speed screw", "i": "idle speed screw"}
_VALVES = re.compile(r"\b(?:valves?|tappets?|lash|clearances?)\b", re.IGNORECASE)
_VALVE = re.compile(r"\b(?P<which>inlets?|intakes?|exhausts?)\b", re.IGNORECASE)


class Settings:
    pass

    # --- settings ---------------------------------------------------------------------------------------------------

    def _settings(self, sentence: Sentence) -> list[Told]:
        names = self._setting_names(sentence)
        told: list[Told] = []
        for position, (label, start, end) in enumerate(names):
            self.last_setting = label
            stop = names[position + 1][1] if position + 1 < len(names) else len(sentence.text)
            lead = sentence.text[names[position - 1][2] if position else 0: start]
            values = read_values(sentence.text[end:stop], lead, self.vocabulary.terms["setting"][label].unit)
            if values.turned:
                told.append(Told("set", [label], sentence, start, end + values.stop, before=values.before, after=values.after,
                                 note=values.note))
                told += [Told("set", [label], sentence, end + at, end + until, after=after)
                         for at, until, after in values.again]
            elif values.before:
                check = label if label in self.vocabulary.terms["check"] else _READ_AS.get(label, "")
                if check:
                    told.append(Told("check", [check], sentence, start, end + values.stop, found=values.before))
        if not told:
            told += self._set_by(sentence)
        if not names and not told and self.last_setting and not sentence.of("action"):
            told += self._set_again(sentence)
        return told

    def _set_by(self, sentence: Sentence) -> Iterator[Told]:
        """A setting told by the action or the part: "adjusted the governor, from 2,600 to 2,950 rpm", "torqued the bolt to 50 Nm"."""
        found = [(_SET_BY[term.label], term.start, term.end) for term in sentence.of("action") if term.label in _SET_BY]
        torque = _TORQUE.search(sentence.text)
        if torque:
            about = " ".join((sentence.text, self.last_check, self.last_action)).lower()
            found += [(f"{part} torque", torque.start(), torque.end())
                      for part in ("flywheel nut", "blade bolt", "spark plug") if part.split()[0 if part[0] != "s" else 1] in about][:1]
        part = next((term.label for term in sentence.of("check") if term.label in _PARTS), self.last_check)
        if not found and part in _PARTS and not sentence.of("action"):
            first = next((reading for reading in sentence.readings if fits(reading.unit, self.vocabulary.terms["setting"][_PARTS[part]].unit)), None)
            if first is not None:
                start = sentence.segment_at(first.start)[0]
                found.append((_PARTS[part], start, start))
        for label, start, end in found[:1]:
            values = read_values(sentence.text[end:], sentence.text[:end], self.vocabulary.terms["setting"][label].unit)
            if values.turned and (values.after or values.before):
                self.last_setting = label
                yield Told("set", [label], sentence, start, end + values.stop, before=values.before, after=values.after, note=values.note)

    def _setting_names(self, sentence: Sentence) -> list[tuple[str, int, int]]:
        named = [(term.label, term.start, term.end) for term in sentence.of("setting") if self._is_setting(term, sentence)]
        for match in _SCREW.finditer(sentence.text):
            if not any(start < match.end() and match.start() < end for _label, start, end in named):
                named.append((_SCREWS[match["which"][0].lower()], match.start(), match.end()))
        if _VALVES.search(sentence.text) or (self.last_valves and any(r.unit in ("mm", "in", "thou") for r in sentence.readings)):
            named = [name for name in named if "valve clearance" not in name[0]]
            for match in _VALVE.finditer(sentence.text):
                if re.match(r" (?:valve )?(?:boot|gasket|port|manifold|screen|pipe)", sentence.text[match.end():]):
                    continue
                which = "exhaust" if match["which"].lower().startswith("ex") else "inlet"
                named.append((f"{which} valve clearance", match.start(), match.end()))
        self.last_valves = bool(_VALVES.search(sentence.text))
        named = sorted(named, key=lambda name: name[1])
        return [name for position, name in enumerate(named)
                if not (position and _SPEED_OF.get(name[0]) == named[position - 1][0]
                        and any(reading.unit == "rpm" for reading in sentence.readings if reading.start > name[2]))]

    def _is_setting(self, term: Found, sentence: Sentence) -> bool:
        """Not where the words only say what kind of jet or which speed, and not within another setting's words."""
        words = sentence.text[term.start: term.end].lower()
        return not words.endswith("jet") and not any(
            other is not term and set(term.used) < set(other.used) for other in sentence.of("setting"))

    def _set_again(self, sentence: Sentence) -> Iterator[Told]:
        """ "Then I opened it to one and a quarter": the setting of the sentence before."""
        match = re.search(r"\b(?:set|opened|closed|turned|screwed|backed|wound|adjusted|gapped|brought|raised|lowered|put|bent|went|gave) "
                          r"(?:it|them|that|in|out|up|down|back)\b", sentence.text, re.IGNORECASE)
        unit = self.vocabulary.terms["setting"][self.last_setting].unit
        if match and any(fits(reading.unit, unit) for reading in sentence.readings):
            values = read_values(sentence.text[match.end():], sentence.text[:match.end()], unit)
            if values.turned:
                yield Told("set", [self.last_setting], sentence, match.start(), match.end() + values.stop, before=values.before,
                           after=values.after, note=values.note, doubts=["which setting is meant stands in the sentence before"])

