"""The built-in handbook: published troubleshooting rows, each with its source, and typical limits.

It answers while the shop's own cases are few, and it is always marked as what it is: general tables, never
the shop's own record.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from functools import cache, lru_cache
from typing import NamedTuple

from casebase.trade import DATA


class Row(NamedTuple):
    """One published line: a symptom as printed, a cause, a remedy, and where it stands.

    `symptoms`, `cause` and `action` are labels of the vocabulary; `engine` limits the row ("" for all).
    `basis` is "read" (the source was opened), "from memory" or "common practice".
    """

    printed_symptom: str
    printed_cause: str
    remedy: str
    basis: str
    source: str
    note: str
    symptoms: tuple[str, ...]
    cause: str
    action: str
    engine: str


class Limit(NamedTuple):
    """A typical range of a reading. `low` or `high` is None where the source gives only one side."""

    reading: str
    engine: str
    machine: str
    condition: str
    low: float | None
    high: float | None
    unit: str
    below_means: str
    above_means: str
    basis: str
    source: str


def _table(name: str, words: Iterable[str] = ()) -> list[dict[str, str]]:
    """The rows of a data file; with `words`, only lines that hold one of them, which is a tenth of the work."""
    lines = [line for line in (DATA / name).read_text(encoding="utf-8").split("\n") if line and line[0] != "#"]
    wanted = tuple(words)
    if wanted:
        lines = [lines[0], *(line for line in lines[1:] if any(word in line for word in wanted))]
    return list(csv.DictReader(lines))


def _row(cells: dict[str, str]) -> Row:
    return Row(cells["symptom"], cells["cause"], cells["remedy"], cells["basis"], cells["source"], cells["note"],
               tuple(label.strip() for label in cells["symptoms"].split(";") if label.strip()), cells["cause term"],
               cells["action"], cells["engine"])


@cache
def rows() -> tuple[Row, ...]:
    """All rows of the handbook in the order of the file."""
    return tuple(map(_row, _table("handbook.csv")))


@cache
def limits() -> tuple[Limit, ...]:
    """All typical limits in the order of the file."""
    return tuple(
        Limit(row["reading"], row["engine"], row["machine"], row["condition"], _side(row["low"]), _side(row["high"]),
              row["unit"], row["below means"], row["above means"], row["basis"], row["source"])
        for row in _table("limits.csv"))


def _side(text: str) -> float | None:
    return float(text) if text.strip() else None


def rows_for(symptoms: Iterable[str], *, engine: str = "") -> tuple[Row, ...]:
    """The rows that speak of the given symptoms, those that share most of theirs first.

    A row for another engine than `engine` is left out; a row that needs a symptom not given comes after those
    whose symptoms are all there.
    """
    return _rows_for(frozenset(symptoms), engine)


@lru_cache(maxsize=256)
def _rows_for(asked: frozenset[str], engine: str) -> tuple[Row, ...]:
    if not asked:
        return ()
    fitting = [row for row in map(_row, _table("handbook.csv", asked))
               if asked & set(row.symptoms) and (not engine or row.engine in ("", engine))]
    return tuple(sorted(fitting, key=lambda row: (len(set(row.symptoms) - asked), -len(asked & set(row.symptoms)))))
