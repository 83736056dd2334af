"""How steps and symptoms are told: invented sayings and dictated notes, learned from when notes are read.

`said_steps.txt` and `said_symptoms.txt` in `trade/data` hold single sentences under what they mean, `told.txt` whole
notes with what each of their sentences tells. They are plain text, so that anybody can add to them.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection
from contextlib import suppress
from functools import cache
from typing import Literal, NamedTuple

from casebase.retrieve import store
from casebase.retrieve.cache import shared_cache
from casebase.retrieve.sayings import OTHER, Sayings, read_examples
from casebase.trade import DATA

Subject = Literal["steps", "symptoms", "effects"]
SUBJECTS: tuple[Subject, ...] = ("steps", "symptoms", "effects")

# Chosen on notes held back: among some three hundred meanings single words must decide more than among five.
SMOOTHING: dict[Subject, float] = {"steps": 0.05, "symptoms": 0.05, "effects": 0.2}


FORMAT = 1  # of what is kept; one more when `Sayings` or their features change
_SOURCES: dict[Subject, tuple[str, str]] = {"steps": ("said_steps.txt", "told.txt"), "symptoms": ("said_symptoms.txt", "told.txt"),
                                            "effects": ("effects.txt", "told.txt")}
_RESULT = re.compile(r"effect (cured|better|no change|worse) (.+ / .+)")


class ToldSentence(NamedTuple):
    """A sentence of a note with the `items` it tells, such as "check air filter bad" or "symptom surges"."""

    text: str
    items: tuple[str, ...]

    def tells(self, subject: Subject) -> list[str]:
        """What it tells, as labels of `sayings`: "check air filter", "do replace belt"; or symptoms; or results."""
        if subject == "effects":
            return list(dict.fromkeys(found[1] for item in self.items if (found := _RESULT.match(item))))
        if subject == "symptoms":
            return [item.removeprefix("symptom ") for item in self.items if item.startswith("symptom ")]
        return [_without_values(item) for item in self.items if item.split()[0] in ("check", "set", "do")]

    @property
    def effects(self) -> list[str]:
        """What was done, to which symptom and with which result: "do replace belt / drive slips / cured"."""
        return [f"{found[2]} / {found[1]}" for item in self.items if (found := _RESULT.match(item))]

    @property
    def goes_on(self) -> bool:
        """Whether it goes on telling a step of the sentence before."""
        return any(item.startswith("more ") for item in self.items)


def _without_values(item: str) -> str:
    kind, label = item.split(" ", 1)
    if kind == "check":
        return f"check {label.rsplit(' ', 1)[0]}"
    if kind == "set":
        words = label.split()
        known = _settings()
        return "set " + next(" ".join(words[:count]) for count in range(len(words), 0, -1) if " ".join(words[:count]) in known)
    return item


@cache
def _settings() -> frozenset[str]:
    return frozenset(label.removeprefix("set ") for label in read_examples(DATA / "said_steps.txt") if label.startswith("set "))


@cache
def told_stories() -> dict[str, tuple[ToldSentence, ...]]:
    """The notes of `told.txt` by name."""
    found: dict[str, list[ToldSentence]] = {}
    sentences: list[ToldSentence] = []
    for line in (DATA / "told.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("=== "):
            sentences = found.setdefault(line[4:].strip(), [])
        elif line.strip() and not line.startswith("#"):
            text, _bar, items = line.rpartition("|")
            sentences.append(ToldSentence(text.strip(), tuple(item.strip() for item in items.split(";") if item.strip())))
    return {name: tuple(sentences) for name, sentences in found.items()}


def sayings(subject: Subject, *, without: Collection[str] = ()) -> Sayings:
    """What is told of steps or of symptoms, `OTHER` for what tells neither; `without` the notes of these names."""
    examples = read_examples(DATA / _SOURCES[subject][0])
    other = examples.setdefault(OTHER, [])
    for name, story in told_stories().items():
        for sentence in story if name not in without else ():
            labels = sentence.tells(subject)
            for label in labels:
                examples[label].append(sentence.text)
            if not labels and not (subject == "steps" and sentence.goes_on):
                other.append(sentence.text)
    return Sayings.learn(examples, smoothing=SMOOTHING[subject])


@cache
def learned(subject: Subject) -> Sayings:
    """`sayings` from all there is; kept in the user's cache folder, since learning takes seconds."""
    key = hashlib.blake2b(b"".join((DATA / name).read_bytes() for name in _SOURCES[subject]), digest_size=12).hexdigest()
    path = shared_cache(f"sayings-{subject}-{FORMAT}")
    if path is not None:
        with suppress(store.Damaged, OSError):
            arrays, tables = store.load(path)
            if tables["key"] == key:
                return Sayings(tables["labels"], tables["features"], arrays)
    found = sayings(subject)
    if path is not None:
        with suppress(OSError):
            store.save(path, found.arrays, {"key": key, "labels": found.labels, "features": found.features})
    return found
