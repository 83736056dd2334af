"""Teaches the encoder that reads notes (`casebase/trade/data/reader.bin`) from the examples in `casebase/trade/data`.

    python3 tools/learn_encoder.py --minutes 90             goes on from reader.bin as it is
    python3 tools/learn_encoder.py --minutes 90 --new 400   begins with the last 400 notes, which are new
    python3 tools/learn_encoder.py --minutes 90 --base BASE begins anew
    python3 tools/learn_encoder.py --minutes 0              learns nothing, and writes the file anew

All processors learn at once, each in an order of its own, on the same weights, and none waits for the others (Niu et al. 2011).

BASE is a folder with a small English sentence encoder of the BERT kind in the usual files (config.json, vocab.txt,
model.safetensors); reader.bin began with all-MiniLM-L6-v2 (Apache-2.0), four of its six layers. Needs torch and transformers,
which casebase itself does not. One note and question in eight is held back, always the same ones: `tools/learn_reading.py`, to be run next,
weighs with those.
"""

from __future__ import annotations

import argparse
import os
import random
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from copy import deepcopy
from functools import cache
from itertools import accumulate, cycle, islice, pairwise, repeat, zip_longest
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F
from torch import Tensor, nn
from transformers import BertConfig, BertModel

from casebase.retain.story import clauses
from casebase.retain.storychanges import is_counted, numbers_in, overlaps
from casebase.retain.storyencoded import (
    AFTER,
    ALONE,
    BETWEEN,
    MOST,
    NEVER,
    RESULTS,
    SILENT,
    SINCE,
    VERDICTS,
    between,
    distances,
    since,
)
from casebase.retain.storylearned import BACK
from casebase.retrieve import store
from casebase.retrieve.encoder import HEADS, LONGEST, WINDOW, Pieces, Rows, windows
from casebase.retrieve.examples import ToldSentence, asked_texts, told_stories
from casebase.retrieve.heads import WEIGHTS, learned
from casebase.retrieve.sayings import read_examples
from casebase.trade import DATA
from casebase.trade.terms import package_vocabulary

HELD = 8  # one note in so many is held back
LAYERS = (0, 1, 3, 5)  # of the base, those that are kept
WIDTH = 192  # numbers by which work, symptom and sentence are held against each other
BATCH, SAYINGS, QUESTIONS = 6, 36, 4  # notes, single sayings and questions learned from at a time
RATE, WARM, LEFT = 1.2e-4, 60, 0.3  # the highest step, reached after so many batches, and the share of it that is left in the end; tenfold for the heads
EVERY, MEAN = 10, 0.017  # the mean of the weights is taken every so many batches; by how much it then moves towards them, at least
HIDDEN = 0.06  # share of the pieces that are not shown while learning, so that no single word is leaned on
EXCHANGED, LEFT_OUT, PUT_IN = 0.15, 0.12, 0.05  # share of the sentences of a note that are exchanged for others that tell the same, and of what tells nothing, left out or put in
DENIED, OPENING = 0.12, 7  # share of the first so many sentences of a note after which one is put in that says what is not wrong: notes seldom do, speakers often
PARTLY = 0.5  # weight of what is read by the parts of sentences beside what is read by the whole
CROWD = 2000  # pieces encoded at once
NO_DROP = 0.0  # of what attention sees: a third more notes are learned in the same time
PROOF = [
    ToldSentence("Mower will not start.", ("symptom will not start",)), ToldSentence("Checked the spark first and there was none.", ("check spark on gap tester bad",)),
    ToldSentence("New plug, still dead.", ("do replace spark plug", "symptom will not start")),
    ToldSentence("Set the coil gap to a business card and she fired, but then it surged.", ("set ignition air gap", "symptom surges")),
    ToldSentence("Idle was at 3,400, so I brought it down to 2,800 rpm.", ("set idle speed 3,400 -> 2,800 rpm",))]
LARGE = 20_000  # numbers of a table that is written in eight bits
COMMON = 14_000  # the first pieces of a vocabulary are the common ones


class Story(NamedTuple):
    """A note or a question, its sentences cut into clauses, with what they tell: `steps` (told), `open_steps` (not gone on with, so learned from),
    `symptoms` (there, then not there), `results` and the symptoms they are `about`, `causes` and `verdicts` of looks, one row a sentence, and `alone` which tell each of `ALONE`; `numbers` by sentence and characters, with the settings they are the `values` of, one row a number (as found, then as left); and the pairs of work
    and symptom with the sentences and results that tell what became of them."""

    texts: list[list[str]]
    steps: Tensor
    open_steps: Tensor
    symptoms: Tensor
    results: Tensor
    about: Tensor
    causes: Tensor
    verdicts: Tensor
    alone: Tensor
    numbers: list[tuple[int, int, int]]
    values: Tensor
    work: list[tuple[int, int]]
    troubles: dict[int, list[int]]
    events: dict[tuple[int, int], list[tuple[int, int]]]


