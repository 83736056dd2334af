"""After the job: whom to ask whether the cure held, the reply into the file, and how long each fix holds.

A repair nobody has heard of counts neither as holding nor as come back. News that came too late or was never
asked for is not success.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import NamedTuple, cast

from casebase.problems import Problem, Refused, did_you_mean, refuse
from casebase.record import edit
from casebase.record.case import FOLLOWUP_STATUSES, Case, Followup, FollowupStatus, History, Repair
from casebase.record.casefile import read
from casebase.record.casetext import write
from casebase.record.folder import find_case, read_bytes, scan
from casebase.record.schema import shorten
from casebase.retain.job import load_case, write_job
from casebase.retrieve.digest import actions_of
from casebase.retrieve.lexicon import Lexicon
from casebase.reuse.survival import Holding, holding_after

MARKS = (("a month", 30), ("a season", 90), ("a year", 365))
"""When a finished repair is asked about: days after the work (our choice)."""
PAUSE = 14
"""Days within which nobody is asked again who did not answer."""
SOONEST = 0.5
"""A fix that came back often is asked about after this share of the days, never earlier."""
PRIOR_JOBS = 4.0
"""The shop's usual share of comebacks weighs as much as so many jobs with news."""
ENDED = ("fixed", "partly fixed")
AFTER = (30, 180, 365)
"""Days for which the share still holding is told."""
STALE_AGE = 183
"""Days after which a machine's age, as written in an earlier job, is no longer true."""

Fix = tuple[str, ...]


class Fate(NamedTuple):
    """What is known of one fix in one case: held for so many `days`, or came back after them."""

    case: str
    days: int
    came_back: bool


class Durability(NamedTuple):
    """How one fix holds. `jobs` it cured, `fates` of those there is news of, and the share holding after `AFTER`."""

    fix: Fix
    jobs: int
    fates: tuple[Fate, ...]
    after: tuple[Holding, ...]

    @property
    def name(self) -> str:
        return " + ".join(self.fix)

    @property
    def came_back(self) -> tuple[str, ...]:
        return tuple(fate.case for fate in self.fates if fate.came_back)


class Due(NamedTuple):
    """A case to ask about. `due` may lie ahead; `days` since the work; `risky` is the fix that calls for haste."""

    case: Case
    done: tuple[str, ...]
    worked: date
    days: int
    due: date
    why: str
    question: str
    risky: Durability | None


class Recorded(NamedTuple):
    """A reply in its file. `written` is False where it stood there already; `opened` is the new case, if any."""

    case: Case
    news: Followup
    written: bool
    opened: Case | None = None
    path: Path | None = None
    notes: tuple[str, ...] = ()


def worked_on(case: Case) -> date:
    """The last day the file says there was work on it."""
    return max([case.date, *(step.date for step in case.steps if step.date)])


# How long fixes hold.


def durability(cases: Sequence[Case], lexicon: Lexicon, day: date) -> tuple[Durability, ...]:
    """Every fix that cured something, those with most news first. News after `day` is not known yet."""
    linked = comebacks(cases)
    jobs: dict[Fix, int] = defaultdict(int)
    fates: dict[Fix, list[Fate]] = defaultdict(list)
    for case in cases:
        if case.status != "closed" or case.outcome not in ENDED or worked_on(case) > day:
            continue
        for fix, symptoms in cures(case, lexicon).items():
            jobs[fix] += 1
            later = [other for other in linked.get(case.id, ()) if other.date <= day]
            fate = _fate(case, symptoms, later, lexicon, day)
            if fate is not None:
                fates[fix].append(fate)
    found = [Durability(fix, count, tuple(fates[fix]), _shares(fates[fix])) for fix, count in jobs.items()]
    return tuple(sorted(found, key=lambda fix: (-len(fix.fates), -fix.jobs, fix.name)))


def _shares(fates: Sequence[Fate]) -> tuple[Holding, ...]:
    times, events = [fate.days for fate in fates], [fate.came_back for fate in fates]
    return tuple(holding_after(times, events, days) for days in AFTER)


def comebacks(cases: Iterable[Case]) -> dict[str, list[Case]]:
    """The later jobs that name an earlier one, by its id."""
    listed = list(cases)
    names = {name: case.id for case in listed for name in (case.number, case.id)}
    linked = defaultdict(list)
    for case in listed:
        if case.comeback_of in names:
            linked[names[case.comeback_of]].append(case)
    return linked


def cures(case: Case, lexicon: Lexicon) -> dict[Fix, set[str]]:
    """The fixes whose last result was a cure, each with the symptoms it cured ("" where the file does not say)."""
    label = lexicon.vocabulary.label
    results = {(actions_of(step, lexicon), label("symptom", effect.symptom) if effect.symptom else ""): effect.result
               for step in case.repairs() for effect in step.effects}
    found: dict[Fix, set[str]] = defaultdict(set)
    for (fix, symptom), result in results.items():
        if result == "cured":
            found[fix].add(symptom)
    return found


