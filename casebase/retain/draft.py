"""Free spoken notes to the draft of a case. Nothing is invented: what the notes do not say stays empty.

Every entry carries the sentence it was read from and whether the reading is sure; unsure ones are for the person to
settle. Rules over the vocabulary and cue words of time and effect read each sentence; what they read is weighed against
what such sentences are like (`storychoice`), and a thing that is only likely is added as unsure.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple, cast

from casebase.problems import refuse
from casebase.record.case import Case, Check, Effect, Fault, History, Machine, Outcome, Repair, Setting, Step
from casebase.retain import storycues as cues
from casebase.retain.job import title_of
from casebase.retain.story import Entry, Sentence, machine_of, sentences
from casebase.retain.storycauses import causes_in
from casebase.retain.storychoice import Choice
from casebase.retain.storystep import Told
from casebase.retain.storysteps import Reader, looks
from casebase.retain.storyties import Symptoms
from casebase.retain.storyweigh import LIKELY, Weighing
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.understand import MAX_CHARACTERS
from casebase.trade.readings import Reading


class DraftStep(NamedTuple):
    """A step with the sentences it was read from; the first is where it was told, later ones what it did."""

    step: Step
    sentences: tuple[str, ...]
    doubts: tuple[str, ...] = ()


class DraftCause(NamedTuple):
    """A fault with what it explains, and its sentence."""

    fault: Fault
    sentence: str
    doubt: str = ""


class DraftReading(NamedTuple):
    """A quantity with its sentence."""

    reading: Reading
    sentence: str


@dataclass(frozen=True, slots=True)
class Draft:
    """All that was read from a person's notes. Empty parts were not said."""

    text: str
    machine: tuple[Entry, ...] = ()
    complaint: Entry | None = None
    symptoms: tuple[Entry, ...] = ()
    absent: tuple[Entry, ...] = ()
    history: tuple[Entry, ...] = ()
    steps: tuple[DraftStep, ...] = ()
    readings: tuple[DraftReading, ...] = ()
    causes: tuple[DraftCause, ...] = ()
    proof: tuple[Entry, ...] = ()
    outcome: Entry | None = None
    advice: tuple[Entry, ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def unsure(self) -> int:
        """How many entries a person should settle."""
        singles = [entry for entry in (self.complaint, self.outcome) if entry]
        entries = (*self.machine, *singles, *self.symptoms, *self.absent, *self.history, *self.proof, *self.advice)
        return (sum(not entry.sure for entry in entries) + sum(bool(step.doubts) for step in self.steps)
                + sum(bool(cause.doubt) for cause in self.causes))


def draft(text: str, lexicon: Lexicon, choice: Choice | None = None) -> Draft:
    """Reads notes into a draft; `choice` weighs what a sentence tells. Raises `Refused` when there is no word in them or they are too long."""
    if len(text) > MAX_CHARACTERS:
        raise refuse("too-long", f"the notes have {len(text):,} characters; {MAX_CHARACTERS:,} can be read at once",
                     "give one job at a time", field="notes")
    parts = list(sentences(text, lexicon))
    if not parts:
        raise refuse("no-words", "there are no words in these notes", "say what came in and what was done", field="notes")
    return _Notes(text, parts, lexicon, choice or Choice(lexicon.vocabulary)).read()


class _Notes:
    """Goes through the sentences once, each in the light of those before it."""

    def __init__(self, text: str, parts: list[Sentence], lexicon: Lexicon, choice: Choice) -> None:
        self.text, self.parts, self.lexicon = text, parts, lexicon
        self.reader = Reader(lexicon)
        self.machine = machine_of(parts)
        self.weighing = Weighing(self.reader, choice, parts, next((entry.value for entry in self.machine if entry.field == "kind"), ""))
        self.likely: list[str] = []
        self.symptoms = Symptoms(lexicon)
        self.steps: list[Told] = []
        self.entries: list[Entry] = []
        self.seen_causes: list[tuple[str, Sentence]] = []
        self.causes: dict[str, Sentence] = {}
        self.proofs: list[tuple[int, Sentence, str]] = []
        self.last_repair: tuple[int, Told] | None = None
        self.silent: list[str] = []  # sentences that gave nothing, unless a symptom or a result that stands in the end

    def read(self) -> Draft:
        for number, sentence in enumerate(self.parts):
            self._sentence(number, sentence)
        self._weigh_again()
        last = self.last_repair[0] if self.last_repair else 0
        self.entries += (Entry("proof", _trimmed(sentence.text), sentence.text, doubt) for number, sentence, doubt in self.proofs if number >= last)
        steps = tuple(_step(told) for told in self.steps)
        used = {entry.sentence for entry in self.entries} | {text for step in steps for text in step.sentences}
        stated = self._all("outcome")
        outcome = stated[-1] if stated else self._outcome()
        return Draft(
            text=self.text, machine=self.machine, complaint=self._first("complaint") or self._trouble(),
            symptoms=self._all("symptoms"), absent=self._absent(), history=self._all("stored", "note", "tried before"),
            steps=steps, readings=tuple(DraftReading(reading, part.text) for part in self.parts for reading in part.readings),
            causes=self._causes(), proof=self._all("proof"), outcome=outcome, advice=self._all("advice"), unread=tuple(text for text in self.silent if text not in used))

    def _all(self, *fields: str) -> tuple[Entry, ...]:
        return tuple(entry for entry in self.entries if entry.field in fields)

    def _trouble(self) -> Entry | None:
        """The sentence that first tells a symptom, where none is plainly the complaint."""
        first = self._first("symptoms")
        return first and Entry("complaint", _trimmed(cues.without_saying(first.sentence)), first.sentence, "the first trouble that is told")

    def _first(self, field: str) -> Entry | None:
        return next(iter(self._all(field)), None)

    # --- one sentence -----------------------------------------------------------------------------------------------

    def _sentence(self, number: int, sentence: Sentence) -> None:
        text, before = sentence.text, self._given()
        self.likely = self.weighing.symptoms(number, self.steps, self.symptoms.words)
        advised = number > 0 and bool(self.entries) and self.entries[-1].field == "advice" and self.entries[-1].sentence == self.parts[number - 1].text
        if cues.is_advice(text, late=bool(self.last_repair)) or (advised and cues.goes_on_advising(text)) or (self.last_repair and self.weighing.advises(number)):
            self.entries.append(Entry("advice", _trimmed(text), text))
            return
        outcome = cues.outcome_in(text)
        if outcome and (self.steps or outcome != "fixed"):
            self.entries.append(Entry("outcome", outcome, text))
            if re.search(r"\ball of it\b|\beverything\b|\bjob\b|\bthe lot\b", text):
                return
        if self._is_cause(sentence):
            for label in causes_in(sentence, self.lexicon):
                self.causes.setdefault(label, sentence)
            return
        if cues.is_offer(text):
            return
        if self._history(number, sentence):
            if not self.steps:
                self._complaint(sentence, heard=True)  # "her son put a kit in, and since then it only runs on the choke"
            return
        told = self._told(number, sentence)
        if self.steps and not told:
            self.symptoms.turn_to(sentence)
        if not self.steps and not told and (cues.is_complaint(text) or not re.match(r"(?:i|we)\b", text, re.IGNORECASE)):
            self._complaint(sentence)
        elif not told and cues.may_tell_a_fault(text):
            self._later_symptoms(sentence)
        if not told and (not self.steps or not cues.effects_in(text)):
            self._absences(number, sentence)
        if told and not self.steps:
            self._complaint(sentence, told)
        for label in self.likely:
            self._symptom(label, "", sentence, LIKELY.format(what="this"))
        self._effects(number, sentence, told)
        if self._given() == before and not (outcome or self._is_heard(sentence)):
            self.silent.append(text)

    def _given(self) -> int:
        """How much was read so far, but for symptoms, which the whole note settles."""
        return sum(entry.field != "symptoms" for entry in self.entries) + len(self.steps) + len(self.causes)

    def _is_cause(self, sentence: Sentence) -> bool:
        causes = [seen for seen in sentence.observations if seen.kind == "cause" and seen.status == "present"]
        if cues.is_cause(sentence.text):
            return bool(causes_in(sentence, self.lexicon))
        if not causes or not self.last_repair or self.reader.actions(sentence):
            return False
        if len(causes) > 1 and not sentence.readings and self.parts.index(sentence) >= len(self.parts) - 3:
            return True
        known = {label for label, _sentence in self.seen_causes} | self._removed()
        sums_up = cues.sums_up(sentence.text)
        return ((all(seen.label in known for seen in causes) and (sums_up or len(causes) > 1))
                or (sums_up and any(seen.label in known for seen in causes) and not sentence.readings))

    def _removed(self) -> set[str]:
        """The causes that what was done so far removes."""
        actions = self.lexicon.vocabulary.terms["action"]
        return {cause for step in self.steps if step.kind == "do" for term in step.terms for cause in (actions[term].cures if term in actions else ())}

    def _history(self, number: int, sentence: Sentence) -> bool:
        text = sentence.text
        found = False
        likely = self.weighing.tried(number, worked=bool(self.last_repair))
        if likely is not None:
            read = [term.label for term in self.reader.actions(sentence)]
            for label in dict.fromkeys((*read, *likely)):
                if label == "nothing done":
                    continue
                found = True
                if label not in {entry.value for entry in self._all("tried before")}:
                    self.entries.append(Entry("tried before", label, text, "" if label in read else LIKELY.format(what="this")))
            present = any(seen.kind == "symptom" and seen.status == "present" for seen in sentence.observations)
            if not found and not present and not self.last_repair:
                self.entries.append(Entry("note", _trimmed(text), text))
                return True
        if cues.is_stored(text) and not self.last_repair:
            spans = [reading.text for reading in sentence.readings if reading.unit in ("day", "week", "month", "year")]
            if spans:
                self.entries.append(Entry("stored", spans[-1] + (" with fuel" if re.search(r"\bfuel|petrol|gas\b", text) else ""), text))
                return True
        return found

    def _told(self, number: int, sentence: Sentence) -> list[Told]:
        quiet = [(term.start, term.end) for term in sentence.of("symptom", "name", "said", "denies")
                 if term.label in self.symptoms.words and not any(
                     seen.kind == "cause" and seen.status == "present" and seen.start < term.end and term.start < seen.end
                     for seen in sentence.observations)]
        if not self.steps:
            quiet += [(seen.start, seen.end) for seen in sentence.observations
                      if seen.kind == "symptom" and seen.status == "present" and (number < 3 or cues.is_complaint(sentence.text))]
        proves = self.steps and cues.is_proof(sentence.text[:40]) and not _FAILS.search(sentence.text) and not self.reader.actions(sentence) and not sentence.of("setting")
        told = [] if proves else self.reader.steps(sentence, quiet=quiet)
        if not self.steps:
            told = [step for step in told if self._is_work(number, sentence, step)]
        told = self.weighing.steps(number, told, self.steps, self.symptoms.words)
        said = not told and cues.is_proof(sentence.text) and not _FAILS.search(sentence.text)
        if self.steps and (said or self.weighing.proves(number)):
            self.proofs.append((number, sentence, "" if said else LIKELY.format(what="this")))
        self.seen_causes += [(seen.label, sentence) for seen in sentence.observations
                             if seen.kind == "cause" and seen.status == "present"]
        return told

    def _is_work(self, number: int, sentence: Sentence, step: Told) -> bool:
        """Whether the first step is one, and not what the owner tells: "the wheels won't pull", "a self-propelled mower"."""
        complains = cues.is_complaint(sentence.text)
        if step.kind != "check":
            return not complains or cues.is_by_me(sentence.text[: step.end])
        of_machine = number < 3 and any(term.kind in ("machine", "engine") for term in sentence.found)
        of_trouble = not looks(sentence.text) and any(seen.kind == "symptom" and seen.status == "present" for seen in sentence.observations)
        return not complains and (cues.is_by_me(sentence.text) or not (of_machine or of_trouble))

    def _complaint(self, sentence: Sentence, told: list[Told] | None = None, *, heard: bool = False) -> None:
        """Takes in the symptoms of a sentence; one that was `heard` in a tale of what was tried is no complaint by itself."""
        spans = [(step.start, len(sentence.text)) for step in told or ()]  # what follows the first step is found, not told by the owner
        owner = ("present", "possible") if cues.is_complaint(sentence.text) else ("present",)
        labels = [seen for seen in sentence.observations if seen.kind == "symptom" and seen.status in owner
                  and not any(start < seen.end and seen.start < end for start, end in spans) and not _is_ages(seen.words)]
        for seen in labels:
            self._symptom(seen.label, seen.words, sentence, "" if seen.status == "present" else "the owner was not sure")
        if labels and self._first("complaint") is None and not told and not heard:
            self.entries.append(Entry("complaint", _trimmed(cues.without_saying(sentence.text)), sentence.text))

    def _symptom(self, label: str, words: str, sentence: Sentence, doubt: str) -> None:
        if label not in self.symptoms.words and label in self.likely:
            self.symptoms.add(label, words)
            self.entries.append(Entry("symptoms", label, sentence.text, doubt))

    def _weigh_again(self) -> None:
        """Settles which symptoms the whole note tells, and what the work did to them."""
        told = self.weighing.heard(self.steps)
        labels = {symptom.label for symptom in told}
        self.entries = [entry for entry in self.entries if entry.field != "symptoms" or entry.value in labels]
        known = {entry.value for entry in self._all("symptoms")}
        for symptom in told:
            if symptom.label not in known:
                self.symptoms.add(symptom.label, "")
                self.entries.append(Entry("symptoms", symptom.label, self.parts[symptom.best].text, LIKELY.format(what="this")))
        self.symptoms.words = {label: words for label, words in self.symptoms.words.items() if label in labels}
        self.steps = self.weighing.once(self.weighing.work(self.steps, told))
        self.weighing.results(self.steps, self.symptoms, told)

    def _later_symptoms(self, sentence: Sentence) -> None:
        spans = [(seen.start, seen.end) for seen in sentence.observations if seen.kind in ("cause", "check")]
        for seen in sentence.observations:
            if (seen.kind == "symptom" and seen.status == "present" and not cues.is_proof(sentence.text[:40])
                    and not any(start < seen.end and seen.start < end for start, end in spans)):
                self._symptom(seen.label, seen.words, sentence, "met on the bench, not part of the complaint")

    def _absences(self, number: int, sentence: Sentence) -> None:
        self.entries += (Entry("absent", label, sentence.text, doubt) for label, doubt in self.weighing.absent(number).items())

    def _absent(self) -> tuple[Entry, ...]:
        """What was said not to be there, each once; a symptom of this job that is gone is none of them."""
        found: dict[str, Entry] = {}
        for entry in self._all("absent"):
            if entry.value not in self.symptoms.words:
                found.setdefault(entry.value, entry)
        return tuple(found.values())

    def _is_heard(self, sentence: Sentence) -> bool:
        """Whether a sentence gave its part elsewhere: the machine, a proof."""
        return any(term.kind == "machine" for term in sentence.found) or any(part is sentence for _number, part, _doubt in self.proofs)

    def _effects(self, number: int, sentence: Sentence, told: list[Told]) -> None:
        """Ties what the sentence says of effects, times and money to the steps."""
        before = self.last_repair[1] if self.last_repair else None
        new = [entry.value for entry in self._all("symptoms") if entry.sentence == sentence.text]
        self.weighing.tie(number, told, self.steps, self.symptoms, new, before)
        repairs = [step for step in told if step.kind != "check" and not step.terms[0].endswith(" torque")]
        if self.steps and (len(sentence.folded) <= 8 if not told else re.match(r"(?:it|they|that|both|these)\b", sentence.text, re.IGNORECASE)):
            self.reader.judge(self.steps, self.parts[number - 1], sentence)
        if before is not None and not told and not re.search(r"\b(?:total|altogether|whole)\b", sentence.text, re.IGNORECASE) and self.last_repair and number - self.last_repair[0] <= 2 and not cues.is_proof(sentence.text):
            before.minutes = before.minutes if before.minutes is not None else cues.minutes_in(sentence.text)
            if before.kind == "do" and before.parts is None:
                before.parts = cues.money_in(sentence.text)
        if repairs:
            self.last_repair = (number, repairs[-1])
            self.entries = [entry for entry in self.entries if (entry.field, entry.value) != ("outcome", "fixed")]  # it went on
        last = self.steps[-1] if self.steps else None
        if last and told and last.kind == told[0].kind == "check" and (last.terms, last.verdict) == (told[0].terms, told[0].verdict):
            last.more.append(sentence)  # "breaker not tripped. Fuse okay": one look
            told = told[1:]
        last = self.steps[-1] if self.steps else None
        if last and told and last.kind == told[0].kind == "do" and last.terms == told[0].terms and not last.effects:
            last.more.append(sentence)  # "emptied the tank. Filled it with fresh mix": one thing done
            last.effects, last.minutes, last.parts = told[0].effects, last.minutes or told[0].minutes, last.parts or told[0].parts
            self.last_repair, told = (number, last), told[1:]
        gone = [step.replaces for step in told if step.replaces is not None and step.replaces.verdict is None]
        self.steps = [step for step in self.steps if not any(step is other for other in gone)]
        self.steps += told

    # --- the whole --------------------------------------------------------------------------------------------------

    def _causes(self) -> tuple[DraftCause, ...]:
        """The causes named as such; without any, the faults that were seen and that a cure removes, as unsure; and what is likely to be told as one."""
        found = {label: DraftCause(Fault(label, self._explained(label)), sentence.text) for label, sentence in self.causes.items()}
        for label, sentence in () if found else self.seen_causes:
            explained = self._explained(label)
            if explained or any(seen.label == label and _SO.search(sentence.text[:seen.start]) for seen in sentence.observations):
                found.setdefault(label, DraftCause(Fault(label, explained), sentence.text, "seen, but not named as the cause"))
        for label, sentence in ((label, sentence) for number, sentence in enumerate(self.parts) for label in self.weighing.causes(number)):
            found.setdefault(label, DraftCause(Fault(label, self._explained(label)), sentence.text, LIKELY.format(what="this")))
        return tuple(found.values())

    def _explained(self, cause: str) -> tuple[str, ...]:
        actions = self.lexicon.vocabulary.terms["action"]
        return tuple(dict.fromkeys(
            symptom for step in self.steps if step.kind == "do" for term in step.terms
            if term in actions and cause in actions[term].cures
            for symptom, result in step.effects.items() if result in ("cured", "better")))

    def _outcome(self) -> Entry | None:
        """Fixed, where the last word on every symptom is that it was cured; unsure, for nobody said so."""
        if not self.symptoms.words or self.symptoms.open or not self.last_repair:
            return None
        told = self.last_repair[1]
        sentence = (told.more or [told.sentence])[-1]
        return Entry("outcome", "fixed", sentence.text, "every symptom was cured, but the notes do not say that the job is done")


_FAILS = re.compile(r"^(?!proof|proved).*\b(?:still|died|again|stopped|quit)\b", re.IGNORECASE)
_SO = re.compile(r"\b(?:so|which means|that means|therefore|meaning)\b", re.IGNORECASE)


def _is_ages(words: str) -> bool:
    """ "About nine years old, pull start" is no way of starting."""
    return bool(re.search(r"\b(?:years?|months?) old\b", words))


def _trimmed(text: str) -> str:
    return re.sub(r"^(?:proof|advice|complaint|so|and|right|okay|ok|well|then)\b[:,]?\s*", "", text, flags=re.IGNORECASE).strip(" .")


def _step(told: Told) -> DraftStep:
    """A step in the form of a case."""
    effects = tuple(Effect(symptom, result) for symptom, result in told.effects.items())
    step: Step
    if told.kind == "check":
        step = Check(told.terms[0], told.found, told.verdict, told.minutes)
    elif told.kind == "set":
        step = Setting(told.terms[0], told.before, told.after, effects, told.minutes, told.note)
    else:
        step = Repair(tuple(told.terms), effects, told.parts, told.minutes, told.source, told.note)
    return DraftStep(step, (told.sentence.text, *(part.text for part in told.more)), tuple(dict.fromkeys(told.doubts)))


def as_case(notes: Draft, day: date, *, title: str = "") -> Case:
    """The draft as an open case. Kind of machine and complaint stay empty where the notes do not tell them."""
    machine = Machine(**{entry.field: entry.value for entry in notes.machine})
    history = {entry.field: entry.value for entry in notes.history if entry.field != "tried before"}
    complaint = notes.complaint.value if notes.complaint else ""
    return Case(
        id="", title=title or title_of(machine.kind or "job", complaint), date=day, machine=machine, complaint=complaint, status="open",
        symptoms=tuple(entry.value for entry in notes.symptoms), absent=tuple(entry.value for entry in notes.absent),
        history=History(**history, tried_before=tuple(entry.value for entry in notes.history if entry.field == "tried before")),
        steps=tuple(told.step for told in notes.steps), causes=tuple(cause.fault for cause in notes.causes),
        proof=tuple(entry.value for entry in notes.proof), outcome=cast("Outcome | None", notes.outcome.value if notes.outcome else None),
        advice=tuple(entry.value for entry in notes.advice), body=notes.text.strip())
