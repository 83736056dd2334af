"""The shop in plain counts, and its cases as a list; both read from the index, so they cost no file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

import numpy as np

from casebase.record.case import citation
from casebase.retrieve.index import Index


class Listed(NamedTuple):
    """A case as a list shows it. `outcome` is its status where it has none; `date` is None for an impossible day."""

    id: str
    title: str
    kind: str
    outcome: str
    date: date | None

    @property
    def number(self) -> str:
        return citation(self.id)


class Overview(NamedTuple):
    """Counts of cases: all of them, by year (newest first), and by outcome and kind of machine (most first)."""

    cases: int
    years: tuple[tuple[str, int], ...]
    outcomes: tuple[tuple[str, int], ...]
    kinds: tuple[tuple[str, int], ...]
    came_back: int


def listed(index: Index, *, open_only: bool = False) -> tuple[Listed, ...]:
    """The cases that count, newest first; of one day the higher number first."""
    days, still_open = index.column("day"), index.column("open")
    positions = [place for place in index.positions() if not open_only or still_open[place]]
    found = [Listed(index.id(place), *index.shown(place), date.fromordinal(int(days[place])) if days[place] > 0 else None)
             for place in positions]
    return tuple(sorted(found, key=lambda case: (case.date or date.min, case.id), reverse=True))


def overview(index: Index) -> Overview:
    """Counts of the cases that count."""
    days = index.column("day")[np.flatnonzero(index.alive)]
    years = Counter(str(date.fromordinal(int(day)).year) if day > 0 else "unknown" for day in days)
    shown = [index.shown(place) for place in index.positions()]
    return Overview(index.size, tuple(sorted(years.items(), reverse=True)), _most_first(shown_one[2] for shown_one in shown),
                    _most_first(shown_one[1] or "unknown" for shown_one in shown),
                    sum(index.came_back(place) for place in index.positions()))


def _most_first(names: Iterable[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(Counter(names).items(), key=lambda item: (-item[1], item[0])))