def _fate(case: Case, symptoms: set[str], linked: Sequence[Case], lexicon: Lexicon, day: date) -> Fate | None:
    """What became of a fix, None where nobody knows.

    Where the later jobs list only other symptoms it was not this fix that failed; what is known of it then ends
    with the last news before.
    """
    news = [followup for followup in case.followups if followup.date <= day]
    back = [followup.date for followup in news if followup.status == "came back"]
    concerned = [later for later in linked if "" in symptoms or not later.symptoms or symptoms & {
        lexicon.vocabulary.label("symptom", symptom) for symptom in later.symptoms}]
    returned = [*back, *(later.date for later in concerned)] if concerned or not linked else []
    if returned:
        return Fate(case.id, max(0, (min(returned) - worked_on(case)).days), True)
    until = min([*back, *(later.date for later in linked)], default=day)
    held = [(followup.date - worked_on(case)).days for followup in news
            if followup.status == "holding" and followup.date <= until]
    return Fate(case.id, max(held), False) if held and max(held) > 0 else None


# Whom to ask.


def to_ask(cases: Sequence[Case], lexicon: Lexicon, day: date) -> tuple[Due, ...]:
    """The closed cases that ended fixed or partly fixed and have no news by `day`, those due longest first."""
    record = {fix.fix: fix for fix in durability(cases, lexicon, day)}
    heard = sum(len(fix.fates) for fix in record.values())
    usual = sum(len(fix.came_back) for fix in record.values()) / heard if heard else 0.0
    linked = comebacks(cases)
    found = []
    for case in cases:
        if case.status != "closed" or case.outcome not in ENDED or worked_on(case) > day or case.id in linked:
            continue
        if not any(news.status != "unknown" and news.date <= day for news in case.followups):
            due = _due(case, record, usual, lexicon, day)
            if due is not None:
                found.append(due)
    return tuple(sorted(found, key=lambda due: (due.due, due.case.id)))


def _due(case: Case, record: Mapping[Fix, Durability], usual: float, lexicon: Lexicon, day: date) -> Due | None:
    """When to ask about a case; None once the last question, a year after the work, was asked in vain."""
    worked, fixes = worked_on(case), _fixes_of(case, lexicon)
    known = [record[fix] for fix in fixes if fix in record]
    risky = min(known, key=lambda fix: haste(fix, usual), default=None)
    factor = haste(risky, usual) if risky else 1.0
    vain = max((news.date for news in case.followups if news.date <= day), default=None)
    marks = [(name, math.ceil(days * factor)) for name, days in MARKS
             if vain is None or _later(worked, math.ceil(days * factor) - PAUSE) > vain]
    if not marks:
        return None
    days = (day - worked).days
    name, mark = next((mark for mark in reversed(marks) if mark[1] <= days), marks[0])
    why = f"asked in vain on {vain.isoformat()}; " if vain else ""
    why += f"no news {days} days after the work" if mark <= days else f"to be asked {mark} days after the work"
    if factor < 1 and risky:
        why += (f"; asked sooner than after {name}, because {risky.name} came back in {len(risky.came_back)} of "
                f"{len(risky.fates)} {'job' if len(risky.fates) == 1 else 'jobs'} heard of")
    else:
        why += f", and {name} is over" if mark <= days else f", when {name} is over"
    return Due(case, tuple(" + ".join(fix) for fix in fixes), worked, days, _later(worked, mark), why,
               question_of(case), risky if factor < 1 else None)


def _later(day: date, days: int) -> date:
    """So many days on, or the last day of the calendar, for a mistyped year must not end in an error."""
    return date.fromordinal(min(day.toordinal() + days, date.max.toordinal()))


def haste(fix: Durability, usual: float) -> float:
    """The share of the usual days after which to ask, from `SOONEST` to 1; below 1 for what came back more often.

    `usual` is the shop's share of comebacks among all fixes it has news of.
    """
    own = (len(fix.came_back) + PRIOR_JOBS * usual) / (len(fix.fates) + PRIOR_JOBS)
    return max(SOONEST, min(1.0, usual / own)) if own else 1.0


def _fixes_of(case: Case, lexicon: Lexicon) -> tuple[Fix, ...]:
    """What was done that cured; else what helped; else all that was done."""
    steps = [(actions_of(step, lexicon), {effect.result for effect in step.effects}) for step in case.repairs()]
    helped = [fix for fix, results in steps if "better" in results]
    return tuple(dict.fromkeys(cures(case, lexicon) or helped or [fix for fix, _results in steps]))


def question_of(case: Case) -> str:
    """What to ask the owner, in the owner's own words of then."""
    complaint = shorten(" ".join(case.complaint.split()).rstrip(".!").replace('"', "'"), 140)
    went = f'Your {case.machine.kind} went home on {worked_on(case).isoformat()}. You had said: "{complaint}".'
    if case.outcome == "partly fixed":
        return f"{went} It was better then, but not cured: is it still as good, or has it got worse?"
    return f"{went} Has that come back since, or is it still gone?"


# The reply.


