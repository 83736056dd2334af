"""A step as typed with one thumb ("low screw was 7/8 turn out, now 1 1/8, no change") to a step of the case file.

Every piece of the line that was read is named, with its words. What was not read of a change becomes its note, and
of a check its finding, so nothing typed is lost. What cannot be told is asked back, never guessed: which kind of
step, which symptom a result is about, the unit of a number.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Sequence
from decimal import Decimal
from typing import NamedTuple, cast

from casebase.problems import Problem, did_you_mean
from casebase.record import case as kinds
from casebase.record.case import Case, Check, Effect, Repair, Setting, Step
from casebase.retain.stepeffects import effects_of
from casebase.retain.stepterms import CHECKING, Line, Piece
from casebase.retain.stepvalues import Values, read_values, with_units
from casebase.retain.stepwords import verdict_of
from casebase.retrieve.lexicon import Found, Lexicon
from casebase.retrieve.understand import understand
from casebase.trade.readings import find_readings
from casebase.trade.terms import Kind, Term
from casebase.trade.words import FILLERS, Token, tokens


class Given(NamedTuple):
    """What was said in options, each as typed; it outweighs what is read in the line."""

    check: str = ""
    set: str = ""
    do: tuple[str, ...] = ()
    found: str = ""
    verdict: str = ""
    before: str = ""
    after: str = ""
    symptoms: tuple[str, ...] = ()
    results: tuple[str, ...] = ()
    minutes: str = ""
    parts: str = ""
    source: str = ""
    note: str = ""


class LineRead(NamedTuple):
    """How a line was read. `step` is None where something must be asked back; `problems` say what, and the words
    that would do. `remarks` are worth a look, but keep nothing from being written."""

    step: Step | None
    pieces: tuple[Piece, ...]
    problems: tuple[Problem, ...]
    remarks: tuple[str, ...]


_TURNING = re.compile(r"(?:i |have |re)*(?:set|turned|adjusted|backed|opened|closed|moved)(?: it)?(?: (?:in|out|up|down|off))?",
                      re.IGNORECASE)
_DOING = re.compile(r"(?:new|fitted|fit|replaced|replace|changed|put|did|done|cleaned|another|swapped|in|on|for|with|by|out|off)$")
# What may be said of which kind of step; the names are those of the options.
_ALLOWED = {"check": ("found", "verdict", "minutes", "note"), "set": ("from", "to", "for", "result", "minutes", "note"),
            "do": ("for", "result", "minutes", "parts", "source", "note")}
_WRONG = {"result": "a check cures nothing; log what was done as a step of its own, with --do or --set",
          "for": "only a change is for a symptom", "parts": "only --do has parts", "source": "only --do has parts",
          "found": "only --check finds; use --note", "verdict": "only --check has a verdict; use --result",
          "from": "only --set has a value as found; use --found or --note",
          "to": "only --set has a value as left; use --found or --note"}
_TERM_KINDS: dict[str, Kind] = {"check": "check", "set": "setting", "do": "action"}
def read_line(line: str, case: Case, lexicon: Lexicon, given: Given = Given()) -> LineRead:
    """Reads a line, and what the options say, as the next step of a job."""
    reader = _Reader(Line(" ".join(line.split()), case, lexicon), given)
    kind = reader.kind()
    step: Step | None = None
    if kind:
        reader.check_kind(kind)
        step = reader.check() if kind == "check" else reader.setting() if kind == "set" else reader.repair()
    problems = tuple(dict.fromkeys(reader.problems))
    return LineRead(None if problems else step, tuple(reader.pieces), problems, tuple(reader.remarks))


class _Reader:
    """One line being read."""

    def __init__(self, line: Line, given: Given) -> None:
        self.line, self.given = line, given
        self.case, self.lexicon, self.vocabulary = line.case, line.lexicon, line.vocabulary
        self.pieces = list(line.pieces)
        self.problems = list(line.problems)
        self.remarks: list[str] = []

    def ask(self, code: str, message: str, hint: str, field: str = "") -> None:
        self.problems.append(Problem(code, message, hint, field=field))

    def tell(self, field: str, value: str, words: str = "") -> None:
        if not any(piece.field == field and piece.value == value for piece in self.pieces):
            self.pieces.append(Piece(field, value, words))

    # --- which kind of step

    def kind(self) -> str:
        """check, set or do; "" with a question where it cannot be told."""
        said = [name for name in ("check", "set", "do") if getattr(self.given, name)]
        if len(said) > 1:
            self.ask("step-kind", f"is {' and '.join(said)} at once", "a step is one of them: --check (looked at), --set "
                     "(turned), --do (changed)", f"--{said[1]}")
            return ""
        kind = said[0] if said else self.line.kind()
        if not kind:
            self.ask("step-kind", f'"{self.line.line}" does not say what was checked, set or done' if self.line.line else
                     "nothing is said", "name it with --check, --set or --do, for example " + self._nearest())
        return kind

    def _nearest(self) -> str:
        likely: tuple[Kind, ...] = ("check", "action")
        causes = {term.label for term in self.line.terms if term.kind == "cause"}
        of_cause = [check for check in self.vocabulary.terms["check"].values() if causes & set(check.points_to)]
        if of_cause:  # the check that says the most of it
            return f'--check "{min(of_cause, key=lambda check: len(check.points_to)).label}"'
        named = [hint for kind in likely if (hint := self.vocabulary.suggestion(kind, self.line.text))]
        quoted = re.search(r'"([^"]+)"', named[0]) if named else None
        return f'--check "{quoted[1]}"' if quoted else '--check "fuel line" or --do "replace fuel line"'

    def check_kind(self, kind: str) -> None:
        """Asks back whatever contradicts the kind of step."""
        said = {"found": self.given.found, "verdict": self.given.verdict, "from": self.given.before,
                "to": self.given.after, "for": self.given.symptoms, "result": self.given.results,
                "parts": self.given.parts, "source": self.given.source}
        read = {name: value for name, value in self.line.small.items() if name not in ("minutes", "verdict")}
        for name in _WRONG:
            value = said[name] or read.get(name, "")
            if value and name not in _ALLOWED[kind] and not (kind == "check" and name == "result" and
                                                             value == "no change"):
                shown = " ".join(value) if isinstance(value, tuple) else value
                self.ask("step-kind", f'"{kind}" does not go with {name} "{shown}"', _WRONG[name], f"--{name}")

    # --- the three kinds

    def check(self) -> Check:
        found_terms = self.line.checks()
        sizes = dict.fromkeys(term.label for term in found_terms
                              if (known := self.vocabulary.resolve("check", term.label)) and known.quantity)
        valves = re.search(r"\b(?:inlet|intake)\b", self.line.text) and re.search(r"\bexhaust\b", self.line.text)
        if (len(sizes) > 1 or (valves and len(find_readings(self.line.text)) > 1)) and not self.given.check:
            self.ask("two-steps", "the line has two readings", "log each as a step of its own")
        symptoms = self.line.known_from()
        label = self.given.check or (found_terms[0].label if found_terms else self.line.check_known_from(symptoms[0].label))
        named = [*found_terms, *symptoms][:0 if self.given.check else 1]
        label = self._term("check", label, self.line.words_of(named[0]) if named else "")
        term = self.vocabulary.resolve("check", label)
        unchanged = [clause.strip() for result, clause in self.line.results if result == "no change"]
        found = self.given.found or ", ".join(filter(None, (self._finding(label, found_terms[:1]), *unchanged)))
        if found:
            self.tell("found", found)
        verdict = self._choice("verdict", self.given.verdict or self.line.small.get("verdict", ""), kinds.VERDICTS)
        if self.given.verdict:
            self.tell("verdict", verdict)
        if not verdict:
            verdict = self._verdict_read(found, term, symptoms)
        if not found and not verdict:
            self.ask("missing", f"{label}: what was found is not said", 'add it, or --verdict ok, bad or unsure',
                     "--found")
        if term and term.unit and term.unit not in (":1",) and re.search(r"\d", found) and not find_readings(found):
            self._ask_unit(found, term.unit, "--found")
        return Check(label, found, cast("kinds.Verdict | None", verdict or None), self._number("minutes"), self._note())

    def _finding(self, label: str, terms: Sequence[Found]) -> str:
        """What is left of the line without the name of what was checked and the word for checking it."""
        known = [self.vocabulary.resolve(kind, label) for kind in ("check", "setting")]
        names = {token.head for name in (label, *(also for term in known if term for also in term.also))
                 for token in self.lexicon.folding.fold(tokens(name))}
        own = set(terms[0].used) if terms else set()
        term = known[0]
        says = {token.head for words in ((*term.ok, *term.bad) if term else ())
                for token in self.lexicon.folding.fold(tokens(words))}
        rest = self._behind(lambda number, token: number in own or token.head in names, says)
        if not rest and "verdict" not in self.line.small:  # "chain tension was slack" is a name from end to end
            rest = self._behind(lambda _number, token: token.head in names, says)
        return rest or ("" if "verdict" in self.line.small or not self.line.known_from() else self.line.text)

    def _behind(self, is_name: Callable[[int, Token], bool], says: Container[str]) -> str:
        """The text behind its leading names; a word of a finding and a number end them."""
        at = CHECKING.match(self.line.text)
        start = at.end() if at else 0
        for number, token in enumerate(self.line.folded):
            if token.start < start:
                continue
            named = is_name(number, token) or token.text in (*FILLERS, "is", "was", "are", ",")
            if token.head in says or token.text[0].isdecimal() or not named:
                break
            start = token.end
        return self.line.text[start:].strip(" ,:=-")

    def _verdict_read(self, found: str, term: Term | None, symptoms: Sequence[Found]) -> str:
        """The verdict that the words of the finding give, named with those words."""
        denied = {item.label: item.status for item in understand(self.line.text, self.lexicon).observations
                  if item.kind == "symptom"} if self.line.text and any(map(str.isalnum, self.line.text)) else {}
        plain_answer = re.match(r"(?:yes|yep|no|nope)(?:,|$)", found, re.IGNORECASE)
        for symptom in () if plain_answer else symptoms:
            status = denied.get(symptom.label)
            own = self.line.check_known_from(symptom.label)
            if term and own == term.label and status in ("present", "absent"):
                verdict = "bad" if status == "present" else "ok"
                self.tell("verdict", verdict, self.line.words_of(symptom))
                return verdict
        of_words, words = verdict_of(found, term, of_size=bool(term and term.quantity == "length"))
        if of_words:
            self.tell("verdict", of_words, words)
        elif found:
            self.remarks.append("no verdict read; --verdict ok, bad or unsure adds it")
        return of_words or ""

    def setting(self) -> Setting:
        named = self.line.settings()
        by_action = "" if named else self.line.set_by_action()
        spans = [named[0][1:]] if named else [(term.start, term.end) for term in self.line.actions()[:1]]
        words = self.line.text[slice(*spans[0])] if spans else ""
        label = self._term("set", self.given.set or (named[0][0] if named else by_action), "" if self.given.set else words)
        rest = self.line.without(*spans[0]) if spans and (named or by_action) else self.line.text
        said = Values(self.given.before, self.given.after)
        values = read_values(rest)
        note = self._note("" if _TURNING.fullmatch(values.rest) else values.rest)
        values = values._replace(before=said.before or values.before, after=said.after or values.after)
        values, lacking = with_units(values)
        term = self.vocabulary.resolve("setting", label)
        for field, value in lacking:
            self._ask_unit(value, term.unit if term else "", f"--{field}")
        if not values.before and not values.after:
            self.ask("missing", f"{label}: neither as found nor as left is said",
                     'add them, for example "was 7/8 turn, now 1 1/8", or --from and --to', "--from")
        for field, value in (("from", values.before), ("to", values.after)):
            if value:
                self.tell(field, value)
        if values.after and not values.before:
            self.remarks.append("as found is not said, so it could not be put back; --from notes it")
        return Setting(label, values.before, values.after, self.effects(), self._number("minutes"), note)

    def repair(self) -> Repair:
        actions = self.line.actions()
        if self.given.do:
            labels = [self._term("do", name) for name in self.given.do]
        else:
            labels = [self._term("do", term.label, self.line.words_of(term)) for term in actions]
        self._ask_tied()
        used = {number for term in actions for number in term.used}
        numbers = [token.text for number, token in enumerate(self.line.folded)
                   if number not in used and token.text[0].isdecimal() and not self._in_reading(token)]
        for number in [] if self.given.do and not actions else numbers:
            self.ask("unit", f'"{number}" stands alone: is it time or money?', f"say {number} min, or parts {number}",
                     "--minutes or --parts")
        parts = self._number("parts")
        source = self._choice("source", self.given.source or self.line.small.get("source", ""), kinds.SOURCES)
        return Repair(tuple(dict.fromkeys(labels)), self.effects(), parts, self._number("minutes"),
                      cast("kinds.Source | None", source or None), self._note(self._unread(actions)))

    def _ask_tied(self) -> None:
        """A part tied to what was done ("new plug and filter") that names no action of its own is asked back."""
        if self.given.do:
            return
        for words in self.line.tied():
            meanings = self.lexicon.ambiguous.get(words.casefold().split()[0], ())
            self.ask("ambiguous", f'"{words}" may be ' + ", ".join(meanings[:-1]) + f" or {meanings[-1]}" if meanings else
                     f'"{words}" is tied to what was done, but does not say what was done to it',
                     f'say which, for example "{meanings[0]}"' if meanings else "name all that was done, each with --do",
                     "--do")

    def _in_reading(self, token: Token) -> bool:
        return any(reading.start <= token.start < reading.end for reading in find_readings(self.line.text))

    def _unread(self, actions: Sequence[Found]) -> str:
        """The clauses that say more than what was done, for the note."""
        clauses, at = [], 0
        used = {number for term in actions for number in term.used}
        for rest in self.line.rests:
            inside = [(number, token) for number, token in enumerate(self.line.folded) if at <= token.start < at + len(rest)]
            fresh = [token for number, token in inside if number not in used and token.text not in FILLERS
                     and token.text.isalnum() and not _DOING.match(token.text)]
            if fresh:
                clauses.append(rest)
            at += len(rest) + 2
        return ", ".join(clauses)

    # --- what all kinds share

    def _term(self, kind: str, name: str, words: str = "") -> str:
        term = self.vocabulary.resolve(_TERM_KINDS[kind], " ".join(name.split()))
        label = term.label if term else " ".join(name.split())
        self.tell(kind, label, words)
        if term is None:
            hint = self.vocabulary.suggestion(_TERM_KINDS[kind], label)
            self.remarks.append(f'"{label}" is not in the vocabulary; ' + (hint or "it counts as its own term"))
        return label

    def _choice(self, name: str, value: str, allowed: Sequence[str]) -> str:
        value = value.strip().casefold()
        if value and value not in allowed:
            self.ask("choice", f'"{value}" is not a {name}', did_you_mean(value, allowed), f"--{name}")
        return value

    def _number(self, name: str) -> Decimal | None:
        value = (getattr(self.given, name) or self.line.small.get(name, "")).strip().replace(",", ".")
        if not value:
            return None
        if not re.fullmatch(r"\d{1,9}(\.\d{1,6})?", value):
            self.ask("number", f'"{value}" is not a plain number', f"for example --{name} 25", f"--{name}")
            return None
        if getattr(self.given, name):
            self.tell(name, value)
        return Decimal(value)

    def _note(self, unread: str = "") -> str:
        note = self.given.note or unread
        if note:
            self.tell("note", note)
        return note

    def _ask_unit(self, value: str, unit: str, field: str) -> None:
        example = {"in": "thou", "%": "%"}.get(unit, unit) or "mm"
        number = re.search(r"\d+ \d+/\d+|\d[\d./,]*", value)
        shown = number[0] if number else value
        self.ask("unit", f'"{value}" has no unit', f'write it with one, for example "{shown} {example}"', field)

    def effects(self) -> tuple[Effect, ...]:
        """What the step did to which symptom, as `effects_of` tells it."""
        told = effects_of(self.case, self.lexicon, self.given.symptoms, self.given.results, self.line.results, self.line.line)
        self.problems += told.problems
        for effect in told.effects:
            if effect.symptom:
                self.tell("for", effect.symptom)
            if self.given.results:
                self.tell("result", effect.result)
        if not told.effects and not told.problems:
            self.remarks.append("no result said; finish will ask for it")
        return told.effects
