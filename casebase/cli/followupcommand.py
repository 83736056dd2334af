"""The command that asks whether repairs held, writes the replies down and tells how long each fix holds."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

import typer

from casebase.cli import followupviews
from casebase.cli.frame import day_of, mention, person_errors, print_json
from casebase.cli.main import AsJson, Cases, app, case_folder, open_base
from casebase.cli.paper import Paper, progress


@app.command()
@person_errors
def followups(
    reply: Annotated[tuple[str, str], typer.Option(
        "--record", metavar="JOB NEWS", show_default=False,
        help='Write a reply into the file of a job: holding, "came back" or unknown.')] = ("", ""),
    day: Annotated[str, typer.Option("--date", metavar="DAY", help="Day of the reply; without --record the day to "
                                     "reckon from (default: today).")] = "",
    no_case: Annotated[bool, typer.Option("--no-case", help='With "came back": open no linked case.')] = False,
    fixes: Annotated[bool, typer.Option("--fixes", help="How long each fix holds.")] = False,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many to list.")] = 20,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """List whom to ask whether the cure held, those due first; write down what they say.

    Example: casebase followups --record 25-007 holding
    """
    refuse_mixtures(reply, no_case, fixes)
    when = day_of(day)
    if any(reply):
        record(reply, when, no_case, cases, as_json)
        return
    base = open_base(cases)
    if fixes:
        held = base.durability(when, progress)
        if as_json:
            print_json(followupviews.fixes_json(held, when, limit))
        else:
            followupviews.fixes(Paper(), held, when, limit)
    else:
        due = base.due(when, progress)
        if as_json:
            print_json(followupviews.due_json(due, when, limit))
        else:
            followupviews.due(Paper(), due, when, limit)
    mention(base.index.errors)


def refuse_mixtures(reply: tuple[str, str], no_case: bool, fixes: bool) -> None:
    """Options that say nothing together are refused, not silently passed over."""
    from casebase.problems import refuse
    from casebase.retain import followup

    if fixes and any(reply):
        raise refuse("argument", "--record and --fixes are two questions", "give one of them", field="--fixes")
    if no_case and followup.status_of(reply[1] or "unknown") != "came back":
        raise refuse("argument", "--no-case goes with a comeback",
                     'casebase followups --record 25-007 "came back" --no-case', field="--no-case")


def record(reply: tuple[str, str], when: date, no_case: bool, cases: Any, as_json: bool) -> None:
    from casebase.retain import followup

    done = followup.record(case_folder(cases), *reply, when, today=date.today(), new_case=not no_case)
    if as_json:
        print_json(followupviews.recorded_json(done))
    else:
        followupviews.recorded(Paper(), done)
