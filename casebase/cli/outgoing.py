"""The commands whose output leaves the shop: a reply to a stranger, a sheet for an owner."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from casebase.cli.frame import mention, person_errors, print_json
from casebase.cli.main import AsJson, Cases, app, open_base
from casebase.cli.paper import Paper
from casebase.problems import visible

Format = Annotated[str, typer.Option("--format", help="text, markdown or html.")]
Into = Annotated[Path | None, typer.Option("--into", metavar="FILE", help="Write to a new file instead of the screen.")]


def form_of(name: str) -> Any:
    from casebase.problems import refuse
    from casebase.reuse.page import FORMS

    if name not in FORMS:
        raise refuse("choice", f'"{name}" is not a format', f"allowed: {', '.join(FORMS)}", field="--format")
    return name


def hand_out(text: str, into: Path | None) -> None:
    """Prints a page, or writes it to a file that is not there yet."""
    from casebase.problems import refuse
    from casebase.record.folder import write_new

    if into is None:
        Paper().raw(text.rstrip("\n"))
    elif write_new(into, text):
        print(f"written to {visible(str(into))}")
    else:
        raise refuse("taken", f"{into} is there already", "choose another name, or remove it", field="--into")


@app.command()
@person_errors
def answer(
    question: Annotated[str, typer.Argument(metavar="QUESTION", help="What somebody asks, in their words.")],
    short: Annotated[bool, typer.Option("--short", help="Under 500 characters.")] = False,
    form: Format = "text",
    into: Into = None,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Write a reply to a stranger, from the record: what it sounds like, what cured it here, what to look at.

    Example: casebase answer "trimmer dies when warm, starts again when cold"
    """
    from casebase.reuse import page as pages
    from casebase.reuse.answer import page
    from casebase.reuse.answer import short as shortened

    chosen = form_of(form)
    base = open_base(cases)
    found = base.answer(question)
    if as_json:
        print_json({"known": found.known, "sounds_like": list(found.sounds_like), "cured": list(found.cured),
                    "checks": list(found.checks), "shop_job": list(found.shop_job),
                    "questions": list(found.questions), "not_known": list(found.not_known),
                    "cautions": [{"hazard": term.label, "caution": term.caution} for term in found.cautions],
                    "cases": list(found.cases), "short": shortened(found)})
    else:
        hand_out(shortened(found) if short else pages.render(page(found), chosen), into)
    mention(base.index.errors)


@app.command()
@person_errors
def sheet(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Id or number of the job.")],
    form: Format = "text",
    into: Into = None,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Write the owner's hand-over sheet of a job. It shows the private part, so give it to the owner only.

    Example: casebase sheet 25-007 --format html --into 25-007.html
    """
    from casebase.reuse.page import render

    chosen = form_of(form)
    base = open_base(cases)
    page = base.sheet(job)
    if as_json:
        print_json({"title": page.title, "blocks": [
            {"heading": block.heading, "kind": block.kind, "lines": list(block.lines)} for block in page.filled]})
    else:
        hand_out(render(page, chosen), into)
