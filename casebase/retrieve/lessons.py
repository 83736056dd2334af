"""The learned part of a folder: what its cases teach, kept beside the index and fitted anew when they teach anew."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from casebase.record.case import OUTCOMES
from casebase.retrieve import store
from casebase.retrieve.learned import LEAST_LABELLED, Learned, from_store
from casebase.retrieve.text import stem

if TYPE_CHECKING:
    from casebase.retrieve.index import Index
    from casebase.retrieve.training import Sample

FILE_NAME = "learned"
# With more labelled cases a changed case is learned from at the next full build, not at once: fitting takes seconds.
AT_ONCE = 2_000
# Ends that say whether a repair can succeed; a declined job or one without a fault says nothing.
ENDS = {"fixed": True, "partly fixed": False, "not fixed": False, "not worth fixing": False}


def learned_part(index: Index, place: Path | None, *, built: bool, notes: list[str]) -> Learned | None:
    """The models for the cases that count; None where they teach too little.

    `built`: whether the index was built from nothing just now. Stored models are used when they were fitted to these
    very cases; for a large folder also until its next full build. What cannot be stored serves this once.
    """
    lesson = index.column("lesson")[index.alive]
    taught = int((lesson != 0).sum())
    if taught < LEAST_LABELLED:
        return None
    mark = f"{int(lesson.sum(dtype=np.uint64)):x} {taught}"
    kept = _load(place)
    if kept is not None and (kept[0] == mark or (not built and taught > AT_ONCE)):
        return kept[1]
    from casebase.retrieve.training import fit

    learned = fit(list(samples(index)))
    if learned is not None:  # words of the trade come in questions although no case has said them yet
        trade = {word: stem(word) for word in index.lexicon.folding.heads if " " not in word and stem(word)}
        learned = learned._replace(stems={**trade, **learned.stems})
    if place is not None:
        arrays, tables, texts = learned.stored() if learned else ({}, {}, {})
        try:
            store.save(place / FILE_NAME, arrays, {**tables, "of": mark, "nothing": learned is None}, texts)
        except OSError as error:
            notes.append(f"what was learned could not be stored in {place} ({error.strerror}); it will be learned anew")
    return learned


def _load(place: Path | None) -> tuple[str, Learned | None] | None:
    """The mark of the cases the stored models were fitted to, and the models; None where none can be used."""
    if place is None:
        return None
    try:
        arrays, tables = store.load(place / FILE_NAME)
        return str(tables["of"]), None if tables["nothing"] else from_store(arrays, tables)
    except (store.Damaged, KeyError, TypeError, ValueError):
        return None


def samples(index: Index) -> Iterator[Sample]:
    """What the cases that count teach; a case with several causes teaches each."""
    for position in index.positions():
        yield from samples_of(index, position)


def samples_of(index: Index, position: int) -> list[Sample]:
    from casebase.retrieve.training import Sample

    segment, place = index.locate(position)
    outcome = int(segment["outcome"][place])
    fixed = ENDS.get(OUTCOMES[outcome]) if outcome >= 0 else None
    causes = index.labels("causes", "cause", position)
    words, machine = segment.said(place), attributes_of(index, position)
    if not causes:
        return [Sample(words, machine, "", fixed)] if fixed is not None else []
    return [Sample(words, machine, cause, None if number else fixed) for number, cause in enumerate(causes)]


def attributes_of(index: Index, position: int) -> tuple[str, ...]:
    """The attributes of a case's machine that the learned part uses."""
    segment, place = index.locate(position)
    numbers = ((name, int(segment[name][place])) for name in ("kind", "engine"))
    return tuple(str(index.tables.lists[name][number]) for name, number in numbers if number >= 0)
