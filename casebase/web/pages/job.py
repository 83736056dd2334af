"""A job on the bench: taken in, one step after the other by tap or by a spoken line, and finished.

A line is read back before it is written. Steps go to the end of whatever the file holds by then, so two people at one
job lose nothing; whoever comes second is told that the file has more than the page showed.
"""

from __future__ import annotations

from datetime import date
from hashlib import blake2b
from typing import Any

from starlette.responses import Response

from casebase.api import JobFile
from casebase.problems import Refused, errors, refuse
from casebase.record.case import OUTCOMES, RESULTS, Check
from casebase.retain.jobclose import Answers, likely_outcome, safety_checks, step_name
from casebase.retain.stepline import Given
from casebase.web.denied import status_of
from casebase.web.pages.case import kind_of, without_private
from casebase.web.photos import photographs
from casebase.web.site import Page, Visit

SHOWN = 3


def mark(job: JobFile) -> str:
    """What tells one state of a file from another."""
    return blake2b(job.seen, digest_size=12).hexdigest()


# Taken in.


def take_in(visit: Visit) -> Response:
    return visit.page("open.html", complaint=visit.query.get("q"), machine=visit.query.get("machine"), tag="")


def open_job(visit: Visit) -> Response:
    typed = {name: visit.form.get(name) for name in ("complaint", "machine", "tag")}
    try:
        with visit.site.held.writing() as base:
            done = base.open_job(typed["complaint"], date.today(), machine=typed["machine"], tag=typed["tag"])
    except Refused as reason:
        return visit.refused(reason, "open.html", **typed)
    return visit.go(f"/job/{done.case.id}", before=done.comeback.case.id if done.comeback else "",
                    twin=done.twin.case.id if done.twin else "", note=done.notes)


def jobs(visit: Visit) -> Response:
    return visit.page("jobs.html", still_open=visit.base.listed(open_only=True))


# On the bench.


def bench(visit: Visit) -> Response:
    return _bench(visit, visit.base.job_file(visit.parts["reference"]))


def _bench(visit: Visit, job: JobFile, status: int = 200, **more: Any) -> Response:
    base, case = visit.base, job.case
    line = more.get("line", visit.query.get("line"))
    read = base.read_line(job, line) if line and "given" not in more else None
    step = base.next_step_of(case, limit=SHOWN)
    first = step.proposals[0] if step.proposals else None
    vocabulary = base.index.lexicon.vocabulary
    values: dict[str, Any] = {
        "problems": read.problems if read else (), "given": Given(), "said": visit.query, **more, "line": line, "read": read,
        "case": case.id, "record": without_private(case), "mark": mark(job), "kind_of": kind_of, "results": RESULTS,
        "first": first, "others": step.proposals[1:],
        "setting": first.setting(vocabulary) if first else None,
        "cautions": vocabulary.cautions(proposal.term for proposal in step.proposals[:1]), "two_faults": step.two_faults,
        "currency": base.index.settings.currency, "terms": {kind: tuple(vocabulary.terms[kind]) for kind in (
            "check", "setting", "action", "symptom")}, "photos": photographs(base.folder, case.id)}
    return visit.page("bench.html", status, **values)


def given_of(visit: Visit) -> Given:
    form = visit.form
    return Given(form.get("check"), form.get("set"), form.all("do"), form.get("found"), form.get("verdict"), form.get("from"),
                 form.get("to"), form.all("for"), form.all("result"), form.get("minutes"), form.get("parts"),
                 form.get("source"), form.get("note"))


def log(visit: Visit) -> Response:
    line, given = visit.form.get("line"), given_of(visit)
    with visit.site.held.writing() as base:
        job = base.job_file(visit.parts["reference"])
        read = base.read_line(job, line, given)
        try:
            if job.case.status == "closed":
                raise refuse("closed", f"[{job.case.number}] is closed", "a comeback is a job of its own")
            case = base.log(job, read)
        except Refused as reason:
            return _again(visit, job, reason, line, given)
    return visit.go(f"/job/{case.id}", written=str(len(case.steps)),
                    others="yes" if visit.form.get("mark") not in ("", mark(job)) else "")