def record(folder: Path, reference: str, words: str, day: date, *, today: date, new_case: bool = True) -> Recorded:
    """Writes the reply about a job into its file; "came back" opens a linked case unless `new_case` is False.

    Parameters: `reference` as `find_case` takes it; `words` a follow-up status; `day` of the reply. The same reply
    twice is written once. Raises `Refused` where the job is unknown or open, the words are no status, or the day
    lies before the work or after `today`.
    """
    status = status_of(words)
    path = find_case(folder, reference).path
    case, seen = load_case(path)
    if case.status != "closed":
        raise refuse("open-job", f"[{case.number}] is still open", f"casebase finish {case.number} comes first",
                     field="--record")
    if not worked_on(case) <= day <= today:
        ended = f"the work on [{case.number}] ended {worked_on(case).isoformat()} and today is {today.isoformat()}"
        raise refuse("date", f"{day.isoformat()} cannot be the day of the reply", f"{ended}; give a day between them",
                     field="--date")
    news = Followup(day, status)
    written = news not in case.followups
    if written:
        case = edit.change(path, edit.Changes(followups=(news,)), seen)
    done = Recorded(case, news, written, notes=() if written else ("this reply stood in the file already",))
    if status != "came back" or not new_case:
        return done
    try:
        opened, place = open_comeback(folder, case, day)
    except Refused as refused:
        raise Refused(Problem("recorded", "the reply is in its file, but the new case was not opened",
                              "the same command again opens it", file=str(path)), *refused.problems,
                      usage=False) from None
    if place is None:
        note = f"[{opened.number}] is already linked as its comeback, so no new case was made; its own news go there"
        return done._replace(notes=(*done.notes, note))
    return done._replace(opened=opened, path=place, notes=(*done.notes, *_left_out(case, day)))


def status_of(words: str) -> FollowupStatus:
    """The status that words name. Raises `Refused` with the words that would do."""
    wanted = " ".join(words.replace("-", " ").casefold().split())
    if wanted not in FOLLOWUP_STATUSES:
        near = did_you_mean(wanted, FOLLOWUP_STATUSES)
        allowed = 'allowed: holding, "came back", unknown'
        raise refuse("choice", f'"{words}" is not what can become of a repair',
                     allowed if near.startswith("allowed") else f"{near} {allowed}", field="--record")
    return cast("FollowupStatus", wanted)


def linked_to(folder: Path, case: Case) -> tuple[Case, ...]:
    """The jobs that name this one as what came back, by date. Only files that hold its number are read as cases."""
    return tuple(sorted(_naming(folder, case), key=lambda later: (later.date, later.id)))


def _naming(folder: Path, case: Case) -> Iterator[Case]:
    for entry in scan(folder).entries:
        data = read_bytes(entry.path)
        if isinstance(data, bytes) and case.number.encode() in data:
            later = read(data, entry.id).case
            if later is not None and later.comeback_of in (case.id, case.number):
                yield later


def open_comeback(folder: Path, case: Case, day: date) -> tuple[Case, Path | None]:
    """Opens the job of a repair that came back: same machine, same complaint, what was done as tried before.

    Its symptoms stay empty: what the machine does now is for the bench to say. The private part is not copied.
    Where a job is linked already nothing is made, and that job comes without a path.
    """
    machine = case.machine._replace(age="") if _left_out(case, day) else case.machine
    tried = dict.fromkeys(action for step in case.repairs() if isinstance(step, Repair) for action in step.actions)
    title = case.title if case.title.startswith("Came back: ") else f"Came back: {case.title}"
    made = Case(id="", title=title, date=day, machine=machine, complaint=case.complaint, status="open",
                history=History(tried_before=tuple(tried)), comeback_of=case.id)
    with edit.alone(folder):
        linked = linked_to(folder, case)
        if linked:
            return linked[-1], None
        return write_job(folder, made, write(made))


def tell_earlier(folder: Path, case: Case, lexicon: Lexicon) -> tuple[str, ...]:
    """Writes into the file of the earlier job that it came back, and returns what is to be said of that.

    Only where this job is named a comeback and has a symptom that was cured then: another trouble of the same
    machine says nothing against that repair. Whatever stands in the way is said, for this job is closed by now.
    """
    if not case.comeback_of:
        return ()
    label = lexicon.vocabulary.label
    try:
        earlier, _seen = load_case(find_case(folder, case.comeback_of).path)
        cured = {symptom for symptoms in cures(earlier, lexicon).values() for symptom in symptoms}
        told = any(news.status == "came back" for news in earlier.followups)
        if told or not {"", *(label("symptom", symptom) for symptom in case.symptoms)} & cured:
            return ()
        record(folder, earlier.id, "came back", case.date, today=case.date, new_case=False)
    except Refused as refused:
        return (f"not noted in {case.comeback_of} that it came back: {refused.problems[0].message}",)
    return (f"noted in [{earlier.number}] that it came back",)


def _left_out(case: Case, day: date) -> tuple[str, ...]:
    if case.machine.age and (day - case.date).days >= STALE_AGE:
        return (f'the machine\'s age ("{case.machine.age}" on {case.date.isoformat()}) was not carried over',)
    return ()
