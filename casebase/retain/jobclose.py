"""Finishing a job: what is still missing is taken from options or asked for, and all of it is written at once.

Nothing is invented: what a person does not know stays empty, and a safety check that was not done is not noted.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple, cast

from casebase.problems import Problem, Refused, did_you_mean, refuse
from casebase.record.case import OUTCOMES, RESULTS, Case, Check, Effect, Fault, Repair, Result, Setting, Step, Verdict
from casebase.record.edit import Changes
from casebase.retain.job import SeenBefore
from casebase.retain.stepeffects import own_name
from casebase.trade.terms import Vocabulary

SAFETY = ("fuel leak check", "attachment still at idle", "stop switch works", "blade stops on release")
"""The checks before a machine is handed back, where they apply to it."""

_NOT_DONE = ("not done", "skipped", "none", "no")
_REPAIRED = ("fixed", "partly fixed")
_HANDED_BACK = (*_REPAIRED, "no fault found")


class Answers(NamedTuple):
    """What was said in options. `results` and `symptoms` are "STEP: words"; `causes` are a cause, or "cause: symptom";
    `safety` is "ok" or "not done" for all, or "CHECK: ok". `comeback` None means not said."""

    results: tuple[str, ...] = ()
    symptoms: tuple[str, ...] = ()
    outcome: str = ""
    causes: tuple[str, ...] = ()
    proof: tuple[str, ...] = ()
    safety: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    comeback: bool | None = None


class Closing(NamedTuple):
    """What is to be written into the file, and what is worth a look."""

    changes: Changes
    remarks: tuple[str, ...]


def close(case: Case, vocabulary: Vocabulary, answers: Answers, ask: Callable[[str], str] | None,
          comeback: SeenBefore | None = None) -> Closing:
    """Gathers all that a finished job needs.

    Parameters: `ask` puts a question to a person and gives the answer; None where nobody is there to answer.
    Raises `Refused` for a closed job, for what cannot be, and with all that is missing where it cannot be asked for.
    """
    if case.status == "closed":
        raise refuse("closed", f"[{case.number}] is closed already", f"casebase edit {case.number} changes it",
                     field="JOB")
    return _Closer(case, vocabulary, answers, ask).close(comeback)


class _Closer:
    """One job being finished."""

    def __init__(self, case: Case, vocabulary: Vocabulary, answers: Answers, ask: Callable[[str], str] | None) -> None:
        self.case, self.vocabulary, self.answers, self.ask = case, vocabulary, answers, ask
        self.problems: list[Problem] = []
        self.remarks: list[str] = []
        # Who said all that is needed in options is not kept for what may stay open.
        self.talking = answers == Answers()

    def close(self, comeback: SeenBefore | None) -> Closing:
        effects = self._effects()
        after = Changes(effects=effects).of(self.case)
        outcome = self.case.outcome or self._outcome(after)
        faults = self._faults(after, outcome)
        proof = self._texts("proof", self.case.proof, outcome in _REPAIRED, "How was the cure proved? (none: not proved)")
        checks = self._safety(outcome) if outcome in _HANDED_BACK else ()
        advice = self._texts("advice", self.case.advice, False, "Advice to the owner? (Enter: none)")
        link = self._comeback(comeback)
        if self.problems:
            raise Refused(*self.problems)
        self._look_over(after, outcome)
        texts = {"status": "closed", **({"outcome": outcome} if not self.case.outcome else {}),
                 **({"comeback of": link} if link else {})}
        added = {key: values for key, values in (("proof", proof), ("advice", advice)) if values}
        return Closing(Changes(texts, added, checks, faults, effects), tuple(self.remarks))

    def _missing(self, what: str, hint: str, field: str) -> None:
        self.problems.append(Problem("missing", what, hint, field=field))

    def _put(self, prompt: str) -> str | None:
        """The answer to a question; None where nobody answers (any more)."""
        if self.ask is None:
            return None
        try:
            said = self.ask(prompt)
            self.talking = True
            return " ".join(said.split())
        except EOFError:
            self.ask = None
            return None

    def _until(self, prompt: str, read: Callable[[str], object | None]) -> object | None:
        """Asks until the answer can be read; None where nobody answers."""
        while True:
            said = self._put(prompt)
            if said is None:
                return None
            value = read(said)
            if value is not None:
                return value

    # --- which symptom each fix addressed, and what it did

    def _effects(self) -> dict[int, tuple[Effect, ...]]:
        given = {"--result": _numbered(self.answers.results), "--for": _numbered(self.answers.symptoms)}
        found: dict[int, tuple[Effect, ...]] = {}
        for number, step in enumerate(self.case.steps):
            if isinstance(step, Check):
                continue
            vague = len(self.case.symptoms) > 1 and any(not effect.symptom for effect in step.effects)
            if step.effects and not vague:
                continue
            results = given["--result"].pop(number + 1, []) if not step.effects else [step.effects[0].result]
            symptoms = given["--for"].pop(number + 1, [])
            name = f"Step {number + 1}, {step_name(step)}"
            result = self._result(name, number + 1, results)
            targets = self._targets(name, number + 1, symptoms) if result else ()
            if result and targets:
                found[number] = tuple(Effect(target, result) for target in targets)
        for option, left in given.items():
            for number in left:
                self.problems.append(Problem("step", f"step {number} has nothing to add, or is no change",
                                             "casebase show numbers the steps", field=option))
        return found

    def _result(self, name: str, number: int, said: Sequence[str]) -> Result | None:
        def read(text: str) -> str | None:
            near = [result for result in RESULTS if text and result.startswith(text.casefold())]
            return near[0] if near else None

        value = read(said[0]) if said else self._until(f"{name}: what came of it? ({', '.join(RESULTS)}) ", read)
        if value is None:
            self._missing(f"{name}: what came of it is not said", f'for example --result "{number}: cured"', "--result")
        return cast("Result | None", value)

    def _targets(self, name: str, number: int, said: Sequence[str]) -> tuple[str, ...]:
        symptoms = self.case.symptoms
        if len(symptoms) < 2:
            return symptoms or ("",)

        def read(text: str) -> tuple[str, ...] | None:
            if text.casefold() in ("all", "both"):
                return symptoms
            names = [symptoms[int(part) - 1] if re.fullmatch(r"[1-9]\d?", part) and int(part) <= len(symptoms) else
                     own_name(part, self.case, self.vocabulary) for part in map(str.strip, text.split(",")) if part]
            return tuple(names) if names and all(names) else None

        shown = ", ".join(f"{place} {symptom}" for place, symptom in enumerate(symptoms, 1))
        value = read(",".join(said)) if said else self._until(f"{name}: for which symptom? ({shown}) ", read)
        if value is None:
            self._missing(f"{name}: which symptom it was for is not said", " or ".join(
                f'--for "{number}: {symptom}"' for symptom in symptoms), "--for")
        return cast("tuple[str, ...] | None", value) or ()

    # --- how it ended

    def _outcome(self, after: Case) -> str:
        likely = likely_outcome(after)

        def read(text: str) -> str | None:
            text = text.casefold() or likely
            return text if text in OUTCOMES else None

        value = self.answers.outcome.strip().casefold()
        if value and value not in OUTCOMES:
            self.problems.append(Problem("choice", f'"{value}" is not an outcome', did_you_mean(value, OUTCOMES),
                                         field="--outcome"))
            return value
        if not value:
            suggested = f" (Enter: {likely})" if likely else ""
            value = str(self._until(f"Outcome? {', '.join(OUTCOMES)}{suggested} ", read) or "")
        if not value:
            self._missing("the outcome is not said", "add --outcome: " + ", ".join(OUTCOMES), "--outcome")
        return value

    def _faults(self, after: Case, outcome: str) -> tuple[Fault, ...]:
        if self.case.causes or outcome in ("no fault found", "declined"):
            return ()
        said: Sequence[str] | None = self.answers.causes
        if not said:
            hint = ", ".join(self._likely_causes(after)[:4])
            answer = self._put("Cause found? Several with a comma; Enter: not known" + (f" (perhaps {hint})" if hint else "")
                               + " ")
            if answer is None:
                self._missing("the cause is not said", 'add --cause "fuel line cracked", or --cause unknown', "--cause")
                return ()
            said = answer.split(",")
        return tuple(fault for text in said if text.strip() and text.strip().casefold() not in ("unknown", "not known")
                     if (fault := self._fault(text, after)))

    def _fault(self, text: str, after: Case) -> Fault | None:
        name, _, rest = (part.strip() for part in text.partition(":"))
        term = self.vocabulary.resolve("cause", name)
        if term is None:
            hint = self.vocabulary.suggestion("cause", name)
            self.remarks.append(f'cause "{name}" is not in the vocabulary; ' + (hint or "it counts as its own term"))
        label = term.label if term else name
        if not rest:
            return Fault(label, self._explained(label, after))
        explains = [own_name(part, self.case, self.vocabulary) for part in rest.split(",")]
        if not all(explains):
            self.problems.append(Problem("symptom", f'"{rest}" is not among the symptoms of this job',
                                         did_you_mean(rest, self.case.symptoms), field="--cause"))
            return None
        return Fault(label, tuple(explains))

    def _explained(self, cause: str, after: Case) -> tuple[str, ...]:
        """What a cause explains: the only symptom, else those that an action cured which removes this cause."""
        if len(self.case.symptoms) == 1:
            return self.case.symptoms
        cured = {effect.symptom for step in after.repairs() if isinstance(step, Repair) and any(
            (term := self.vocabulary.resolve("action", action)) and cause in term.cures for action in step.actions)
            for effect in step.effects if effect.result == "cured"}
        return tuple(symptom for symptom in self.case.symptoms if symptom in cured)

    def _likely_causes(self, after: Case) -> list[str]:
        """The causes that the bad checks point to and a curing action removes, for a hint only."""
        removed = [cause for step in after.repairs() if isinstance(step, Repair)
                   and any(effect.result == "cured" for effect in step.effects) for action in step.actions
                   if (term := self.vocabulary.resolve("action", action)) for cause in term.cures]
        bad = {cause for step in after.steps if isinstance(step, Check) and step.verdict == "bad"
               and (term := self.vocabulary.resolve("check", step.check)) for cause in term.points_to}
        return [cause for cause in dict.fromkeys(removed) if cause in bad] or list(dict.fromkeys(removed))

    def _texts(self, field: str, there: tuple[str, ...], needed: bool, prompt: str) -> tuple[str, ...]:
        said = getattr(self.answers, field)
        if not said and not there:
            answer = self._put(prompt + " ") if needed or (field == "advice" and self.talking) else ""
            if answer is None and needed:
                self._missing(f"{field} is not said", f'add --{field} "ran ten minutes under load", or --{field} none',
                              f"--{field}")
            elif answer == "" and needed:
                self.remarks.append(f"no {field} is noted")
            said = (answer,) if answer else ()
        return tuple(" ".join(text.split()) for text in said if text.strip() and text.strip().casefold() != "none")

    # --- is it safe to hand back

    def _safety(self, outcome: str) -> tuple[Step, ...]:
        said = self._safety_said()
        steps: list[Step] = []
        for label in safety_checks(self.case, self.vocabulary):
            prompt = f"Before it goes back, {label}: ok, bad or not done? "
            value = said.get(label) or said.get("") or self._until(prompt, _safety_word)
            if value is None:
                self._missing(f"{label}: not said", f'add --safety ok for all, or --safety "{label}: ok"; "not done" where '
                              "it was not", "--safety")
            elif value == "not done":
                self.remarks.append(f"{label}: not done before hand-over")
            else:
                steps.append(Check(label, "", cast("Verdict", value)))
                if value == "bad" and outcome == "fixed":
                    self.problems.append(Problem("unsafe", f"{label} is bad, so the job is not fixed", "make it safe and "
                                                 "log what was done, or give another --outcome", field="--safety"))
        return tuple(steps)

    def _safety_said(self) -> dict[str, str]:
        found = {}
        for text in self.answers.safety:
            name, _, word = (part.strip() for part in text.rpartition(":"))
            term = self.vocabulary.resolve("check", name) if name else None
            value = _safety_word(word)
            if value is None or (name and (term is None or term.label not in SAFETY)):
                self.problems.append(Problem("choice", f'"{text}" is no answer to a safety check', 'write "ok", or '
                                             f'"{SAFETY[0]}: ok"; the checks are {", ".join(SAFETY)}', field="--safety"))
            else:
                found[term.label if term else ""] = value
        return found

    def _comeback(self, comeback: SeenBefore | None) -> str:
        """The id of the earlier job this one is a comeback of; it is linked unless a person says it is none."""
        if comeback is None or self.case.comeback_of or self.answers.comeback is False:
            return ""
        earlier = comeback.case
        if self.answers.comeback is None and self.talking:
            said = self._put(f"The same machine was here {comeback.days} days before, [{earlier.number}] {earlier.title}. "
                             "Is this a comeback? (y, n; Enter: y) ")
            if said and said[0].casefold() == "n":
                return ""
        self.remarks.append(f"linked as a comeback of [{earlier.number}]; if it is none, take the line out")
        return earlier.id

    def _look_over(self, after: Case, outcome: str) -> None:
        cured = {effect.symptom for step in after.repairs() for effect in step.effects if effect.result == "cured"}
        left = [symptom for symptom in self.case.symptoms if symptom not in cured]
        if outcome == "fixed" and left and "" not in cured:
            self.remarks.append(f"the outcome is fixed, but no step says what cured {' and '.join(left)}")


def likely_outcome(case: Case) -> str:
    """What the results of the steps come to; "" where no step has one."""
    cured = {effect.symptom for step in case.repairs() for effect in step.effects if effect.result == "cured"}
    tried = any(step.effects for step in case.repairs())
    if cured and ("" in cured or cured >= set(case.symptoms)):
        return "fixed"
    better = any(effect.result == "better" for step in case.repairs() for effect in step.effects)
    return "partly fixed" if cured or better else "not fixed" if tried else ""


def safety_checks(case: Case, vocabulary: Vocabulary) -> tuple[str, ...]:
    """The safety checks that apply to the machine and were not made since the last change."""
    last = max((number for number, step in enumerate(case.steps) if not isinstance(step, Check)), default=-1)
    made = {vocabulary.label("check", step.check) for step in case.steps[last + 1:] if isinstance(step, Check) and step.verdict}
    kind = vocabulary.label("machine", case.machine.kind)
    terms = (vocabulary.resolve("check", label) for label in SAFETY)
    return tuple(term.label for term in terms if term and term.applies(machine=kind) and term.label not in made)


def step_name(step: Setting | Repair) -> str:
    return f"set {step.setting}" if isinstance(step, Setting) else " + ".join(step.actions)


def _safety_word(text: str) -> str | None:
    text = text.strip().casefold()
    return text if text in ("ok", "bad") else "not done" if text in _NOT_DONE else None


def _numbered(texts: Sequence[str]) -> dict[int, list[str]]:
    """ "4: cured" by step. Raises `Refused` where the number is missing."""
    found: dict[int, list[str]] = {}
    for text in texts:
        number, colon, words = (part.strip() for part in text.partition(":"))
        if not colon or not re.fullmatch(r"\d{1,4}", number):
            raise refuse("step", f'"{text}" does not say which step', 'write "4: cured"; casebase show numbers the steps',
                         field="--result or --for")
        found.setdefault(int(number), []).append(words)
    return found
