"""Which symptom a result is about. Where a job has two open ones and none is named, that is asked back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, cast

from casebase.problems import Problem, did_you_mean
from casebase.record.case import RESULTS, Case, Effect, Result
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.understand import understand
from casebase.reuse.jobstate import open_symptoms
from casebase.trade.terms import Vocabulary


class Told(NamedTuple):
    """What a step did, or what has to be asked back."""

    effects: tuple[Effect, ...]
    problems: tuple[Problem, ...] = ()


def effects_of(case: Case, lexicon: Lexicon, symptoms: Sequence[str], results: Sequence[str],
               read: Sequence[tuple[str, str]], line: str) -> Told:
    """The effects that a line and its options tell.

    Parameters: `symptoms` and `results` as given in options, a result perhaps as "symptom: result"; `read` are the
    results read in the line, each with the clause it stands in.
    """
    problems: list[Problem] = []
    said = [_parted(text) for text in results] or [("", result) for result, _clause in read]
    clauses = [""] * len(said) if results else [clause for _result, clause in read]
    for_all = [own for name in symptoms if (own := _own(name, case, lexicon.vocabulary, problems))]
    effects: dict[str, Result] = {}
    for (symptom, words), clause in zip(said, clauses, strict=True):
        result = _result(words, problems)
        named = [_own(symptom, case, lexicon.vocabulary, problems)] if symptom else named_in(clause, case, lexicon)
        targets = named or for_all or _meant(case, lexicon, line, words, problems)
        for target in targets if result else ():
            if target is None:
                continue
            if effects.get(target, result) != result:
                problems.append(_two(target, effects[target], words))
            effects[target] = cast("Result", result)
    if symptoms and not said:
        problems.append(Problem("missing", "a symptom is named, but not what became of it",
                                "add --result " + ", ".join(RESULTS), field="--for"))
    return Told(tuple(Effect(symptom, result) for symptom, result in effects.items()), tuple(problems))


def _parted(text: str) -> tuple[str, str]:
    symptom, colon, result = text.rpartition(":")
    return (symptom.strip(), result.strip()) if colon else ("", text.strip())


def _result(words: str, problems: list[Problem]) -> str:
    if words.casefold() in RESULTS:
        return words.casefold()
    problems.append(Problem("choice", f'"{words}" is not a result', did_you_mean(words, RESULTS), field="--result"))
    return ""


def _two(symptom: str, one: str, other: str) -> Problem:
    return Problem("twice", f'"{symptom}" has two results: {one} and {other}', "say the last one only", field="--result")


def own_name(name: str, case: Case, vocabulary: Vocabulary) -> str:
    """The symptom of the case that `name` means, as the case writes it, or ""."""
    wanted = vocabulary.label("symptom", " ".join(name.split())).casefold()
    return next((own for own in case.symptoms if own.casefold() == name.strip().casefold()
                 or vocabulary.label("symptom", own).casefold() == wanted), "")


def _own(name: str, case: Case, vocabulary: Vocabulary, problems: list[Problem]) -> str | None:
    own = own_name(name, case, vocabulary)
    if own:
        return own
    near = did_you_mean(name, case.symptoms)
    hint = (f"{near}; " if near else "") + (
        f'casebase edit {case.number} --field symptoms --value "{vocabulary.label("symptom", name)}" adds it')
    problems.append(Problem("symptom", f'"{name}" is not among the symptoms of this job', hint, field="--for"))
    return None


def named_in(text: str, case: Case, lexicon: Lexicon) -> list[str | None]:
    """The symptoms of the case that a text names, in the order of the case; "both" and "all" name the open ones."""
    if not any(char.isalnum() for char in text):
        return []
    words = text.casefold()
    seen = understand(text, lexicon).observations
    labels = {item.label for item in seen if item.kind == "symptom"}
    found = [own for own in case.symptoms
             if own.casefold() in words or lexicon.vocabulary.label("symptom", own) in labels]
    if not found and any(word in words.split() for word in ("both", "all", "everything")):
        found = list(open_symptoms(case))
    return list(found)


def _meant(case: Case, lexicon: Lexicon, line: str, result: str, problems: list[Problem]) -> Sequence[str | None]:
    """The symptoms a result without any is about: those of the line, else the only one open."""
    named = named_in(line, case, lexicon)
    if named:
        return named
    if not case.symptoms:
        return [""]
    left = open_symptoms(case)
    if len(left) == 1 or len(case.symptoms) == 1:
        return left or case.symptoms
    choice = left or case.symptoms
    problems.append(Problem(
        "which-symptom", f'"{result}" is said, but not of which symptom; this job has ' + " and ".join(choice),
        " or ".join(f'--for "{symptom}"' for symptom in choice) + ', or say it in the line', field="--for"))
    return []
