"""What clauses and numbers of a note are like, learned from the examples of how steps, symptoms and settings are told."""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from typing import Literal

from casebase.retain.storychanges import numbers_in, window
from casebase.retrieve import examples
from casebase.retrieve.examples import asked_texts, newest_notes
from casebase.retrieve.sayings import OTHER, Sayings, read_examples
from casebase.trade import DATA
from casebase.trade.terms import package_vocabulary

Subject = Literal["steps", "symptoms", "roles"]
SUBJECTS: tuple[Subject, ...] = ("steps", "symptoms", "roles")
BACK = 3  # so many sentences before, a value as found may be told

# Chosen on notes held back: among some three hundred meanings single words must decide more than among five.
SMOOTHING: dict[Subject, float] = {"steps": 0.05, "symptoms": 0.05, "roles": 0.2}
_SOURCES: dict[Subject, tuple[str, ...]] = {"steps": ("said_steps.txt", "told.txt"), "symptoms": ("said_symptoms.txt", "told.txt", "asked.txt"),
                                            "roles": ("told.txt",)}


def sayings(subject: Subject, *, without: Collection[str] = ()) -> Sayings:
    """What is told of steps or of symptoms, `OTHER` for what tells neither; `without` the notes of these names."""
    if subject == "roles":
        return Sayings.learn(_role_examples(without), smoothing=SMOOTHING[subject])
    clauses = read_examples(DATA / _SOURCES[subject][0])
    other = clauses.setdefault(OTHER, [])
    told = [sentence for story in newest_notes(without=without) for sentence in story]
    if subject == "symptoms":
        told += (clause for text in asked_texts() for clause in text)
    for sentence in told:
        labels = sentence.tells(subject)
        for label in labels:
            clauses[label].append(sentence.text)
        if not labels and not (subject == "steps" and sentence.goes_on_with):
            other.append(sentence.text)
    return Sayings.learn(clauses, smoothing=SMOOTHING[subject])


def _role_examples(without: Collection[str]) -> dict[str, list[str]]:
    """The words around each number that may be a value of a setting that was told, under its role."""
    settings = package_vocabulary().terms["setting"]
    found: dict[str, list[str]] = {"from": [], "to": [], "none": []}
    for story in newest_notes(without=without):
        for place, told in enumerate(story):
            for setting in told.settings:
                unit = settings[setting.label].unit
                for sentence in story[max(0, place - BACK): place + 1]:
                    numbers = numbers_in(sentence.text, unit)
                    for position, reading in enumerate(numbers):
                        role = setting.role(reading)
                        found["none" if role == "to" and sentence is not told else role].append(window(sentence.text, numbers, position))
    return found


@cache
def learned(subject: Subject) -> Sayings:
    """`sayings` from all there is."""
    arrays, labels = examples.kept(subject, _SOURCES[subject], lambda: sayings(subject).learned)
    return Sayings(labels, arrays)
