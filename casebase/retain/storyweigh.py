"""Steps and symptoms of a sentence, as the rules read them and as they are likely: what is taken, what is let go, what is added."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from casebase.retain.story import Sentence
from casebase.retain.storychoice import Choice, Context, Like, Likeness, accepted
from casebase.retain.storylearned import Subject
from casebase.retain.storyresults import Sight, before_and_after, results, tied
from casebase.retain.storystep import Told
from casebase.retain.storysteps import Reader
from casebase.retain.storyties import Symptoms
from casebase.trade.words import tokens

_OF_OWNER = "check months stored with fuel"  # what the owner tells is no look of the shop
_IN_SIGHT = 3  # so many pieces of work before a sentence may still be what it speaks of
# From these chances on a setting is taken: without a value, with the value it was left at, with both values.
ALONE, OF_A_VALUE, OF_A_CHANGE = 0.8, 0.3, 0.05
LIKELY = "{what} is likely, though not told in known words"


class Weighing:
    """Goes through a note sentence by sentence beside the rules; keeps what the sentence before was like."""

    def __init__(self, reader: Reader, choice: Choice) -> None:
        self.reader, self.choice = reader, choice
        self._sentence: Sentence | None = None
        self._now: dict[Subject, Likeness] = {}
        self._before: dict[Subject, Likeness] = {}
        self._numbers: dict[int, int] = {}

    def _turn_to(self, sentence: Sentence) -> None:
        if sentence is not self._sentence:
            self._numbers[id(sentence)] = len(self._numbers)
            self._before = self._now
            self._now = {"steps": self.choice.likeness("steps", sentence), "symptoms": self.choice.likeness("symptoms", sentence)}
            self._sentence = sentence

    def symptoms(self, sentence: Sentence, place: float, steps: Sequence[Told], known: Collection[str]) -> list[str]:
        """The symptoms a sentence most likely tells as being there, the likeliest first."""
        self._turn_to(sentence)
        read = {seen.label: seen.status for seen in sentence.observations if seen.kind == "symptom"}
        context = Context(place, _labels(steps), known, self._before.get("symptoms"))
        chances = self.choice.symptoms(sentence, self._now["symptoms"], read, context)
        by_label = {like.label: chance for like, chance in sorted(chances.items(), key=lambda item: -item[1])}
        taken = accepted("symptoms", by_label, [label for label, status in read.items() if status == "present" and not steps])
        return [label for label in by_label if label in taken or (not steps and read.get(label) == "present" and self._is_named(sentence, label))]

    def _is_named(self, sentence: Sentence, label: str) -> bool:
        """Whether a symptom is told in the very words of its label: "it surges"."""
        heads = [token.head for token in self.reader.lexicon.folding.fold(list(tokens(label)))]
        return any([sentence.folded[place].head for place in sorted(term.used)] == heads for term in sentence.of("symptom") if term.label == label)

    def steps(self, sentence: Sentence, told: Sequence[Told], place: float, steps: Sequence[Told], known: Collection[str]) -> list[Told]:
        """The steps of a sentence: of those `told` by the rules what is likely, and what else is."""
        self._turn_to(sentence)
        read = {label: bool(step.before or step.after) for step in told for label in _labels([step])}
        context = Context(place, _labels(steps), known, self._before.get("steps"))
        chances = self.choice.steps(sentence, self._now["steps"], read, context)
        taken = accepted("steps", {like.label: chance for like, chance in chances.items()}, read)
        kept, dropped = [], []
        for step in told:
            if terms := [term for term in step.terms if f"{step.kind} {term}" in taken]:
                step.terms = terms
                kept.append(step)
            else:
                dropped.append(step)
        for like in sorted(chances, key=lambda like: like.start):
            if like.label in taken and like.label not in read and like.label != _OF_OWNER and not like.label.startswith("set "):
                self._add(like, sentence, kept)
        self._settings({like: chance for like, chance in chances.items() if like.label.startswith("set ")}, taken, sentence, kept, dropped)
        return sorted(kept, key=lambda step: (step.start, step.end))

    def tie(self, sentence: Sentence, place: float, told: Sequence[Told], steps: Sequence[Told], symptoms: Symptoms, new: Collection[str],
            last: Told | None) -> bool:
        """Gives the results a sentence tells to the work in sight: those the rules tie, weighed, and what else is likely. True where
        there was any. Symptoms in `new` are told of here for the first time; `last` is the last work before."""
        self._turn_to(sentence)
        number = self._numbers[id(sentence)]
        repairs = [step for step in (*steps, *told) if step.kind != "check"][-(_IN_SIGHT + len(told)):]
        before = [dict(step.effects) for step in repairs]
        symptoms.tie(sentence, told, last, new)
        ages = [number - self._numbers.get(id(step.sentence), number) for step in repairs]
        sight = Sight(repairs, ages, dict(before_and_after(repairs, before)), symptoms, new, place)
        heard = tied(sentence, sight, before, results(self.choice, sentence, sight, self._now["symptoms"]))
        symptoms.settle((*steps, *told))
        return heard

    def _add(self, like: Like, sentence: Sentence, kept: list[Told]) -> None:
        """Adds a step that is only likely; work told in the same stretch was done in one go."""
        kind, label = like.label.split(" ", 1)
        beside = next((step for step in kept if step.kind == kind == "do" and like.start <= step.start < like.end), None)
        if beside is not None:
            beside.terms.append(label)
            return
        if kind == "check":
            step = Told("check", [label], sentence, like.start, like.end, found=sentence.text[like.start: like.end].strip(" ,.;:-"))
        else:
            step = Told("do", [label], sentence, like.start, like.end)
        self._keep(step, kept)

    def _keep(self, step: Told, kept: list[Told]) -> None:
        self.reader.fill(step, len(step.sentence.text))
        step.doubts.append(LIKELY.format(what=f"{step.kind} {step.terms[0]}"))
        kept.append(step)

    def _settings(self, chances: Mapping[Like, float], taken: Collection[str], sentence: Sentence, kept: list[Told], dropped: Sequence[Told]) -> None:
        """Gives each value of a sentence to one of its likely settings, the likeliest first; those the rules gave a value keep it.
        A change from one value to another is of some setting, also where none is likely by the words alone."""
        settings = self.reader.settings
        used = [(step.start, step.end) for step in kept if step.kind == "set" and (step.before or step.after)]
        misread = [step for step in dropped if step.kind == "set" and (step.before or step.after)]
        for like, chance in sorted(chances.items(), key=lambda item: -item[1]):
            label, likely = like.label.removeprefix("set "), like.label in taken
            read = [step for step in kept if step.kind == "set" and step.terms == [label]]
            if chance < OF_A_CHANGE or any(step.before or step.after or step.note for step in read):
                continue
            step = settings.at(sentence, label, like.start, used)
            if likely and not step.before and not step.after and misread and settings.alike(label, misread[0].terms[0]):
                other = misread.pop(0)
                step.before, step.after = other.before, other.after
            if step.before and not step.after:
                if likely:
                    settings.looked(step)
                continue
            if not (likely and (step.after or read)) and chance < (OF_A_CHANGE if step.before else OF_A_VALUE if step.after else ALONE):
                continue
            used += [(step.start, step.end)] if step.after else []
            if read:
                read[0].before, read[0].after = step.before, step.after
                continue
            settings.keep(step)
            self._keep(step, kept)


def _labels(steps: Sequence[Told]) -> list[str]:
    return [f"{step.kind} {term}" for step in steps for term in step.terms]