class Labels(NamedTuple):
    """Steps, symptoms, settings and causes by their columns."""

    steps: list[str]
    symptoms: list[str]
    settings: list[str]
    causes: list[str]

    def story(self, sentences: Sequence[ToldSentence]) -> Story:
        """The sentences with their targets."""
        step, symptom, cause = ({label: number for number, label in enumerate(of)} for of in (self.steps, self.symptoms, self.causes))
        count = len(sentences)
        steps, open_steps = torch.zeros(count, len(step), dtype=torch.bool), torch.ones(count, len(step), dtype=torch.bool)
        symptoms, about = torch.zeros(count, 2 * len(symptom), dtype=torch.bool), torch.zeros(count, len(symptom), dtype=torch.bool)
        results, causes, verdicts, alone = (torch.zeros(count, len(of), dtype=torch.bool) for of in (RESULTS, cause, VERDICTS, ALONE))
        told: list[tuple[int, int, int, int]] = []
        for row, sentence in enumerate(sentences):
            steps[row, [step[label] for label in sentence.tells("steps")]] = True
            open_steps[row, [step[label] for label in sentence.goes_on_with if label in step]] = False
            symptoms[row, [symptom[label] for label in sentence.tells("symptoms")]] = True
            symptoms[row, [len(symptom) + symptom[label] for label in sentence.denies]] = True
            causes[row, [cause[item.removeprefix("cause ")] for item in sentence.items if item.startswith("cause ")]] = True
            verdicts[row, [number for number, verdict in enumerate(VERDICTS) if any(item.startswith("check ") and item.endswith(f" {verdict}") for item in sentence.items)]] = True
            alone[row, [number for number, kind in enumerate(ALONE) if any(item.split()[0] == kind for item in sentence.items)]] = True
            for effect in sentence.effects:
                done, trouble, result = effect.split(" / ")
                results[row, RESULTS.index(result)] = about[row, symptom[trouble]] = True
                told.append((row, step[done], symptom[trouble], RESULTS.index(result)))
        work = [(row, step[label]) for row, sentence in enumerate(sentences) for label in sentence.tells("steps") if not label.startswith("check ")]
        troubles = {number: symptoms[:, number].nonzero()[:, 0].tolist() for number in dict.fromkeys(
            [*symptoms[:, : len(symptom)].nonzero()[:, 1].tolist(), *(trouble for _row, _done, trouble, _result in told)])}
        return Story([clauses(sentence.text) for sentence in sentences], steps, open_steps, symptoms, results, about, causes, verdicts, alone, *self.values(sentences), work, troubles, _events(told, work, list(troubles)))

    def values(self, sentences: Sequence[ToldSentence]) -> tuple[list[tuple[int, int, int]], Tensor]:
        """The numbers of the sentences that may be values of settings, and of which they are; those that are only part of a value's words are left out."""
        settings = package_vocabulary().terms["setting"]
        rows: dict[tuple[int, int, int], list[int]] = {(row, *place): [] for row, sentence in enumerate(sentences) for place in numbers_of(sentence.text)}
        for row, sentence in enumerate(sentences):
            for setting in sentence.settings:
                column = self.settings.index(setting.label)
                for earlier in range(row, max(-1, row - BACK - 1), -1):  # a value as found is that of the nearest sentence that tells it
                    told = {(earlier, reading.start, reading.end): setting.role(reading) for reading in numbers_in(sentences[earlier].text, settings[setting.label].unit)
                            if earlier == row or not is_counted(sentences[earlier].text, reading)}
                    for place, role in told.items():
                        if role == "from" or (role == "to" and earlier == row):
                            rows[place].append(column + len(self.settings) * (role == "to"))
                    if "from" in told.values():
                        break
        rows = {place: columns for place, columns in rows.items() if columns or not overlaps(*place[1:], _said_of_values(sentences[place[0]]))}
        values = torch.zeros(len(rows), 2 * len(self.settings), dtype=torch.bool)
        for place, columns in enumerate(rows.values()):
            values[place, columns] = True
        return list(rows), values


@cache
def numbers_of(text: str) -> tuple[tuple[int, int], ...]:
    """The characters of each number that may be a value of some setting."""
    units = dict.fromkeys(term.unit for term in package_vocabulary().terms["setting"].values())
    return tuple(dict.fromkeys((reading.start, reading.end) for unit in units for reading in numbers_in(text, unit)))


