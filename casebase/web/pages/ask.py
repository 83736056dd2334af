"""The first page: one box for a complaint, and all that the record says to it."""

from __future__ import annotations

from typing import Any, NamedTuple

from starlette.responses import Response

from casebase.api import CaseBase
from casebase.problems import Refused
from casebase.retrieve.rank import Match
from casebase.retrieve.understand import Understood
from casebase.reuse.firstanswer import best_matches, proposed, without_effect
from casebase.web.site import Page, Visit

STATUS_WORDS = {"present": "", "absent": "not there", "resolved": "over", "possible": "perhaps", "historical": "earlier"}
OTHERS = 3


class Chip(NamedTuple):
    """Something that was read: its name, how it stands ("not there"), and the words it was read from."""

    name: str
    label: str
    status: str
    words: str


class Neighbour(NamedTuple):
    """A case like this one, as a list shows it."""

    match: Match
    title: str
    kind: str
    outcome: str


def ask(visit: Visit) -> Response:
    words, wrong = visit.query.get("q"), visit.query.all("not")
    base = visit.base
    if not words:
        return visit.page("ask.html", words="", cases=base.index.size, still_open=base.listed(open_only=True)[:8])
    try:
        question = base.understand(words, wrong)
    except Refused as reason:
        return visit.refused(reason, "ask.html", words=words, cases=base.index.size, still_open=())
    return visit.page_in_two("answered.html", lambda: visit.site.held.kept(base, question, lambda: answered(base, question)))


def answered(base: CaseBase, question: Understood) -> dict[str, Any]:
    """All that the page shows of an answer."""
    answer = base.find(question)
    step = base.next_after(answer, limit=3)
    close = best_matches(answer)
    vocabulary = base.index.lexicon.vocabulary
    care = tuple(dict.fromkeys((*vocabulary.cautions(proposal.term for proposal in step.proposals[:1]), *answer.cautions)))
    return {"answer": answer, "chips": chips(answer.question), "close": bool(close),
            "neighbours": neighbours(base, close or answer.ranking.shown[:OTHERS]), "proposed": proposed,
            "idle": without_effect, "currency": base.index.settings.currency, "step": step, "care": care}


def neighbours(base: CaseBase, matches: tuple[Match, ...]) -> list[Neighbour]:
    return [Neighbour(match, *base.index.shown(match.position)) for match in matches]


def chips(seen: Understood) -> list[Chip]:
    """What was read of symptoms, causes, the machine and earlier tries, each to be taken away by its name."""
    found = [Chip(term.label, term.label, "likely" if term.label in seen.likely and term.status == "present" else STATUS_WORDS[term.status], term.words) for term in seen.observations
             if term.kind in ("symptom", "cause")]
    machine = seen.machine
    found += [Chip(name, name, "machine", "") for name in (machine.kind, machine.engine) if name]
    if machine.carburettor:
        found.append(Chip(machine.carburettor, f"{machine.carburettor} carburettor", "machine", ""))
    if machine.displacement_cc:
        found.append(Chip("displacement", f"{machine.displacement_cc:g} cc", "machine", ""))
    if machine.age_years is not None:
        found.append(Chip("age", f"{machine.age_years:g} years old", "machine", ""))
    found += [Chip(tried.action, tried.action, f"tried: {tried.result}", tried.words) for tried in seen.tried]
    return found


PAGES: dict[str, Page] = {"GET /": ask}
