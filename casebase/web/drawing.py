"""The pictures on the pages as plain numbers: where a line begins and ends. The templates make SVG of them."""

from __future__ import annotations

from typing import NamedTuple

from casebase.reuse.evidence import FixEvidence
from casebase.reuse.weigh import Weighing

# The track of a range, in units of the drawing.
LEFT, RIGHT = 6.0, 394.0


class Range(NamedTuple):
    """A range on a track: both ends and the mark in it, as places on the drawing; None for no mark."""

    low: float
    high: float
    mark: float | None


def place(share: float) -> float:
    """Where a share of the whole (0 to 1) stands on the track."""
    return round(LEFT + (RIGHT - LEFT) * min(max(share, 0.0), 1.0), 1)


def ticks(parts: int = 10) -> list[float]:
    return [place(number / parts) for number in range(parts + 1)]


def cure_range(fix: FixEvidence) -> Range | None:
    """How often a fix cures, as a range of shares; None where there are too few cases to say."""
    if fix.wilson is None:
        return None
    return Range(place(fix.wilson.low), place(fix.wilson.high), None if fix.evidence.share is None else place(fix.evidence.share))


class Bar(NamedTuple):
    """A row of the picture of costs: its name, the money, and the range on a common scale."""

    name: str
    amount: float
    range: Range


def cost_bars(answer: Weighing) -> list[Bar]:
    """The expected cost of the course and of stopping at once, on one scale that begins at nothing."""
    rows = [("this order", answer.outlook.cost, answer.cost.low, answer.cost.high)]
    if answer.course.fallback:
        rows.append(("stop at once", *(answer.course.fallback,) * 3))
    top = max(high for _name, _mean, _low, high in rows) or 1.0
    return [Bar(name, mean, Range(place(low / top), place(high / top), place(mean / top))) for name, mean, low, high in rows]