def _said_of_values(sentence: ToldSentence) -> list[tuple[int, int]]:
    """The characters of the words that are said to be values of settings: "fifty to one", of which only one number is."""
    words = [words for setting in sentence.settings for words in (setting.before, setting.after) if words]
    return [(start, start + len(said)) for said in words if (start := sentence.text.lower().find(said.lower())) >= 0]


def _events(told: Sequence[tuple[int, int, int, int]], work: Sequence[tuple[int, int]], troubles: Sequence[int]) -> dict[tuple[int, int], list[tuple[int, int]]]:
    """The sentences and results that tell of each piece of work and symptom; a result is of the last such work before it."""
    events: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for row, done, trouble, result in told:
        places = [place for place, (_row, label) in enumerate(work) if label == done]
        if places:
            place = next((place for place in reversed(places) if work[place][0] <= row), places[0])
            events.setdefault((place, troubles.index(trouble)), []).append((max(row, work[place][0] - 1), result))
    return events


class Parted(NamedTuple):
    """The same as `casebase.retrieve.encoder.Parted`, to learn from."""

    whole: Tensor
    parts: Tensor
    counts: list[int]
    pieces: list[Tensor]


class Model(nn.Module):
    """The encoder with its heads, as `casebase.retrieve.heads` and `casebase.retain.storyencoded` run them."""

    def __init__(self, pieces: Sequence[str], encoder: BertModel, labels: Labels) -> None:
        super().__init__()
        self.pieces, self.encoder = Pieces(pieces), encoder
        for never_learned in (self.encoder.embeddings.word_embeddings, self.encoder.embeddings.token_type_embeddings):
            never_learned.requires_grad_(False)
        size, steps, symptoms = self.encoder.config.hidden_size, len(labels.steps), len(labels.symptoms)
        self.drop = nn.Dropout(0.1)
        self.heads = nn.ModuleDict({
            "steps": nn.Linear(size, steps + 1), "symptoms": nn.Linear(size, 2 * symptoms + 1), "result": nn.Linear(size, len(RESULTS) + 1),
            "about": nn.Linear(size, symptoms + 1), "value": nn.Linear(size, 2 * len(labels.settings) + 1), "cause": nn.Linear(size, len(labels.causes) + 1), "verdict": nn.Linear(size, len(VERDICTS) + 1),
            **{kind: nn.Linear(size, 1) for kind in ALONE}, "said": nn.Linear(size, WIDTH), "work": nn.Linear(size, WIDTH, bias=False),
            "trouble": nn.Linear(size, WIDTH, bias=False), "tie": nn.Linear(WIDTH, WIDTH, bias=False), "out norm": nn.LayerNorm(WIDTH),
            "out inner": nn.Linear(WIDTH, WIDTH), "out": nn.Linear(WIDTH, len(RESULTS)), "none norm": nn.LayerNorm(WIDTH), "none": nn.Linear(WIDTH, 1),
            "of step": nn.Embedding(steps, WIDTH), "of symptom": nn.Embedding(symptoms, WIDTH), "far": nn.Embedding(AFTER + 1, WIDTH),
            "between": nn.Embedding(BETWEEN + 1, WIDTH), "since": nn.Embedding(SINCE + 2, WIDTH), "tie work": nn.Linear(WIDTH, WIDTH, bias=False)})
        for name in ("of step", "of symptom", "far"):
            nn.init.normal_(self.heads[name].weight, std=0.3)
        for name in ("between", "since", "tie work"):
            nn.init.zeros_(self.heads[name].weight)

    def vectors(self, texts: Sequence[Sequence[Sequence[str]]]) -> list[Parted]:
        """The vectors of each text, as `casebase.retrieve.encoder` finds them; windows of like length at a time."""
        cut = [[[self.pieces.of(clause) for clause in sentence] for sentence in text] for text in texts]
        flat = [[[number for clause in sentence for number in clause][:LONGEST] or [self.pieces.unknown] for sentence in text] for text in cut]
        seen = [(text, first, last) for text, sentences in enumerate(flat) for first, last in windows([len(sentence) for sentence in sentences])]
        sizes = [2 + sum(len(sentence) for sentence in flat[text][first:last]) for text, first, last in seen]
        states: dict[int, Tensor] = {}
        for crowd in _crowds(sizes):
            numbers = torch.zeros(len(crowd), sizes[crowd[-1]], dtype=torch.long)
            for row, window in enumerate(crowd):
                text, first, last = seen[window]
                shown = [piece if not self.training or random.random() >= HIDDEN else self.pieces.unknown for sentence in flat[text][first:last] for piece in sentence]
                numbers[row, : sizes[window]] = torch.tensor([self.pieces.begin, *shown, self.pieces.end])
            shown_at = torch.arange(numbers.shape[1])[None] < torch.tensor([sizes[window] for window in crowd])[:, None]
            found = self.encoder(input_ids=numbers, attention_mask=shown_at.long()).last_hidden_state
            states |= dict(zip(crowd, found, strict=True))
        wholes: list[list[Tensor]] = [[] for _text in cut]
        parts: list[list[list[Tensor]]] = [[] for _text in cut]
        pieces: list[list[Tensor]] = [[] for _text in cut]
        for window, (text, first, last) in enumerate(seen):
            start = 1
            for place in range(first, last):
                end = start + len(flat[text][place])
                if place == len(wholes[text]):
                    wholes[text].append(states[window][start:end].mean(0))
                    pieces[text].append(states[window][start:end])
                    places = [min(start + done, end) for done in accumulate(map(len, cut[text][place]), initial=0)]
                    parts[text].append([states[window][one:other].mean(0) for one, other in pairwise(places) if other > one] or wholes[text][-1:])
                start = end
        return [Parted(torch.stack(whole), torch.stack([part for of_sentence in of_text for part in of_sentence]), [len(of_sentence) for of_sentence in of_text], of_pieces)
                for whole, of_text, of_pieces in zip(wholes, parts, pieces, strict=True)]

    def wholes(self, texts: Sequence[Sequence[Sequence[str]]]) -> Tensor:
        """The vectors of the sentences of all texts."""
        return torch.cat([one.whole for one in self.vectors(texts)])

    def numbers(self, vectors: Parted, story: Story) -> Tensor:
        """The vectors of the numbers of a note, each the mean of its pieces."""
        found = []
        for row, start, end in story.numbers:
            first, last = self.pieces.span("".join(story.texts[row]), start, end)
            found.append(vectors.pieces[row][min(first, len(vectors.pieces[row]) - 1): last].mean(0))
        return torch.stack(found) if found else vectors.whole[:0]

    def results(self, vectors: Parted, story: Story) -> tuple[Tensor, Tensor]:
        """The logarithms of the chances of each sentence and result, and last of none, by work and symptom; by whole sentences, and by
        their parts, of which any may tell it."""
        heads, whole = self.heads, vectors.whole
        places = [place for place, _label in story.work]
        troubles = torch.tensor(list(story.troubles))
        done = heads["work"](whole)[places] + heads["of step"](torch.tensor([label for _place, label in story.work]))
        means = torch.stack([whole[told].mean(0) if told else torch.zeros_like(whole[0]) for told in story.troubles.values()])
        seen = heads["trouble"](means) + heads["of symptom"](troubles)
        silent = heads["none"](F.gelu(heads["none norm"](done[:, None] + seen[None]))) + SILENT

        def told_by(these: Tensor, numbers: npt.NDArray[np.int_]) -> Tensor:
            said, far = heads["said"](these), torch.tensor(distances(places, numbers))
            by_work = heads["tie work"](said) * done[:, None] + done[:, None] + heads["far"](far.clamp(0)) + heads["between"](torch.tensor(between(places, numbers)))
            by_symptom = heads["tie"](said) * seen[:, None] + seen[:, None] + heads["since"](torch.tensor(since(list(story.troubles.values()), numbers)))
            scores = heads["out"](F.gelu(heads["out inner"](F.gelu(heads["out norm"](said[None, None] + by_work[:, None] + by_symptom[None])))))
            scores = scores + _above(heads["result"](these))[None, None] + _above(heads["about"](these))[:, troubles].T[None, :, :, None]
            scores = scores.masked_fill((far < 0)[:, None, :, None], NEVER)
            return torch.cat([scores.flatten(2), silent], -1).log_softmax(-1)

        numbers = np.arange(len(whole))
        by_part = told_by(vectors.parts, numbers.repeat(vectors.counts))
        told = by_part[..., :-1].unflatten(2, (-1, len(RESULTS))).split(vectors.counts, dim=2)
        return told_by(whole, numbers), torch.cat([torch.stack([parts.logsumexp(2) for parts in told], 2).flatten(2), by_part[..., -1:]], -1)

    def loss(self, stories: Sequence[Story]) -> Tensor:
        """How badly the notes are read."""
        vectors = self.vectors([story.texts for story in stories])
        heads, every, parts = self.heads, self.drop(torch.cat([one.whole for one in vectors])), self.drop(torch.cat([one.parts for one in vectors]))
        counts = [count for one in vectors for count in one.counts]
        found = F.binary_cross_entropy_with_logits(torch.cat([heads[kind](every) for kind in ALONE], 1), torch.cat([story.alone for story in stories]).float(), reduction="none").sum(1).mean()
        for name, wanted, counted in (("steps", [story.steps for story in stories], torch.cat([story.open_steps for story in stories])),
                                      ("symptoms", [story.symptoms for story in stories], None), ("result", [story.results for story in stories], None),
                                      ("about", [story.about for story in stories], None), ("cause", [story.causes for story in stories], None),
                                      ("verdict", [story.verdicts for story in stories], None)):
            told = torch.cat(wanted)
            found = found + thresholds(heads[name](every), told, counted) + PARTLY * thresholds(_likeliest(heads[name](parts), counts), told, counted)
        if any(story.numbers for story in stories):
            numbers = torch.cat([self.numbers(one, story) for one, story in zip(vectors, stories, strict=True)])
            found = found + thresholds(heads["value"](self.drop(numbers)), torch.cat([story.values for story in stories]))
        misses = [self._missed(one._replace(whole=self.drop(one.whole), parts=self.drop(one.parts)), story)
                  for one, story in zip(vectors, stories, strict=True) if story.work and story.troubles]
        return found + 3 * torch.cat(misses).mean() if misses else found

    def _missed(self, vectors: Parted, story: Story) -> Tensor:
        by_whole, by_part = self.results(vectors, story)
        return _surprise(by_whole, story) + PARTLY * _surprise(by_part, story)


