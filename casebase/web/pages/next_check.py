"""What to check or do next, for a complaint in words or a job; answers are taps that the address carries on.

Nothing is written here: the answers live in the address until the job is opened. `a` is an answer to a check
("bad:fuel line"), `f` a fix that did not help, `s` something passed over.
"""

from __future__ import annotations

from typing import NamedTuple, cast, get_args

from starlette.responses import Response

from casebase.problems import Refused, refuse
from casebase.record.case import Case
from casebase.reuse.causes import SOMETHING_ELSE
from casebase.reuse.nextcheck import Answer, Known, NextStep, Outcome, Profile, Proposal
from casebase.web.site import Page, Visit, address

# Below so many similar cases with a known cause, chances are not put in numbers.
FEW_CASES = 3
MOST_SHOWN = 5


class Tap(NamedTuple):
    """An answer to tap: what it says, what stands under it, and the address it leads to."""

    label: str
    meaning: str
    to: str


class Trail(NamedTuple):
    """All that the address carries: what is asked, and what was answered so far."""

    words: str
    job: str
    wrong: tuple[str, ...]
    answers: tuple[tuple[str, Answer], ...]
    failed: tuple[str, ...]
    skipped: tuple[str, ...]
    profile: Profile

    def to(self, **changed: object) -> str:
        """The address of this trail with something changed."""
        trail = self._replace(**changed)  # type: ignore[arg-type]
        return address("/next", q=trail.words, job=trail.job, **{"not": trail.wrong}, a=[
            f"{answer}:{check}" for check, answer in trail.answers], f=trail.failed, s=trail.skipped,
            by="" if trail.profile == "bench" else trail.profile)


def trail_of(visit: Visit) -> Trail:
    """Raises `Refused` for an answer or a profile that is none."""
    answers = []
    for given in visit.query.all("a"):
        answer, _, check = given.partition(":")
        if answer not in get_args(Answer):
            raise refuse("answer", f'"{answer}" is not an answer to a check', f"allowed: {', '.join(get_args(Answer))}")
        answers.append((check, cast(Answer, answer)))
    profile = visit.query.get("by") or "bench"
    if profile not in get_args(Profile):
        raise refuse("choice", f'"{profile}" is not a way to work', f"allowed: {', '.join(get_args(Profile))}")
    return Trail(visit.query.get("q"), visit.query.get("job"), visit.query.all("not"), tuple(answers), visit.query.all("f"),
                 visit.query.all("s"), cast(Profile, profile))


def next_check(visit: Visit) -> Response:
    trail = trail_of(visit)
    base = visit.base
    if not trail.words and not trail.job:
        return visit.page("next.html", trail=trail, step=None, job=None, still_open=base.listed(open_only=True)[:12])
    known = Known(trail.answers, trail.failed)
    limit = min(30, MOST_SHOWN + len(trail.skipped))
    try:
        job = _job(visit, trail.job)
        step = (base.next_step_of(job, known, profile=trail.profile, limit=limit) if job else
                base.next_step(trail.words, known, profile=trail.profile, limit=limit, wrong=trail.wrong))
    except Refused as reason:
        if trail.job:
            raise
        return visit.refused(reason, "next.html", trail=trail, step=None, job=None, still_open=())
    left = [proposal for proposal in step.proposals if proposal.term.label not in trail.skipped][:MOST_SHOWN]
    vocabulary = base.index.lexicon.vocabulary
    return visit.page(
        "next.html", trail=trail, step=step, job=job, first=left[0] if left else None, others=left[1:],
        taps=taps(trail, step, left[0]) if left else [], numbers=in_numbers(step), done=visit.query.get("done"),
        likely=[(cause, chance) for cause, chance in step.belief.top(6) if cause != SOMETHING_ELSE],
        rests=len(behind(step)), currency=base.index.settings.currency,
        cautions=vocabulary.cautions(proposal.term for proposal in left), skip=_skip(trail, left),
        before=without_one(trail), put_first=_put_first(trail, step))


def _job(visit: Visit, reference: str) -> Case | None:
    if not reference:
        return None
    from casebase.api import usable

    return usable(visit.base.reading(reference))


def behind(step: NextStep) -> set[str]:
    """The cases the chances rest on."""
    return {case_id for ids in step.belief.cases.values() for case_id in ids}


def in_numbers(step: NextStep) -> bool:
    return len(behind(step)) >= FEW_CASES


def taps(trail: Trail, step: NextStep, proposal: Proposal) -> list[Tap]:
    """What can be answered to a proposal, and what each answer would do."""
    name = proposal.term.label
    if proposal.kind == "fix":
        return [Tap("It cured it", "prove it, then write it up", f"{trail.to()}&{address('', done=name)[1:]}"),
                Tap("No change", "goes on without it", trail.to(failed=(*trail.failed, name)))]
    found = []
    for outcome in proposal.outcomes:
        words = proposal.term.ok if outcome.answer == "ok" else proposal.term.bad if outcome.answer == "bad" else ()
        label = {"ok": "In order", "bad": "Not in order", "can't tell": "Can't tell"}[outcome.answer]
        found.append(Tap(f"{label}: {', '.join(words[:3])}" if words else label, meaning(outcome, in_numbers(step)),
                         trail.to(answers=(*trail.answers, (name, outcome.answer)))))
    if all(outcome.answer != "can't tell" for outcome in proposal.outcomes):
        found.append(Tap("Can't tell", "nothing is won or lost", trail.to(answers=(*trail.answers, (name, "can't tell")))))
    return found


def meaning(outcome: Outcome, numbers: bool) -> str:
    """What an answer would do to the causes, in words."""
    if outcome.answer == "can't tell":
        return "nothing is won or lost"
    causes = [f"{cause} ({round(100 * chance)} in 100)" if numbers else cause
              for cause, chance in outcome.causes if cause != SOMETHING_ELSE][:2]
    return f"then {' or '.join(causes)}" if causes else "then something else"


def _skip(trail: Trail, left: list[Proposal]) -> str:
    return trail.to(skipped=(*trail.skipped, left[0].term.label)) if left else ""


def _put_first(trail: Trail, step: NextStep) -> dict[str, str]:
    """For each other proposal the address that puts it first, by passing over those before it."""
    passed: list[str] = list(trail.skipped)
    found = {}
    for proposal in step.proposals:
        name = proposal.term.label
        if name not in trail.skipped:
            found[name] = trail.to(skipped=tuple(passed))
            passed.append(name)
    return found


def without_one(trail: Trail) -> list[tuple[str, str]]:
    """What was answered so far, each with the address that takes it back."""
    found = [(f"{check}: {answer}", trail.to(answers=tuple(item for item in trail.answers if item != (check, answer))))
             for check, answer in trail.answers]
    found += [(f"{fix}: no change", trail.to(failed=tuple(item for item in trail.failed if item != fix)))
              for fix in trail.failed]
    return found + [(f"{name}: passed over", trail.to(skipped=tuple(item for item in trail.skipped if item != name)))
                    for name in trail.skipped]


PAGES: dict[str, Page] = {"GET /next": next_check}
