"""How follow-ups look: whom to ask, what was written down, how long fixes hold; as words and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from casebase.cli.paper import Paper
from casebase.cli.views import cite
from casebase.retain.followup import Due, Durability, Recorded
from casebase.reuse.survival import ENOUGH, Holding


def due(paper: Paper, found: Sequence[Due], day: date, limit: int) -> None:
    """Those due by `day`, then those who are to be asked later; at most `limit` in all."""
    now = [one for one in found if one.due <= day]
    later = found[len(now):]
    if not found:
        paper.line("Nobody is to be asked: every finished job has news.")
    elif not now:
        paper.line(f"Nobody is to be asked yet; the next on {found[0].due.isoformat()}.")
    for heading, part in (("To ask now", now[:limit]), ("Later", later[:max(0, limit - len(now))])):
        if part:
            paper.heading(heading)
        for one in part:
            _one(paper, one)
    if len(found) > limit:
        paper.line(f"and {len(found) - limit} more; --limit shows them", indent=2, style="quiet")
    if now:
        paper.line()
        paper.line(f'Write down what they say: casebase followups --record {now[0].case.number} holding '
                   '(or "came back", or unknown)', hang=2, style="quiet")


def _one(paper: Paper, one: Due) -> None:
    ago = "today" if not one.days else "1 day ago" if one.days == 1 else f"{one.days} days ago"
    paper.line(f"[{one.case.number}] {one.case.title}", indent=2, hang=9)
    paper.line(f"{ago} ({one.worked.isoformat()}), {one.case.outcome}: "
               + ("; ".join(one.done) or "the file does not say what was done"), indent=11)
    paper.line(f"Why: {one.why}.", indent=11, style="quiet")
    paper.line(f"Ask: {one.question}", indent=11)


def due_json(found: Sequence[Due], day: date, limit: int) -> dict[str, Any]:
    """`due` and `later` together hold at most `limit` cases; the totals count all."""
    listed = [{
        "case": one.case.id, "number": one.case.number, "title": one.case.title, "outcome": one.case.outcome,
        "done": list(one.done), "worked_on": one.worked.isoformat(), "days": one.days, "due": one.due.isoformat(),
        "why": one.why, "question": one.question,
        "sooner_for": None if one.risky is None else {
            "actions": list(one.risky.fix), "heard_of": len(one.risky.fates), "came_back": list(one.risky.came_back)},
    } for one in found[:limit]]
    now = sum(one.due <= day for one in found)
    return {"as_of": day.isoformat(), "due": listed[:now], "later": listed[now:], "total_due": now,
            "total_later": len(found) - now}


def fixes(paper: Paper, found: Sequence[Durability], day: date, limit: int) -> None:
    """How long each fix holds, those with news only; a share never without its interval."""
    heard = [fix for fix in found if fix.fates]
    if not heard:
        paper.line(f"No fix has news by {day.isoformat()}; casebase followups says whom to ask.")
        return
    paper.heading("How long fixes hold")
    for fix in heard[:limit]:
        back = f"came back in {len(fix.came_back)} {cite(fix.came_back)}" if fix.came_back else "none came back"
        paper.line(f"{fix.name}: {_jobs(fix.jobs)}, news of {len(fix.fates)}, {back}", indent=2, hang=2)
        if any(at.share is not None for at in fix.after):
            paper.line("; ".join(map(holding, fix.after)), indent=6, hang=2, style="quiet")
        else:
            days = ", ".join(f"{at.time:g}" for at in fix.after)
            paper.line(f"still holding after {days} days: not known", indent=6, style="quiet")
    if len(heard) > limit:
        paper.line(f"and {len(heard) - limit} more; --limit shows them", indent=2, style="quiet")
    silent = len(found) - len(heard)
    if silent:
        paper.line(f"Of {silent} more {'fix' if silent == 1 else 'fixes'} there is no news at all.", indent=2)
    paper.line()
    paper.line(f"Jobs without news count neither way. A share needs {ENOUGH} jobs whose fate at that day is known; the "
               "span is a 95 % interval.", style="quiet")


def _jobs(count: int) -> str:
    return "cured 1 job" if count == 1 else f"cured {count} jobs"


def holding(at: Holding) -> str:
    """The share holding at a day in words, from the lowest to the highest it may well be."""
    if at.share is None or at.low is None or at.high is None:
        return f"after {at.time:g} days not known"
    low, high = round(100 * at.low), round(100 * at.high)
    return (f"after {at.time:g} days {round(100 * at.share)} of 100 still hold, between {low} and {high} "
            f"(from {at.known} jobs)")


def fixes_json(found: Sequence[Durability], day: date, limit: int) -> dict[str, Any]:
    """Every fix that cured something, those with most news first."""
    return {"as_of": day.isoformat(), "total": len(found), "level": 0.95, "fixes": [{
        "actions": list(fix.fix), "jobs": fix.jobs, "heard_of": len(fix.fates), "came_back": list(fix.came_back),
        "holding": [{"days": at.time, "known": at.known, "share": at.share, "low": at.low, "high": at.high}
                    for at in fix.after]} for fix in found[:limit]]}


def recorded(paper: Paper, done: Recorded) -> None:
    """What now stands in the file, and the case that was opened."""
    words = f"{done.news.date.isoformat()}: {done.news.status}"
    paper.line(f"[{done.case.number}] {done.case.title}", style="strong")
    paper.line(f"{'Follow-up' if done.written else 'Unchanged':<10}{words}", hang=10)
    if done.opened is not None:
        paper.line(f"Opened    [{done.opened.number}] {done.opened.title}, in {done.path}", hang=10)
    for note in done.notes:
        paper.line(f"note: {note}", hang=6)


def recorded_json(done: Recorded) -> dict[str, Any]:
    """The reply, whether it was written just now, and the case opened for a comeback."""
    return {"case": done.case.id, "number": done.case.number, "date": done.news.date.isoformat(),
            "status": done.news.status, "written": done.written,
            "opened": done.opened.id if done.opened else None, "file": str(done.path) if done.path else None,
            "notes": list(done.notes)}