def _again(visit: Visit, job: JobFile, reason: Refused, line: str, given: Given) -> Response:
    return _bench(visit, job, status_of(reason), problems=reason.problems, line=line, given=given, said=visit.form)


def add(visit: Visit) -> Response:
    """A symptom that turned up on the bench, or one that was looked for and is not there."""
    field = visit.form.get("field")
    if field not in ("symptoms", "absent"):
        raise refuse("field", f'"{field}" cannot be added to here', "allowed: symptoms, absent")
    if not visit.form.get("value"):
        raise refuse("missing", "no symptom is named", "say which")
    with visit.site.held.writing() as base:
        case = base.set_field(base.job_file(visit.parts["reference"]), field, visit.form.get("value"))
    return visit.go(f"/job/{case.id}")


# Finished.


def closing(visit: Visit) -> Response:
    job = visit.base.job_file(visit.parts["reference"])
    if job.case.status == "closed":
        return visit.go(f"/case/{job.case.id}")
    return visit.page("finish.html", **_closing(visit, job, visit.query), problems=())


def _closing(visit: Visit, job: JobFile, said: Any) -> dict[str, Any]:
    case, vocabulary = job.case, visit.base.index.lexicon.vocabulary
    asked = [(number, step_name(step)) for number, step in enumerate(case.steps, 1) if not isinstance(step, Check) and (
        not step.effects or (len(case.symptoms) > 1 and any(not effect.symptom for effect in step.effects)))]
    return {"case": case.id, "record": without_private(case), "mark": mark(job), "asked": asked, "results": RESULTS,
            "outcomes": OUTCOMES, "likely": case.outcome or likely_outcome(case), "said": said,
            "safety": safety_checks(case, vocabulary), "causes": tuple(vocabulary.terms["cause"]), "kind_of": kind_of,
            "currency": visit.base.index.settings.currency, "changed": False}


def finish(visit: Visit) -> Response:
    form = visit.form
    answers = answers_of(visit)
    with visit.site.held.writing() as base:
        job = base.job_file(visit.parts["reference"])
        if form.get("mark") != mark(job):
            return visit.page("finish.html", 409, **{**_closing(visit, job, form), "changed": True}, problems=())
        try:
            done = base.finish(job, answers)
        except Refused as reason:
            return visit.refused(reason, "finish.html", **_closing(visit, job, form))
    return visit.go(f"/case/{done.case.id}", note=(*done.remarks, *(problem.message for problem in errors(done.problems))))


def answers_of(visit: Visit) -> Answers:
    """What the form says, in the words the command line takes too."""
    form = visit.form
    numbered = {name: tuple(f"{field.partition('-')[2]}: {value}" for field, value in form if field.startswith(f"{name}-")
                            and value.strip()) for name in ("result", "for")}
    safety = tuple(f"{field.partition('-')[2]}: {value}" for field, value in form if field.startswith("safety-") and value.strip())
    lines = {name: tuple(line for line in form.get(name).split("\n") if line.strip()) for name in ("proved", "advice", "cause")}
    return Answers(results=numbered["result"], symptoms=numbered["for"], outcome=form.get("outcome"),
                   causes=lines["cause"] or ("unknown",), proof=lines["proved"] or ("none",), safety=safety, advice=lines["advice"],
                   comeback={"yes": True, "no": False}.get(form.get("comeback")))


PAGES: dict[str, Page] = {
    "GET /open": take_in, "POST /open": open_job, "GET /job": jobs, "GET /job/{reference}": bench,
    "POST /job/{reference}/log": log, "POST /job/{reference}/add": add, "GET /job/{reference}/finish": closing,
    "POST /job/{reference}/finish": finish,
}