def _surprise(chances: Tensor, story: Story) -> Tensor:
    """How unlikely what was told is by these logarithms of chances, for each piece of work and symptom."""
    missed = -chances[..., -1]
    for (work, trouble), events in story.events.items():
        told = torch.stack([chances[work, trouble, len(RESULTS) * row + result] for row, result in events])
        missed = missed.index_put((torch.tensor(work), torch.tensor(trouble)), -told.mean() - np.log(len(events)))
    return missed.flatten()


def _likeliest(scores: Tensor, counts: Sequence[int]) -> Tensor:
    """How far each label stands above the threshold in the part of a sentence where it stands highest, and last the threshold, 0."""
    above = scores[:, :-1] - scores[:, -1:]
    return torch.cat([torch.stack([parts.amax(0) for parts in above.split(list(counts))]), above.new_zeros(len(counts), 1)], 1)


def _above(scores: Tensor) -> Tensor:
    return (scores[:, :-1] - scores[:, -1:]).clamp(-MOST, MOST)


def thresholds(scores: Tensor, told: Tensor, counted: Tensor | None = None) -> Tensor:
    """Each label that is told should be above the threshold, the last score, which should be above all others that are `counted`
    (Zhou et al. 2021)."""
    threshold, labels = scores[:, -1:], scores[:, :-1]
    ignored = told if counted is None else told | ~counted
    low = (F.softplus(threshold - labels) * told).sum(1)
    high = torch.logsumexp(torch.cat([labels.masked_fill(ignored, -1e4), threshold], 1), 1) - threshold[:, 0]
    return (low + high).mean()


