"""Invented examples of how things are told: whole notes with what each sentence tells, questions with what each clause says.

They lie in `trade/data` as plain text, so that anybody can add to them. What is learned from them is kept in the user's
cache folder, since learning takes seconds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from functools import cache
from math import isclose
from typing import Literal, NamedTuple

from casebase.retrieve import store
from casebase.retrieve.cache import shared_cache
from casebase.retrieve.sayings import read_examples
from casebase.trade import DATA
from casebase.trade.numbers import number
from casebase.trade.readings import Reading, find_readings
from casebase.trade.worded import is_worded, worded_value

Subject = Literal["steps", "symptoms"]
Role = Literal["from", "to"]  # of a number: where a setting was found, where it was left

Learned = tuple[store.Arrays, Sequence[str]]  # arrays, and the labels they are about

FORMAT = 9  # of what is kept; one more when `Sayings` or their features change
NOTES = 4000  # twice as many teach words hardly better (F1 of steps .850 as well, of symptoms .766 for .764, on notes held back) and take twice as long
_SPEED = 800  # what is more may be told in hundreds or thousands: "thirty-six", "2.800"
_RESULT = re.compile(r"effect (cured|better|no change|worse) (.+ / .+)")


_listeners: list[Callable[[str], object]] = []


def tell_of_waits(say: Callable[[str], object]) -> None:
    """Has a sentence said before each wait for learning."""
    _listeners.append(say)


class SettingTold(NamedTuple):
    """A setting with the words of its values, as found and as left; empty for what is not said."""

    label: str
    before: str
    after: str

    def role(self, reading: Reading) -> Role | Literal["none"]:
        """Which of its values a number is."""
        return "from" if _is_value(reading, self.before) else "to" if _is_value(reading, self.after) else "none"


def _is_value(reading: Reading, words: str) -> bool:
    found = find_readings(words)
    value = found[0].value if found else worded_value(words) if is_worded(reading) else number(words)
    return bool(words) and (reading.text.strip().lower() in (words.lower(), words.lower().split(" to ")[0])
                            or (value is not None and any(isclose(value * times, reading.value, rel_tol=1e-4) for times in ((1, 100, 1000) if reading.value >= _SPEED else (1,)))))


class ToldSentence(NamedTuple):
    """A sentence of a note with the `items` it tells, such as "check air filter bad" or "symptom surges"."""

    text: str
    items: tuple[str, ...]

    def tells(self, subject: Subject) -> list[str]:
        """What it tells, as labels of `sayings`: "check air filter", "do replace belt"; or symptoms."""
        if subject == "symptoms":
            return [item.removeprefix("symptom ") for item in self.items if item.startswith("symptom ")]
        return [_without_values(item) for item in self.items if item.split()[0] in ("check", "set", "do")]

    @property
    def denies(self) -> list[str]:
        """The symptoms it says are not there, or no more."""
        return [item.removeprefix("absent ") for item in self.items if item.startswith("absent ")]

    @property
    def effects(self) -> list[str]:
        """What was done, to which symptom and with which result: "do replace belt / drive slips / cured"."""
        return [f"{found[2]} / {found[1]}" for item in self.items if (found := _RESULT.match(item))]

    @property
    def settings(self) -> list[SettingTold]:
        """The settings it tells, each with its values as said."""
        found = []
        for item in self.items:
            if item.startswith("set "):
                label = _without_values(item).removeprefix("set ")
                before, _arrow, after = item.removeprefix(f"set {label}").partition("->")
                found.append(SettingTold(label, before.strip(), after.strip()))
        return found

    @property
    def goes_on_with(self) -> list[str]:
        """The steps of other sentences that it goes on telling."""
        return [_without_verdict(item.removeprefix("more ")) for item in self.items if item.startswith("more ")]


def _without_values(item: str) -> str:
    kind, label = item.split(" ", 1)
    if kind == "check":
        return f"check {label.rsplit(' ', 1)[0]}"
    if kind == "set":
        words = label.split()
        known = _settings()
        return "set " + next(" ".join(words[:count]) for count in range(len(words), 0, -1) if " ".join(words[:count]) in known)
    return item


def _without_verdict(item: str) -> str:
    return item.rsplit(" ", 1)[0] if item.startswith("check ") and item.rsplit(" ", 1)[1] in ("ok", "bad", "unsure") else item


@cache
def _settings() -> frozenset[str]:
    return frozenset(label.removeprefix("set ") for label in read_examples(DATA / "said_steps.txt") if label.startswith("set "))


@cache
def asked_texts() -> tuple[tuple[ToldSentence, ...], ...]:
    """The questions of `asked.txt`, each clause with what it says."""
    blocks = (DATA / "asked.txt").read_text(encoding="utf-8").split("\n\n")
    texts = (tuple(_told(line) for line in block.splitlines() if line.strip() and not line.startswith("#")) for block in blocks)
    return tuple(text for text in texts if text)


def _told(line: str) -> ToldSentence:
    text, _bar, items = line.rpartition("|")
    return ToldSentence(text.strip(), tuple(item.strip() for item in items.split(";") if item.strip()))


@cache
def told_stories() -> dict[str, tuple[ToldSentence, ...]]:
    """The notes of `told.txt` by name."""
    found: dict[str, list[ToldSentence]] = {}
    sentences: list[ToldSentence] = []
    for line in (DATA / "told.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("=== "):
            sentences = found.setdefault(line[4:].partition(" | ")[0].strip(), [])
        elif line.strip() and not line.startswith("#"):
            sentences.append(_told(line))
    return {name: tuple(sentences) for name, sentences in found.items()}


def newest_notes(*, without: Collection[str] = ()) -> list[tuple[ToldSentence, ...]]:
    """The newest notes, enough for words to be learned from; `without` those of these names."""
    return [story for name, story in told_stories().items() if name not in without][-NOTES:]


@cache
def told_machines() -> dict[str, str]:
    """The kind of machine of each note of `told.txt`, "" where it is not said."""
    heads = (line[4:].partition(" | ") for line in (DATA / "told.txt").read_text(encoding="utf-8").splitlines() if line.startswith("=== "))
    return {name.strip(): kind.strip() for name, _bar, kind in heads}


def kept(name: str, sources: Sequence[str], learn: Callable[[], Learned]) -> Learned:
    """What was learned from the files `sources` of `trade/data`, from the cache where it was learned before."""
    states = [(DATA / source).stat() for source in sources]
    key = [[state.st_size, state.st_mtime_ns] for state in states]
    path = shared_cache(f"sayings-{name}-{FORMAT}")
    if path is not None:
        with suppress(store.Damaged, OSError):
            arrays, tables = store.load(path)
            if tables["key"] == key:
                return arrays, tables["labels"]
    for say in _listeners:
        say(f"learning once how {name} are told, some seconds")
    found = learn()
    if path is not None:
        with suppress(OSError):
            store.save(path, found[0], {"key": key, "labels": found[1]})
    return found
