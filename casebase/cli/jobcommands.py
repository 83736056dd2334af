"""The commands that follow a job: open it, log what is done, finish it, edit its file."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from casebase.cli.frame import day_of, mention, person_errors, print_json
from casebase.cli.main import AsJson, Cases, app, case_folder, open_base
from casebase.cli.paper import Paper
from casebase.problems import errors, visible

Job = Annotated[str, typer.Argument(metavar="JOB", help="The job: its number (26-014 or 14), id or part of the id.")]


@app.command("open")
@person_errors
def open_job(
    complaint: Annotated[str, typer.Argument(metavar="COMPLAINT", help="What the owner says, in the owner's words.")],
    machine: Annotated[str, typer.Option("--machine", metavar="WORDS", help='The machine in plain words, for example '
                                         '"string trimmer, two-stroke, 26 cc, 6 years".')] = "",
    tag: Annotated[str, typer.Option("--tag", help="The shop's own tag of this machine.")] = "",
    day: Annotated[str, typer.Option("--date", metavar="DAY", help="Day of intake (default: today).")] = "",
    title: Annotated[str, typer.Option("--title", help="A title (default: machine and complaint).")] = "",
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Open a job: write its file, and show what similar jobs say and what to check first.

    Example: casebase open "runs only on choke, leaks at bulb" --machine "string trimmer, two-stroke, 26 cc"
    """
    from casebase.cli import jobviews
    from casebase.record.folder import require_folder

    when = day_of(day)
    require_folder(case_folder(cases))
    base = open_base(cases)
    opened = base.open_job(complaint, when, machine=machine, tag=tag, title=title)
    before = jobviews.warnings(opened.comeback, opened.twin)
    if as_json:
        from casebase.reuse import shapes

        print_json({"case": shapes.case(opened.case), "file": str(opened.path), "notes": [*opened.notes, *before],
                    "find": shapes.first_answer(opened.answer),
                    "next": shapes.next_step(opened.step, base.index.lexicon.vocabulary)})
    else:
        jobviews.opened(Paper(), base, opened, before)
    mention(base.index.errors)


Texts = list[str] | None