def _crowds(sizes: Sequence[int]) -> Iterator[list[int]]:
    """Windows of like size that are encoded at once, the longest last."""
    crowd: list[int] = []
    for window in sorted(range(len(sizes)), key=sizes.__getitem__):
        if crowd and (sizes[window] > 1.25 * sizes[crowd[0]] + 4 or len(crowd) * sizes[window] > CROWD):
            yield crowd
            crowd = []
        crowd.append(window)
    yield crowd


class Saying(NamedTuple):
    """A clause said of one label of a subject; "none" for nothing."""

    text: str
    subject: str
    label: str


def read_sayings() -> list[Saying]:
    """All single sayings of `casebase/trade/data`."""
    sources = {"steps": "said_steps.txt", "symptoms": "said_symptoms.txt", "result": "effects.txt"}
    return [Saying(text, subject, label) for subject, source in sources.items() for label, texts in read_examples(DATA / source).items() for text in texts]


def said_loss(model: Model, sayings: Sequence[Saying], labels: Labels) -> Tensor:
    """How badly single sayings are read."""
    vectors = model.drop(model.wholes([[[saying.text]] for saying in sayings]))
    found = vectors.new_zeros(())
    columns = {"steps": labels.steps, "symptoms": labels.symptoms, "result": list(RESULTS)}
    for subject, of in columns.items():
        rows = [row for row, saying in enumerate(sayings) if saying.subject == subject]
        scores = model.heads[subject](vectors[rows])
        told = torch.zeros(len(rows), scores.shape[1] - 1, dtype=torch.bool)
        for place, row in enumerate(rows):
            if sayings[row].label in of:
                told[place, of.index(sayings[row].label)] = True
        found = found + (thresholds(scores, told) if rows else 0)
    return found


