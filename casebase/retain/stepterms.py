"""A typed line taken apart: its small words, and the terms of the trade in what is left; which kind of step it is."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from casebase.problems import Problem
from casebase.record.case import Case
from casebase.retain.stepvalues import read_values
from casebase.retain.stepwords import peel
from casebase.retrieve.lexicon import Found, Lexicon
from casebase.retrieve.understand import understand
from casebase.trade.readings import find_readings
from casebase.trade.terms import Kind
from casebase.trade.words import Token, tokens, words_of


class Piece(NamedTuple):
    """One thing read: the field of the step, its value, and the words it was read from ("" for an option)."""

    field: str
    value: str
    words: str = ""


CHECKING = re.compile(r"^\s*(?:re)?(?:check|look|test|measur|inspect|tried|read)\w*\b", re.IGNORECASE)
_SETTING = re.compile(r"\b(?:set|reset|turned|turn|adjusted|adjust|backed|opened|closed|gapped|screwed|wound|moved|bent)\b",
                      re.IGNORECASE)
_NOT_DONE = re.compile(r"\b(?:needs?|should|could|would|wants?|must|will|try|order(?:ed)?|not|never|no|next|maybe)\b[^,;]*$",
                       re.IGNORECASE)
_AND = re.compile(r"(?:\b(?:and|plus)\b|[+&])\s*(?:an?\s+|the\s+|new\s+)*(?P<part>[^,;.+&]*?)(?=\s+(?:and|plus)\b|[,;.+&]|$)",
                  re.IGNORECASE)
_SCREWS = re.compile(r"\b(?P<which>low|lo|l|high|hi|h|idle|t)(?:[ -]?speed)? ?(?:screw|needle|jet)\b", re.IGNORECASE)
_SCREW_NAMES = {"l": "low-speed screw", "h": "high-speed screw", "i": "idle speed screw", "t": "idle speed screw"}
_CLAUSE = re.compile(r"(?<!\d)[,;]|[,;](?!\d)|\.(?=\s|$)|\s[-–—]\s")



class Line:
    """One line: `small` holds its small words by field, `results` each result with its clause, `text` the rest."""

    def __init__(self, line: str, case: Case, lexicon: Lexicon) -> None:
        self.line, self.case, self.lexicon = line, case, lexicon
        self.vocabulary = lexicon.vocabulary
        self.pieces: list[Piece] = []
        self.problems: list[Problem] = []
        self.rests: list[str] = []
        self.small: dict[str, str] = {}
        self.results: list[tuple[str, str]] = []
        self._read_clauses()
        self.text = ", ".join(self.rests)
        self.folded = lexicon.folding.fold([self._respelled(token) for token in tokens(self.text)])
        self.terms = lexicon.find(self.folded)

    def _read_clauses(self) -> None:
        """Takes the small things off each clause and looks for terms in what is left."""
        for clause in filter(str.strip, _CLAUSE.split(self.line)):
            rest, taken = peel(clause)
            for small in taken:
                if small.field == "result":
                    self.results.append((small.value, clause))
                elif small.field in self.small and self.small[small.field] != small.value:
                    self.problems.append(Problem(
                        "twice", f"the line has two values for {small.field}: {self.small[small.field]} and {small.value}",
                        f"say one of them with --{small.field}", field=f"--{small.field}"))
                self.small[small.field] = small.value
                self.pieces.append(Piece(small.field, small.value, small.words.strip()))
            effect = self._effect_words(rest) if rest else ""
            if effect:
                self.results.append((effect, clause))
                self.pieces.append(Piece("result", effect, rest))
            elif rest and not (self.rests and any(small.field == "result" for small in taken) and self._is_target(rest)):
                self.rests.append(rest)

    def _is_target(self, rest: str) -> bool:
        """Whether what stands before a result only says what it is a result of: "surges" in "surges cured"."""
        if rest.casefold() in ("both", "all", "everything", "the lot"):
            return True
        seen = understand(rest, self.lexicon) if any(map(str.isalnum, rest)) else None
        return bool(seen and seen.symptoms and not seen.left_over and not seen.tried)

    def _respelled(self, token: Token) -> Token:
        better = self.lexicon.correct(token.text)
        return Token(better, better, token.start, token.end) if better else token

    def _effect_words(self, clause: str) -> str:
        """ "Still surges" and "surging is gone" tell a result where the job has that symptom."""
        if not self.rests or not any(char.isalnum() for char in clause):
            return ""
        seen = understand(clause, self.lexicon).observations
        mine = {self.vocabulary.label("symptom", name) for name in self.case.symptoms}
        states = {item.status for item in seen if item.kind == "symptom" and item.label in mine}
        if "present" in states and re.match(r"(?:but )?still\b", clause, re.IGNORECASE):
            return "no change"
        return "cured" if "resolved" in states and "present" not in states else ""

    def of(self, kind: Kind) -> list[Found]:
        return [term for term in self.terms if term.kind == kind and term.how in ("name", "said")]

    def checks(self) -> list[Found]:
        """What was looked at. A number alone tells a measured one by its first word: "battery 11.9 V"."""
        found = self.of("check")
        if found or not self.folded or not re.search(r"\d", self.text):
            return found
        first = self.folded[0]
        measured = [label for label, term in self.vocabulary.terms["check"].items() if term.quantity and any(
            self.lexicon.folding.head(words_of(name)[0]) == first.head for name in (label, *term.also))]
        return [Found("check", measured[0], (0,), first.start, first.end, "said")] if len(measured) == 1 else []

    def actions(self) -> list[Found]:
        """What was done, in order; "new plug and air filter" are two new things."""
        done = [term for term in self.of("action") if not _NOT_DONE.search(self.text[:term.start])]
        return sorted([*done, *(term for _words, term in self._tied(done) if term)], key=lambda term: term.start)

    def tied(self) -> list[str]:
        """The words of parts tied to what was done that name no action of their own."""
        done = [term for term in self.of("action") if not _NOT_DONE.search(self.text[:term.start])]
        return [words for words, term in self._tied(done) if term is None]

    def _tied(self, done: list[Found]) -> Iterator[tuple[str, Found | None]]:
        """The parts after an "and" behind an action, each with the action it becomes with the same verb."""
        for match in _AND.finditer(self.text):
            before = [term for term in done if term.end <= match.start()]
            inside = [term for term in done if term.start < match.end() and term.end > match.start("part")]
            if not before or inside or re.search(r"[,;]", self.text[before[-1].end: match.start()]):
                continue
            words, start = match["part"], match.start("part")
            verb = self.words_of(before[-1]).split()[0]
            again = tokens(f"{verb} {words}")
            action = next((term for term in self.lexicon.find(self.lexicon.folding.fold(again)) if term.kind == "action"), None)
            part = any(term.kind in ("check", "setting") and start <= term.start < match.end() for term in self.terms)
            if action is not None:
                used = tuple(number for number, token in enumerate(self.folded) if start <= token.start < match.end())
                yield words, action._replace(start=start, end=match.end(), used=used)
            elif part or words.casefold().split()[0] in self.lexicon.ambiguous:
                yield words, None

    def words_of(self, term: Found) -> str:
        return self.text[term.start: term.end]

    def settings(self) -> list[tuple[str, int, int]]:
        """The settings named, as (label, start, end). A screw goes by its letter or by low and high."""
        found = [(_SCREW_NAMES[match["which"][0].lower()], match.start(), match.end())
                 for match in _SCREWS.finditer(self.text)]
        return found or [(term.label, term.start, term.end) for term in self.of("setting")]

    def kind(self) -> str:
        actions, checks, settings = self.actions(), self.checks(), self.settings()
        if settings and (read_values(self.without(*settings[0][1:])).cued or _SETTING.search(self.text)):
            return "set"
        if actions and not (checks and CHECKING.match(self.text)):
            return "set" if self.set_by_action() else "do"
        if checks or self.known_from():
            return "check"
        return "set" if settings else ""

    def set_by_action(self) -> str:
        """The setting that an action such as "set ignition air gap" turns, where the line has its value."""
        for term in self.actions():
            part = self.vocabulary.resolve("setting", re.sub(r"^(?:set|adjust) ", "", term.label))
            if part and find_readings(self.text):
                return part.label
        return ""

    def known_from(self) -> list[Found]:
        """Symptoms that are the finding of a check by themselves: "no spark"."""
        return [term for term in self.terms if term.kind == "symptom" and term.how != "part"
                and self.check_known_from(term.label)]

    def check_known_from(self, symptom: str) -> str:
        checks = self.vocabulary.terms["check"]
        own = f"{symptom} check"  # "fuel leak" is found by the fuel leak check
        return own if own in checks else next((label for label, term in checks.items() if symptom in term.known_from), "")

    def without(self, start: int, end: int) -> str:
        return f"{self.text[:start]}{self.text[end:]}"