@app.command("log")
@person_errors
def log_step(
    job: Job,
    line: Annotated[str, typer.Argument(metavar="LINE", help='The step as you would say it, for example "low screw was '
                                        '7/8 turn out, now 1 1/8, no change".')] = "",
    check: Annotated[str, typer.Option("--check", metavar="TERM", help="What was looked at or measured.")] = "",
    setting: Annotated[str, typer.Option("--set", metavar="TERM", help="What was turned or set.")] = "",
    do: Annotated[Texts, typer.Option("--do", metavar="TERM", help="What was done; several times for things done "
                                      "together.")] = None,
    found: Annotated[str, typer.Option("--found", help="With --check: what was found.")] = "",
    verdict: Annotated[str, typer.Option("--verdict", help="With --check: ok, bad or unsure.")] = "",
    before: Annotated[str, typer.Option("--from", metavar="VALUE", help="With --set: as found, with its unit.")] = "",
    after: Annotated[str, typer.Option("--to", metavar="VALUE", help="With --set: as left, with its unit.")] = "",
    symptoms: Annotated[Texts, typer.Option("--for", metavar="SYMPTOM", help="Which symptom the result is about.")] = None,
    results: Annotated[Texts, typer.Option("--result", help='cured, better, no change, worse or not tested; "SYMPTOM: '
                                           'RESULT" where a fix did different things.')] = None,
    minutes: Annotated[str, typer.Option("--minutes", help="Minutes of work.")] = "",
    parts: Annotated[str, typer.Option("--parts", metavar="PRICE", help="With --do: price of the parts.")] = "",
    source: Annotated[str, typer.Option("--source", help="With --do: maker's, pattern, used or made here.")] = "",
    note: Annotated[str, typer.Option("--note", help="Anything else.")] = "",
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Log a step of a job from a short line, from options, or from both; it shows how the line was read.

    Example: casebase log 26-022 "carburettor jet gummed, bad, 12 min"
    """
    from casebase.cli import jobviews
    from casebase.problems import Refused
    from casebase.record.casetext import write_step
    from casebase.retain.stepline import Given

    given = Given(check, setting, tuple(do or ()), found, verdict, before, after, tuple(symptoms or ()),
                  tuple(results or ()), minutes, parts, source, note)
    base = open_base(cases)
    file = base.job_file(job)
    read = base.read_line(file, line, given)
    if read.step is None:
        if not as_json:
            jobviews.pieces(Paper(sys.stderr), read)
        raise Refused(*read.problems)
    case = base.log(file, read)
    if as_json:
        print_json({"case": case.id, "step": len(case.steps), "read": [piece._asdict() for piece in read.pieces],
                    "remarks": list(read.remarks), "written": "\n".join(write_step(read.step))})
    else:
        jobviews.logged(Paper(), case, read)


@app.command("finish")
@person_errors
def finish_job(
    job: Job,
    results: Annotated[Texts, typer.Option("--result", metavar="STEP:RESULT", help='What came of a step: "4: cured".')] = None,
    symptoms: Annotated[Texts, typer.Option("--for", metavar="STEP:SYMPTOM", help='Which symptom a step was for: "4: '
                                            'surges".')] = None,
    outcome: Annotated[str, typer.Option("--outcome", help="fixed, partly fixed, not fixed, no fault found, not worth "
                                         "fixing or declined.")] = "",
    causes: Annotated[Texts, typer.Option("--cause", metavar="CAUSE", help='A cause found, perhaps with what it explains '
                                          '("fuel line cracked: surges"), or unknown.')] = None,
    proof: Annotated[Texts, typer.Option("--proof", metavar="WORDS", help="How the cure was proved, or none.")] = None,
    safety: Annotated[Texts, typer.Option("--safety", metavar="ANSWER", help='ok or "not done" for all safety checks, or '
                                          'one by one: "stop switch works: ok".')] = None,
    advice: Annotated[Texts, typer.Option("--advice", metavar="WORDS", help="Advice to the owner.")] = None,
    comeback: Annotated[bool | None, typer.Option("--comeback/--no-comeback", help="Whether this is a comeback of the last "
                                                  "job on the same machine.")] = None,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Finish a job: ask for what is missing, check it, and close the file.

    Example: casebase finish 26-022 --outcome "partly fixed" --cause "stale fuel" --proof "ran ten minutes" --safety ok
    """
    from casebase.cli import jobviews
    from casebase.retain.jobclose import Answers

    answers = Answers(tuple(results or ()), tuple(symptoms or ()), outcome, tuple(causes or ()),
                      tuple(proof or ()), tuple(safety or ()), tuple(advice or ()), comeback)
    base = open_base(cases)
    done = base.finish(base.job_file(job), answers, None if as_json else put)
    remarks = [*done.remarks, *jobviews.warnings(None, done.twin)]
    if as_json:
        from casebase.reuse import shapes

        print_json({"case": shapes.case(done.case), "remarks": remarks,
                    "problems": [problem.as_json() for problem in done.problems]})
    else:
        jobviews.finished(Paper(), done.case, remarks, done.problems)


def put(question: str) -> str:
    """Asks on the terminal. Where nobody answers, the line of the question is ended."""
    try:
        if sys.stdin is None:  # closed before the start
            raise EOFError
        return input(visible(question))
    except EOFError:
        print()
        raise


@app.command("edit")
@person_errors
def edit_case(
    reference: Annotated[str, typer.Argument(metavar="CASE", help="Id, number (26-014 or 14) or part of the id.")],
    field: Annotated[str, typer.Option("--field", help="A single field to set, such as title or machine.tag; to symptoms, "
                                       "absent, proof and advice it adds.")] = "",
    value: Annotated[str | None, typer.Option("--value", help="Its new value.")] = None,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Open a case in your editor ($VISUAL or $EDITOR) and check it afterwards, or set a single field.

    Example: casebase edit 24-009 --field title --value "Trimmer on choke, then wet hands again"
    """
    from casebase.problems import refuse
    from casebase.record.folder import find_case
    from casebase.retain.job import set_field

    if bool(field) != (value is not None):
        raise refuse("argument", "--field and --value go together", "--field title --value \"Saw dies hot\"",
                     field="--value" if field else "--field")
    path = find_case(case_folder(cases), reference).path
    if field:
        set_field(path, field, value or "")
    else:
        in_editor(path)
    problems = open_base(cases).problems_of(path)
    if as_json:
        print_json({"file": str(path), "problems": [problem.as_json() for problem in problems]})
    else:
        for problem in problems:
            print(problem)
        print(f"{visible(path.name)}: " + (f"{len(problems)} remarks" if problems else "no remarks"))
    if errors(problems):
        raise typer.Exit(1)


def in_editor(path: Path) -> None:
    """Lets a person edit a file. Raises `Refused` where there is no editor, or it ends in an error."""
    import shlex
    import subprocess

    from casebase.problems import refuse

    editor = os.environ.get("VISUAL") or os.environ.get("EDITOR") or ""
    try:
        command = shlex.split(editor)
        code = subprocess.call([*command, str(path)]) if command else None
    except (OSError, ValueError) as error:
        raise refuse("editor", f'the editor "{editor}" cannot be started ({error})', "set VISUAL or EDITOR to one that is "
                     "there", field="EDITOR") from error
    if code is None:
        raise refuse("editor", "no editor is named", f"set VISUAL or EDITOR, or edit {path} yourself", field="EDITOR")
    if code:
        raise refuse("editor", f"the editor ended with an error ({code})", "the file is as the editor left it; casebase "
                     "lint checks it", field="EDITOR", usage=False)