def new_first(of: Sequence[Any], new: int) -> list[Any]:
    """All in random order, the `new` last ones first, each of them beside one of the others."""
    old, fresh = list(of[: len(of) - new]), list(of[len(of) - new:])
    random.shuffle(old)
    random.shuffle(fresh)
    return [one for pair in zip_longest(fresh, old) for one in pair if one is not None]


Alike = dict[tuple[str, ...], list[ToldSentence]]
_EXCHANGED = ("symptom", "absent", "check", "do", "cause")


def alike(stories: Sequence[Sequence[ToldSentence]]) -> Alike:
    """Sentences by what they tell, those of one or two plain things that no other sentence leans on, as a setting told elsewhere may on a number, and those that tell nothing."""
    found: Alike = {}
    for sentence in (sentence for story in stories for sentence in story):
        if len(sentence.items) <= 2 and all(item.split()[0] in _EXCHANGED for item in sentence.items) and not numbers_of(sentence.text):
            found.setdefault(sentence.items, []).append(sentence)
    return found


def denials(texts: Sequence[Sequence[ToldSentence]]) -> list[ToldSentence]:
    """The clauses of questions that only say what is not wrong."""
    return [clause for text in texts for clause in text if clause.items and len(clause.denies) == len(clause.items)]


def varied(story: Sequence[ToldSentence], others: Alike, denied: Sequence[ToldSentence]) -> list[ToldSentence]:
    """A note told a little otherwise, so that it is not learned by heart: here and there a sentence that tells the same stands for another, an aside
    is left out, or put in, or what is not wrong is said."""
    found = []
    told = " ".join(item for sentence in story for item in sentence.items)
    for place, sentence in enumerate(story):
        leant_on = bool(numbers_of(sentence.text))
        if random.random() < EXCHANGED and sentence.items in others and not leant_on:
            sentence = random.choice(others[sentence.items])
        if sentence.items or leant_on or random.random() >= LEFT_OUT:
            found.append(sentence)
        if random.random() < PUT_IN:
            found.append(random.choice(others[()]))
        said = random.choice(denied)
        if place < OPENING and random.random() < DENIED and not any(label in told for label in said.denies):
            found.append(said)
    return found


class Lessons(NamedTuple):
    """The names of the notes and the numbers of the questions to learn from, how many of the notes, the last ones, are new, and for how
    many minutes."""

    names: Sequence[str]
    asked: Sequence[int]
    new: int
    minutes: float


def taught(model: Model, labels: Labels, lessons: Lessons) -> Model:
    """The mean of the model on its way (Izmailov et al. 2018). All processors teach it at once: their weights are one, and each changes them as it goes."""
    runs = os.cpu_count() or 1
    mean = deepcopy(model).share_memory()
    with ProcessPoolExecutor(runs, get_context("fork")) as pool:
        list(pool.map(teach, repeat(model.share_memory()), repeat(mean), repeat(labels), repeat(lessons), range(runs)))
    return mean.eval()


def teach(model: Model, mean: Model, labels: Labels, lessons: Lessons, run: int) -> None:
    """Goes through notes, each time told a little otherwise, sayings and questions in turn, with ever smaller steps; the new notes first. The first run takes the mean."""
    torch.set_num_threads(1)
    random.seed(run)
    torch.manual_seed(run)
    told = told_stories()
    notes = new_first([told[name] for name in lessons.names], lessons.new)
    others = alike(notes)
    texts, sayings = [asked_texts()[number] for number in lessons.asked], read_sayings()
    questions, denied = [labels.story(text) for text in texts], denials(texts)
    for of in (questions, sayings):
        random.shuffle(of)
    streams = [cycle(of) for of in (notes, questions, sayings)]
    heads, encoder = ([parameter for parameter in part.parameters() if parameter.requires_grad] for part in (model.heads, model.encoder))
    steps = torch.optim.AdamW([{"params": encoder, "times": 1}, {"params": heads, "times": 10}], weight_decay=0.01)
    model.train()
    start, batch = time.monotonic(), 0
    while (gone := (time.monotonic() - start) / (60 * lessons.minutes)) < 1:
        batch += 1
        for group in steps.param_groups:
            group["lr"] = group["times"] * RATE * min(1, batch / WARM) * (1 - (1 - LEFT) * gone)
        some_notes, some_questions, some_sayings = (list(islice(stream, count)) for stream, count in zip(streams, (BATCH, QUESTIONS, SAYINGS), strict=True))
        stories = [labels.story(varied(note, others, denied)) for note in some_notes]
        asked = thresholds(model.heads["symptoms"](model.drop(model.wholes([text.texts for text in some_questions]))), torch.cat([text.symptoms for text in some_questions]))
        loss = model.loss(stories) + 0.5 * said_loss(model, some_sayings, labels) + 0.5 * asked
        steps.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(model.parameters(), 2.0)
        steps.step()
        if run == 0 and batch % EVERY == 0:
            with torch.no_grad():
                for kept, now in zip(mean.parameters(), model.parameters(), strict=True):
                    kept.lerp_(now, max(EVERY / batch, MEAN))
        if batch % 20 == 0:
            print(f"{run}: {batch} batches, {gone:.0%} of the time, loss {float(loss.detach()):.2f}", flush=True)


