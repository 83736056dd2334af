"""What an import did."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from casebase.problems import Problem

RowProgress = Callable[[Iterable[Any], int], Iterable[Any]]


@dataclass(frozen=True, slots=True)
class ImportReport:
    """How many cases were written, and every row that needed a remark or was refused."""

    written: int
    problems: tuple[Problem, ...]
