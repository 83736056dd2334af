"""Steps and symptoms of a sentence, as the rules read them and as they are likely: what is taken, what is let go, what is added."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

from casebase.record.case import Result
from casebase.retain import storyworks
from casebase.retain.story import Sentence, clauses
from casebase.retain.storybecame import settled
from casebase.retain.storychoice import SHORT, Choice, Context, Like, Likeness, accepted, only_found
from casebase.retain.storycues import is_by_me, is_history, is_work_of_others, tells_of_a_run
from casebase.retain.storyencoded import Encoded
from casebase.retain.storyfindings import trimmed
from casebase.retain.storyresults import Tale, Tie, Work, put
from casebase.retain.storyroles import About, Candidate, Place, SettingValues, values
from casebase.retain.storystep import Told
from casebase.retain.storysteps import Reader
from casebase.retain.storysymptoms import Heard, Hearing, heard
from casebase.retain.storyties import Symptoms
from casebase.retain.storytwice import SET_BY, told_once
from casebase.retain.storyworks import CONTENDS, Contender, is_likely, without_unlikely
from casebase.trade.words import tokens

_OF_OWNER = "check months stored with fuel"  # what the owner tells is no look of the shop
_HAND_HELD = ("string trimmer", "chainsaw", "hedge trimmer", "blower")
_SPEEDS, _SPEEDS_HELD = (2000, 2600), (3500, 4500)  # rpm: slower is no full throttle, faster no idle (common practice, no source); of hand-held machines
_SAYS_WHICH = re.compile(r"\bidl\w*|\btick|\bfull|\bflat out\b|\bwide open\b|\btop\b|\bgovern", re.IGNORECASE)
_SPEED_LABELS = ("idle speed", "full-throttle speed")
_GAPS, _POINT_GAP = ("ignition air gap", "plug gap"), "breaker point gap"
_OF_POINTS = re.compile(r"\b(?:points|contacts|breaker)\b", re.IGNORECASE)
_OF_OTHERS = re.compile(r"\b(?:plug|electrode|coil|armature|module|magnet|air gap)s?\b", re.IGNORECASE)
_GAP_SINCE = 4  # so many sentences before may say of what a gap is; of the gaps of told.txt 323 of 333 of points are known so, and none of 2,633 others is taken for one
_TO_RATIO = re.compile(r"(?:\bone to|\b1 ?(?:to|:)) ?$", re.IGNORECASE)
_RATIO = re.compile(r" ?(?:to (?:one|1)\b|: ?1\b)", re.IGNORECASE)
TRIED, TRIED_SAID, TRIED_BY_OTHERS, TRIED_BY_ME = -0.4, -1.2, -5.0, 1.4  # log-odds from which a sentence tells what was tried before: plainly, in known words or before any work, by somebody else, where "I" stands in it
DENIED, DENIED_READ = 0.5, -3.0  # log-odds from which a sentence says that a symptom is not there: by itself, and where the rules read it so
PROOF, ADVICE, CAUSE = -2.0, -0.75, -0.25  # log-odds from which a sentence of the second half tells of a final test, one advises, one names a cause
LIKELY = "{what} is likely, though not told in known words"


class Weighing:
    """Goes through a note sentence by sentence beside the rules; symptoms and results are weighed again over the whole."""

    def __init__(self, reader: Reader, choice: Choice, parts: Sequence[Sentence], machine: str) -> None:
        self.reader, self.choice, self.parts, self.machine = reader, choice, parts, machine
        self._encoded = Encoded([clauses(part.text) for part in parts])
        self._steps = [choice.likeness("steps", part, self._encoded.likely("steps", number)) for number, part in enumerate(parts)]
        self._symptoms = [choice.likeness("symptoms", part, self._encoded.likely("symptoms", number)) for number, part in enumerate(parts)]
        self._numbers = {id(part): number for number, part in enumerate(parts)}
        self._hearings: list[Hearing] = []
        self._tied: list[tuple[int, Told, str, Result]] = []
        self._contenders: list[Contender] = []
        self._found: list[tuple[int, int, int]] = []  # numbers that were where a setting was found: the sentence, and their characters

    def tried(self, number: int, *, worked: bool) -> list[str] | None:
        """The actions that a sentence most likely tells as tried before the machine came in; None where it does not tell of that.
        `worked` is whether the shop did something by then."""
        text = self.parts[number].text
        others = not worked and is_work_of_others(text)
        least = TRIED_BY_ME if is_by_me(text) else TRIED_BY_OTHERS if others else TRIED_SAID if is_history(text) or not worked else TRIED
        if self._encoded.tried[number] < least:
            return None
        return [label.removeprefix("do ") for label, odds in self._encoded.likely("steps", number).items() if label.startswith("do ") and odds.whole > 0]

    def _context(self, number: int, likeness: Sequence[Likeness], steps: Sequence[Told], known: Collection[str]) -> Context:
        return Context(self.machine, number / len(self.parts), _labels(steps), known, likeness[number - 1] if number else None,
                       likeness[number + 1] if number + 1 < len(likeness) else None)

    def symptoms(self, number: int, steps: Sequence[Told], known: Collection[str]) -> list[str]:
        """The symptoms a sentence most likely tells as being there, the likeliest first."""
        sentence = self.parts[number]
        read = {seen.label: seen.status for seen in sentence.observations if seen.kind == "symptom"}
        chances = self.choice.symptoms(sentence, self._symptoms[number], read, self._context(number, self._symptoms, steps, known))
        by_label = {like.label: chance for like, chance in sorted(chances.items(), key=lambda item: -item[1])}
        taken = accepted("symptoms", by_label, [label for label, status in read.items() if status == "present" and not steps])
        named = [label for label in by_label if not steps and read.get(label) == "present" and self._is_named(sentence, label)]
        told = [label for label in by_label if label in taken or label in named]
        self._hearings.append(Hearing(sentence, by_label, told, named))
        return told

    def absent(self, number: int) -> dict[str, str]:
        """The symptoms that a sentence says are not there, each with a doubt, "" where the rules read it so."""
        odds = self._encoded.absent_from(number)
        read = [seen.label for seen in self.parts[number].observations if seen.kind == "symptom" and seen.status == "absent"]
        found = {label: "" for label in read if odds.get(label, 0.0) > DENIED_READ}
        return found | {label: LIKELY.format(what="this") for label, of_label in odds.items() if of_label > DENIED and label not in found}

    def proves(self, number: int) -> bool:
        """Whether a sentence most likely tells of a final test."""
        return bool(2 * number > len(self.parts) and self._encoded.proof[number] > PROOF and tells_of_a_run(self.parts[number].text))

    def advises(self, number: int) -> bool:
        """Whether a sentence most likely tells the owner what to do."""
        return bool(self._encoded.advice[number] > ADVICE)

    def causes(self, number: int) -> list[str]:
        """The causes that a sentence most likely tells."""
        return [label for label, odds in self._encoded.cause_odds(number).items() if odds > CAUSE]

    def heard(self, steps: Sequence[Told]) -> list[Heard]:
        """The symptoms of the whole note, once its steps are known."""
        work = [(self._numbers[id(step.sentence)], label) for step in steps if step.kind != "check" for label in _labels([step])]
        return heard(self.choice, self._hearings, work, self._encoded, self.machine)

    def _is_named(self, sentence: Sentence, label: str) -> bool:
        """Whether a symptom is told in the very words of its label: "it surges"."""
        heads = [token.head for token in self.reader.lexicon.folding.fold(list(tokens(label)))]
        return any([sentence.folded[place].head for place in sorted(term.used)] == heads for term in sentence.of("symptom") if term.label == label)

    def steps(self, number: int, told: Sequence[Told], steps: Sequence[Told], known: Collection[str]) -> list[Told]:
        """The steps of a sentence: of those `told` by the rules what is likely, and what else is."""
        sentence = self.parts[number]
        read = {label: bool(step.before or step.after) for step in told for label in _labels([step])}
        chances = self.choice.steps(sentence, self._steps[number], read, self._context(number, self._steps, steps, known),
                                    lambda like: self._values(like, number, told).valued)
        by_label = {like.label: chance for like, chance in chances.items()}
        taken = accepted("steps beside", by_label, read)
        self._contenders += (Contender(number, sentence, like, chance, like.label in taken, like.label in read) for like, chance in chances.items()
                             if not like.label.startswith("check ") and (chance >= CONTENDS or like.label in taken))
        kept = []
        for step in told:
            if terms := [term for term in step.terms if f"{step.kind} {term}" in taken]:
                step.terms = terms
                step.chance = max(by_label[f"{step.kind} {term}"] for term in terms)
                kept.append(step)
        for like in sorted(chances, key=lambda like: like.start):
            unread = like.label in taken and like.label not in read and not like.label.startswith("set ")
            if unread and like.label != _OF_OWNER and not self._is_only_found(like, sentence, kept):
                self._add(like, sentence, kept, chances[like])
        settings = [like for like in chances if like.label in taken and like.label.startswith("set ")]
        order = {like: (read is None, (read or like).start) for like in settings for read in [_as_read(like, kept)]}
        self._settings({like: chances[like] for like in sorted(settings, key=order.__getitem__)}, number, kept)
        return sorted(kept, key=lambda step: (step.start, step.end))

    def work(self, steps: Sequence[Told], told: Sequence[Heard]) -> list[Told]:
        """The steps of a note that tells these symptoms, its work weighed once more beside all of it; a short one is taken at its word."""
        if len(self.parts) <= SHORT:
            return list(steps)
        found = storyworks.chances(self.choice, self._contenders, self._encoded, {symptom.label: symptom.numbers for symptom in told})
        kept = without_unlikely(steps, found)
        for one in [one for one, chance in found.items() if is_likely(chance) and not one.taken]:
            here = [step for step in kept if one.sentence in (step.sentence, *step.more)]
            known = len(here)
            if one.like.label not in _labels(here) and not self._is_only_found(one.like, one.sentence, here):
                self._add(one.like, one.sentence, here, found[one])
            kept += here[known:]
        return sorted(kept, key=lambda step: (self._numbers[id(step.sentence)], step.start))

    def _is_only_found(self, like: Like, sentence: Sentence, told: Sequence[Told]) -> bool:
        """Whether what may be work is only a finding, which one of the steps `told` mends: "found the needle worn, fitted a kit"."""
        if not only_found(sentence.text[like.start: like.end], like.label):
            return False
        terms = self.choice.vocabulary.terms["action"]
        cures = terms[like.label.removeprefix("do ")].cures
        return any(not set(cures).isdisjoint(terms[action].cures) for step in told if step.kind == "do" for action in step.terms)

    def tie(self, number: int, told: Sequence[Told], steps: Sequence[Told], symptoms: Symptoms, new: Collection[str], last: Told | None) -> None:
        """Notes what the rules tie in a sentence to the work in sight. Symptoms in `new` are told of
        here for the first time; `last` is the last work before."""
        works = [step for step in (*steps, *told) if step.kind != "check"]
        before = [dict(step.effects) for step in works]
        symptoms.tie(self.parts[number], told, last, new)
        symptoms.settle((*steps, *told))
        self._tied += ((number, step, symptom, result) for step, old in zip(works, before, strict=True)
                       for symptom, result in step.effects.items() if old.get(symptom) != result)

    def once(self, steps: Sequence[Told]) -> list[Told]:
        """The steps of the whole note, each told once, with the likeliest verdict of a look where none was read."""
        kept = told_once(steps, self.parts, self.choice.vocabulary.terms["setting"])
        for step in kept:
            if step.kind == "check" and step.verdict is None:
                self._judge(step)
        return kept

    def _judge(self, step: Told) -> None:
        odds = self._encoded.verdict(self._numbers[id(step.sentence)], f"check {step.terms[0]}")
        verdict = max(odds, key=odds.__getitem__)
        step.verdict = verdict
        step.doubts.append(LIKELY.format(what=f'"{verdict}"'))

    def results(self, steps: Sequence[Told], symptoms: Symptoms, told: Sequence[Heard]) -> None:
        """Gives the work of the whole note the results its sentences most likely tell of the symptoms that were `told`."""
        done = [step for step in steps if step.kind != "check"]
        restored = {step: first for step in done if (first := _put_back(step, done))}  # what the rules tie to it is told of the first
        for step in restored:
            step.forget_effects()
        works = [Work(step, self._numbers[id(step.sentence)]) for step in done if step not in restored]
        proposed = [Tie(number, place, symptom, result) for number, tied, symptom, result in self._tied for step in [restored.get(tied, tied)]
                    for place, work in enumerate(works) if work.step is step or step in work.step.again]
        tale = Tale(self.choice, self.parts, self._encoded, self._symptoms, works, told, proposed, symptoms)
        put(settled(tale), tale)
        symptoms.settle(steps)

    def _add(self, like: Like, sentence: Sentence, kept: list[Told], chance: float) -> None:
        """Adds a step that is only likely; work told in the same stretch was done in one go."""
        kind, label = like.label.split(" ", 1)
        beside = next((step for step in kept if step.kind == kind == "do" and like.start <= step.start < like.end), None)
        if beside is not None:
            beside.terms.append(label)
            beside.chance = max(beside.chance, chance)
            return
        if kind == "check":
            step = Told("check", [label], sentence, like.start, like.end, found=trimmed(sentence.text[like.start: like.end]), chance=chance)
        else:
            step = Told("do", [label], sentence, like.start, like.end, chance=chance)
        self._keep(step, kept)

    def _keep(self, step: Told, kept: list[Told]) -> None:
        self.reader.fill(step, len(step.sentence.text))
        step.doubts.append(LIKELY.format(what=f"{step.kind} {step.terms[0]}"))
        kept.append(step)

    def _values(self, like: Like, number: int, told: Sequence[Told], places: Collection[Place] = ()) -> SettingValues:
        """The values of a likely setting; those at `places` are of another."""
        label = like.label.removeprefix("set ")
        read = _as_read(like, told)
        about = About(label, number, (read.start, read.end) if read else (like.start, like.end), (read.before, read.after) if read else ("", ""),
                      self.parts, self._encoded, places)
        return values(self.choice, about)

    def _settings(self, likely: Mapping[Like, float], number: int, kept: list[Told]) -> None:
        """Gives each value of a sentence to one of its likely settings, first to those that the rules read, in the order in which they are told."""
        earlier: list[Place] = [(number - sentence, start, end) for sentence, start, end in self._found if sentence < number]
        places = [(0, *span) for step in kept if _put_back(step, kept) and (span := _span_of_after(step))]
        for like, chance in likely.items():
            read = _as_read(like, kept)
            found = self._values(like, number, kept, [*earlier, *places])
            if read and read.note:
                if not (found.before and found.after):
                    continue
                read.note = ""  # "it went down an inch, so I set it to half an inch" does not tell by how much it was moved
            if found.valued.left_alone:
                kept[:] = [step for step in kept if step is not read]
                continue
            label = like.label.removeprefix("set ")
            if read is None and (found.is_same or (not found.after and (places or label.endswith(" torque") or not (found.before or label in SET_BY)))):
                continue  # it was right as found, its value was another's, or none is told of what is no setting without
            if read and found.is_same:  # put back to where it was: that it was not found there is for the rules to say
                found, read.before = SettingValues(None, None if read.before and read.after else found.after, found.valued), ""
            told = read or Told("set", [label], self.parts[number], like.start, like.end, chance=chance)
            _fill(told, found, self.choice.vocabulary.terms["setting"][told.terms[0]].unit)
            self._which_speed(told, found)
            self._which_gap(told, number)
            places += (one.place for one in (found.before, found.after) if one)
            if found.before:
                self._found.append((number - found.before.back, found.before.reading.start, found.before.reading.end))
            if read is None:
                self.reader.settings.keep(told)
                self._keep(told, kept)

    def _which_speed(self, step: Told, found: SettingValues) -> None:
        """A speed told without saying which is that of full throttle where no idle is so fast; small two-strokes idle faster."""
        slowest, fastest = _SPEEDS_HELD if self.machine in _HAND_HELD else _SPEEDS
        if found.after and step.terms[0] in _SPEED_LABELS and found.after.reading.value >= 1000 and not _SAYS_WHICH.search(step.sentence.text):
            if step.terms[0] == "idle speed" and found.after.reading.value > fastest:
                step.terms = ["full-throttle speed"]
            elif step.terms[0] == "full-throttle speed" and found.after.reading.value < slowest:
                step.terms = ["idle speed"]

    def _which_gap(self, step: Told, number: int) -> None:
        """A gap told without saying which is that of the points where they were spoken of last: "The points were burned, I filed them. It was thirty thou, I made it twenty"."""
        if step.terms[0] in _GAPS:
            said = next((part.text for part in reversed(self.parts[max(0, number - _GAP_SINCE): number + 1]) if _OF_POINTS.search(part.text) or _OF_OTHERS.search(part.text)), "")
            if said and not _OF_OTHERS.search(said):
                step.terms = [_POINT_GAP]


def _as_read(like: Like, told: Sequence[Told]) -> Told | None:
    """A likely setting as the rules read it in the same sentence."""
    return next((step for step in told if step.kind == "set" and f"set {step.terms[0]}" == like.label), None)


def _put_back(step: Told, told: Sequence[Told]) -> Told | None:
    """The first telling of a setting that is told again in the same sentence: "I opened it to two turns, that made it worse, so back to one"."""
    return next((other for other in told if step.kind == "set" == other.kind and other.terms == step.terms and other.sentence is step.sentence and other.start < step.start), None)


def _span_of_after(step: Told) -> tuple[int, int] | None:
    """The characters of its sentence that tell where a setting was left."""
    start = step.sentence.text.find(step.after, step.start) if step.after else -1
    return (start, start + len(step.after)) if start >= 0 else None


def _fill(step: Told, found: SettingValues, unit: str) -> None:
    """Gives a setting its values; a look told sentences before is told by it."""
    if found.after:
        step.after = _in_full(found.after, unit)
    if found.before:
        step.before = _in_full(found.before, unit)
        if found.before.sentence is not step.sentence and found.before.sentence not in step.more:
            step.more.insert(0, found.before.sentence)


def _in_full(value: Candidate, unit: str) -> str:
    """The words of a value, "fifty to one" or "one to fifty" and not "fifty"."""
    if unit != ":1":
        return value.reading.text.strip()
    text, start, end = value.sentence.text, value.reading.start, value.reading.end
    lead, more = _TO_RATIO.search(text[:start]), _RATIO.match(text[end:])
    return (lead.group() if lead else "") + value.reading.text.strip() + (more.group() if more else "")


def _labels(steps: Sequence[Told]) -> list[str]:
    return [f"{step.kind} {term}" for step in steps for term in step.terms]