def write(model: Model, labels: Labels, held: Sequence[str], held_asked: Sequence[int]) -> None:
    """Writes `reader.bin`: large tables as whole numbers of eight bits with a scale for each row; rare pieces are left out."""
    tables = {name: torch.cat(parts).detach().numpy() for name, parts in parts_of(model)}
    kept = _kept_pieces(model.pieces)
    tables["word"] = tables["word"][kept]
    arrays = {}
    for name, table in tables.items():
        if table.ndim == 2 and table.size > LARGE:
            scale = np.abs(table).max(axis=1) / 127
            scale[scale == 0] = 1
            arrays |= {name: np.round(table / scale[:, None]).astype(np.int8), f"{name} scale": scale.astype(np.float32)}
        else:
            arrays[name] = np.ascontiguousarray(table, np.float32)
    pieces = list(model.pieces.numbers)
    store.save(WEIGHTS, arrays, {"pieces": [pieces[number] for number in kept], "steps": labels.steps, "symptoms": labels.symptoms, "settings": labels.settings, "causes": labels.causes, "held": list(held), "held asked": list(held_asked), "proof": proof(model, labels)})


@torch.no_grad()
def proof(model: Model, labels: Labels) -> dict[str, Any]:
    """Some sentences with the likeliest step and symptom of each and their log-odds, and the chances of the results of the work they tell, and of each number how likely it is to be a value of which setting, for the
    test of what casebase makes of the weights."""
    story = labels.story(PROOF)
    [vectors] = model.vectors([story.texts])
    found: dict[str, Any] = {"sentences": story.texts}
    for subject, of in (("steps", labels.steps), ("symptoms", labels.symptoms)):
        scores = model.heads[subject](vectors.whole)
        odds = scores[:, : len(of)] - scores[:, -1:]
        found[subject] = [[of[int(row.argmax())], round(float(row.max()), 3)] for row in odds]
    found["work"] = [[place, labels.steps[step]] for place, step in story.work]
    found["troubles"] = {labels.symptoms[symptom]: told for symptom, told in story.troubles.items()}
    found["results"] = [chances[..., :-1].exp().unflatten(2, (-1, len(RESULTS))).numpy().round(4).tolist() for chances in model.results(vectors, story)]
    odds = model.heads["value"](model.numbers(vectors, story))
    columns = [[label, role] for role in ("before", "after") for label in labels.settings]
    found["numbers"] = [[*place, *columns[int(row[:-1].argmax())], round(float(row[:-1].max() - row[-1]), 3)] for place, row in zip(story.numbers, odds, strict=True)]
    return found


def begun(base: str, labels: Labels) -> Model:
    """A model that knows English and nothing of repairs."""
    encoder = BertModel.from_pretrained(base, add_pooling_layer=False, attention_probs_dropout_prob=NO_DROP)
    encoder.encoder.layer = nn.ModuleList(encoder.encoder.layer[number] for number in LAYERS)
    first = encoder.embeddings
    with torch.no_grad():  # there is one kind of text
        first.position_embeddings.weight += first.token_type_embeddings.weight[0]
        first.token_type_embeddings.weight.zero_()
    first.position_embeddings.weight = nn.Parameter(first.position_embeddings.weight[:WINDOW].clone())
    return Model(Path(base, "vocab.txt").read_text(encoding="utf-8").splitlines(), encoder, labels)


