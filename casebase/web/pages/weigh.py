"""Repair or replace: fixes with their price, time and chance, and what comes of them in money.

A figure that is left empty is taken from the cases. The form is a plain GET, so that a weighing can be kept as a link.
"""

from __future__ import annotations

from itertools import zip_longest
from typing import NamedTuple

from starlette.responses import Response

from casebase.api import CaseBase
from casebase.problems import Problem, Refused, refuse
from casebase.reuse.firstanswer import proposed
from casebase.reuse.weigh import MOST_FIXES, Replacement, Weighed
from casebase.web.site import Page, Visit

ROWS, SPARE = 3, 1
OFFERED = 3


class Line(NamedTuple):
    """One fix as typed."""

    fix: str = ""
    price: str = ""
    minutes: str = ""
    chance: str = ""

    def given(self) -> str:
        """The line as the engine reads it."""
        figures = [self.price, f"{self.minutes} min" if self.minutes else "", f"{self.chance} %" if self.chance else ""]
        return f"{self.fix}: {', '.join(filter(None, figures))}"


def weigh(visit: Visit) -> Response:
    words = visit.query.get("q")
    base = visit.base
    lines = typed(visit)
    problems: tuple[Problem, ...] = ()
    answer = None
    try:
        if not lines and words:
            lines = offered(base, words)
        if lines:
            answer = base.weigh([line.given() for line in lines], words, otherwise=number(visit, "otherwise") or 0.0,
                                replacement=replacement(visit))
    except Refused as reason:
        problems = reason.problems
    found = [told(item) for item in answer.fixes] if answer else []
    rows = lines + [Line()] * min(max(ROWS - len(lines), SPARE), MOST_FIXES - len(lines))
    values = {name: visit.query.get(name) for name in ("otherwise", "new_price", "new_life", "repaired_life", "resale")}
    return visit.page("weigh.html", 400 if problems else 200, words=words, rows=list(zip_longest(rows, found, fillvalue=Line())), values=values, answer=answer,
                      problems=problems, currency=base.index.settings.currency,
                      actions=sorted(base.index.lexicon.vocabulary.terms["action"]),
                      cautions=answer.cautions(base.index.lexicon.vocabulary) if answer else ())


def typed(visit: Visit) -> list[Line]:
    """The lines that name a fix or at least a figure."""
    columns = [[value.strip() for name, value in visit.query if name == column] for column in Line._fields]
    longest = max(map(len, columns))
    padded = [column + [""] * (longest - len(column)) for column in columns]
    return [line for line in map(Line._make, zip(*padded, strict=True)) if any(line)]


def told(item: Weighed) -> Line:
    """What is reckoned with for a fix, to stand where nothing was typed."""
    step = item.step
    return Line(step.name, f"{step.price:g}" if item.price_known else "", f"{step.minutes:.0f}", f"{100 * step.chance:.0f}")


def offered(base: CaseBase, words: str) -> list[Line]:
    """The fixes that helped such jobs, as lines to begin with."""
    names = dict.fromkeys(fix.name for part in base.find(words).evidence for fix in proposed(part))
    return [Line(name) for name in list(names)[:OFFERED]]


def number(visit: Visit, name: str) -> float | None:
    """A number that was typed; None where nothing was. Raises `Refused` for what is none."""
    text = visit.query.get(name)
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise refuse("figure", f'"{text}" is not a number', "write it like 120 or 11.80", field=name.replace("_", " ")) from None


def replacement(visit: Visit) -> Replacement | None:
    price = number(visit, "new_price")
    if price is None:
        return None
    return Replacement(price, number(visit, "new_life") or 6.0, number(visit, "repaired_life") or 3.0,
                       number(visit, "resale") or 0.0)


PAGES: dict[str, Page] = {"GET /weigh": weigh}