@torch.no_grad()
def as_kept(labels: Labels) -> Model:
    """The model that `reader.bin` holds; labels and heads it does not know begin from nothing."""
    known = learned()
    size, inner = known.weights["0.wide"].shape[::-1]
    shape = BertConfig(vocab_size=len(known.encoder.pieces.numbers), hidden_size=size, intermediate_size=inner, num_hidden_layers=known.encoder.layers,
                       num_attention_heads=HEADS, max_position_embeddings=WINDOW, type_vocab_size=1, attention_probs_dropout_prob=NO_DROP)
    model = Model(list(known.encoder.pieces.numbers), BertModel(shape, add_pooling_layer=False), labels)
    model.encoder.embeddings.token_type_embeddings.weight.zero_()
    steps, symptoms, settings, causes = (_rows(known.labels[subject], of) for subject, of in labels._asdict().items())
    gone, left = ([None if row is None else row + len(known.labels[subject]) for row in rows] for subject, rows in (("symptoms", symptoms), ("settings", settings)))
    rows = {"of step": steps, "of symptom": symptoms, "steps": [*steps, -1], "about": [*symptoms, -1], "symptoms": [*symptoms, *gone, -1], "value": [*settings, *left, -1], "cause": [*causes, -1]}  # last the threshold
    for name, parts in ((name, parts) for name, parts in parts_of(model) if name in known.weights):
        kept_table = known.weights[name]
        table = torch.tensor(kept_table[:] if isinstance(kept_table, Rows) else kept_table)
        for part, kept in zip(parts, table.split([len(part) for part in parts]) if len(parts) > 1 else [table], strict=True):
            for row, place in enumerate(rows.get(name.removesuffix(" bias"), range(len(part)))):
                if place is not None:
                    part[row] = kept[place]
    return model


def _rows(known: Sequence[str], wanted: Sequence[str]) -> list[int | None]:
    numbers = {label: number for number, label in enumerate(known)}
    return [numbers.get(label) for label in wanted]


def parts_of(model: Model) -> Iterator[tuple[str, list[Tensor]]]:
    """The weights by the names that `casebase.retrieve` and `casebase.retain.storyencoded` know them by, some in parts that stand
    one below the other."""
    first = model.encoder.embeddings
    yield "word", [first.word_embeddings.weight]
    yield "place", [first.position_embeddings.weight]
    yield "first", _both(first.LayerNorm)
    for number, layer in enumerate(model.encoder.encoder.layer):
        seen = layer.attention.self
        yield f"{number}.qkv", [part.weight for part in (seen.query, seen.key, seen.value)]
        yield f"{number}.qkv bias", [part.bias for part in (seen.query, seen.key, seen.value)]
        for name, part in (("out", layer.attention.output), ("narrow", layer.output)):
            yield f"{number}.{name}", [part.dense.weight]
            yield f"{number}.{name} bias", [part.dense.bias]
            yield f"{number}.{name} norm", _both(part.LayerNorm)
        yield f"{number}.wide", [layer.intermediate.dense.weight]
        yield f"{number}.wide bias", [layer.intermediate.dense.bias]
    for name, head in model.heads.items():
        yield name, _both(head) if isinstance(head, nn.LayerNorm) else [head.weight]
        if isinstance(head, nn.Linear) and head.bias is not None:
            yield f"{name} bias", [head.bias]


def _both(norm: nn.LayerNorm) -> list[Tensor]:
    return [norm.weight[None], norm.bias[None]]


def _kept_pieces(pieces: Pieces) -> list[int]:
    """The marks, the common pieces and all that the examples need."""
    texts = [sentence.text for story in (*told_stories().values(), *asked_texts()) for sentence in story] + [saying.text for saying in read_sayings()]
    used = {number for text in texts for number in pieces.of(text)}
    return [number for piece, number in pieces.numbers.items()
            if number in used or number in (pieces.begin, pieces.end, pieces.unknown) or (piece.isascii() and not piece.startswith("[") and number < COMMON)
            or (piece.isascii() and len(piece.removeprefix("##")) == 1)]


def held_on(every: Sequence[Any], known: Sequence[Any]) -> list[Any]:
    """What was held back so far of all notes or questions, and one in so many of those written since."""
    return [*known, *every[every.index(known[-1]) + HELD:: HELD]]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--base")
    parser.add_argument("--minutes", type=float, default=90)
    parser.add_argument("--new", type=int, default=0, help="so many notes at the end of told.txt are new, and are learned from first")
    given = parser.parse_args()
    torch.manual_seed(1)  # for labels and heads that begin from nothing
    names = list(told_stories())
    asked = range(len(asked_texts()))
    held = names[::HELD] if given.base else held_on(names, learned().held)
    held_asked = asked[::HELD] if given.base else held_on(asked, learned().held_asked)
    steps = {label for label in read_examples(DATA / "said_steps.txt") if " " in label}
    told = {label for story in told_stories().values() for sentence in story for label in sentence.tells("steps")}
    labels = Labels(sorted(steps | told), *(sorted(package_vocabulary().terms[kind]) for kind in ("symptom", "setting", "cause")))
    model = begun(given.base, labels) if given.base else as_kept(labels)
    new = sum(name not in set(held) for name in names[-given.new:]) if given.new else 0
    lessons = Lessons([name for name in names if name not in set(held)], [number for number in asked if number not in set(held_asked)], new, given.minutes)
    write(taught(model, labels, lessons) if given.minutes else model.eval(), labels, held, held_asked)


if __name__ == "__main__":
    main()
