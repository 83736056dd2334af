"""The command line: reads arguments, calls the engine, shows the answer. No logic of its own.

Exit codes: 0 done, 1 problems found, 2 wrong usage.
"""

from __future__ import annotations

import gc
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.models import CommandInfo

from casebase import __version__
from casebase.cli.frame import guarded, mention, person_errors, print_json, say
from casebase.cli.paper import Paper, progress
from casebase.problems import errors, visible

if TYPE_CHECKING:
    from casebase.reuse.nextcheck import Profile

app = typer.Typer(pretty_exceptions_enable=False, rich_markup_mode=None, add_completion=False,
                  help="The memory of a one-person repair shop, made countable: past jobs answer new complaints.")

Cases = Annotated[Path | None, typer.Option("--cases", metavar="DIR", help="The case folder (default: CASEBASE_DIR, "
                                            "else ./cases).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]


def case_folder(cases: Path | None) -> Path:
    return cases or Path(os.environ.get("CASEBASE_DIR") or "cases")


def _base(cases: Path | None) -> Any:
    """The engine over a folder, not opened yet; on a terminal it shows what it waits for."""
    from casebase.api import CaseBase
    from casebase.retrieve.examples import tell_of_waits

    if sys.stderr.isatty():
        tell_of_waits(lambda words: print(f"({words})", file=sys.stderr))
    return CaseBase(case_folder(cases), lambda entries, total: progress(entries, total, "reading cases"))


def open_base(cases: Path | None) -> Any:
    base = _base(cases)
    say(base.index.notes)
    return base


@app.callback(invoke_without_command=True)
def main(context: typer.Context,
         version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False) -> None:
    if version:
        print(__version__)
        raise typer.Exit
    if context.invoked_subcommand is None:
        print(context.get_help(), file=sys.stderr)
        raise typer.Exit(2)


@app.command()
@person_errors
def start(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
    currency: Annotated[str, typer.Option(help="Currency of all prices.")] = "EUR",
    hourly_rate: Annotated[float, typer.Option(help="Price of an hour of work.")] = 40.0,
    units: Annotated[str, typer.Option(help="metric or inch.")] = "metric",
    hemisphere: Annotated[str, typer.Option(help="north or south: which months are winter.")] = "north",
) -> None:
    """Make a new case folder with its settings.

    Example: casebase start jobs --currency EUR --hourly-rate 42
    """
    from casebase.record.newfolder import start_folder

    made = start_folder(folder, currency, hourly_rate, units, hemisphere)
    print(f"{visible(str(made))} is ready. Write cases into it, or try: casebase find \"will not start\" "
          f"--cases {visible(str(made))}")


@app.command()
@person_errors
def find(
    words: Annotated[str, typer.Argument(metavar="WORDS", help="The complaint in plain words.")],
    cases: Cases = None,
    limit: Annotated[int, typer.Option(min=1, max=50, help="How many cases to show.")] = 6,
    by: Annotated[str, typer.Option(help="explanations (different causes first) or similarity.")] = "explanations",
    as_json: AsJson = False,
) -> None:
    """Find similar cases and what cured them.

    Example: casebase find "runs only on choke, leaks at bulb"
    """
    from casebase.problems import refuse

    if by not in ("explanations", "similarity"):
        raise refuse("choice", f'"{by}" is not an order of cases', "allowed: explanations, similarity", field="--by")
    base = open_base(cases)
    answer = base.find(words, limit=limit, diverse=by == "explanations")
    if as_json:
        from casebase.reuse import shapes

        print_json(shapes.first_answer(answer))
    else:
        from casebase.cli import views

        views.first_answer(Paper(), base, answer)
    mention(base.index.errors)


@app.command()
@person_errors
def understand(
    words: Annotated[str, typer.Argument(metavar="WORDS", help="Any text about a machine.")],
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Show what the tool reads in a text: terms, machine, readings, what was tried.

    Example: casebase understand "no spark with new plug, 6 thou at the coil"
    """
    seen = open_base(cases).understand(words)
    if as_json:
        from casebase.reuse import shapes

        print_json(shapes.understood(seen))
    else:
        from casebase.cli import views

        views.understood(Paper(), seen)


@app.command()
@person_errors
def show(
    reference: Annotated[str, typer.Argument(metavar="CASE", help="Id, number (26-014 or 14) or part of the id.")],
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Read one case.

    Example: casebase show 25-007
    """
    from casebase.api import CaseBase, usable
    from casebase.record.settings import read_settings

    folder = case_folder(cases)
    case = usable(CaseBase(folder).reading(reference))
    if as_json:
        from casebase.reuse import shapes

        print_json(shapes.case(case))
    else:
        from casebase.cli import views

        views.case(Paper(), case, read_settings(folder)[0].currency)


@app.command()
@person_errors
def lint(cases: Cases = None, as_json: AsJson = False) -> None:
    """Check every file of the folder: exact place, exact remedy.

    Example: casebase lint --cases cases
    """
    base = open_base(cases)
    problems = sorted(base.problems, key=lambda p: (p.file, p.place.line, p.place.column))
    if as_json:
        print_json({"cases": base.index.size, "problems": [problem.as_json() for problem in problems]})
    else:
        for problem in problems:
            print(problem)
        wrong = len({problem.file for problem in errors(problems)})
        print(f"{base.index.size} cases can be used, {wrong} files cannot; {len(problems)} remarks")
    if errors(problems):
        raise typer.Exit(1)


@app.command()
@person_errors
def lookup(
    query: Annotated[str, typer.Argument(metavar="QUERY", help="Words, phrases in quotes, AND, OR, NOT, field:word.")],
    cases: Cases = None,
    limit: Annotated[int, typer.Option(min=1, max=1000, help="How many cases to list.")] = 20,
    as_json: AsJson = False,
) -> None:
    """Look words up exactly, in the full text of all cases.

    Example: casebase lookup 'bulb AND (leak OR split)'
    """
    from casebase.retrieve.lookup import look_up

    found = look_up(case_folder(cases), query, limit, lambda entries, total: progress(entries, total, "reading cases"))
    say(found.notes)
    if as_json:
        print_json({"query": query, "read_as": found.read_as, "cases": [
            {"case": hit.id, "title": hit.title, "passage": hit.passage} for hit in found.hits],
            "total": found.total, "suggestion": found.suggestion})
        return
    paper = Paper()
    for hit in found.hits:
        paper.line(f"[{hit.number}] {hit.title}", hang=9)
        if hit.passage:
            paper.line(hit.passage, indent=9, style="quiet")
    more = f", the first {len(found.hits)} shown" if found.total > len(found.hits) else ""
    paper.line(f"{found.total} case{'' if found.total == 1 else 's'} with {found.read_as}{more}")
    if found.suggestion:
        paper.line(f"Did you mean: {found.suggestion}")


@app.command()
@person_errors
def index(cases: Cases = None, as_json: AsJson = False) -> None:
    """Build the index of the folder anew. Otherwise it keeps itself in step.

    Example: casebase index --cases cases
    """
    base = _base(cases)
    built = base.rebuild()
    if as_json:
        print_json({"cases": built.size, "files_not_used": len({p.file for p in errors(built.errors)}),
                    "notes": list(built.notes)})
    else:
        print(f"{built.size:,} cases indexed")
    mention(built.errors)


@app.command("next")
@person_errors
def next_command(
    job: Annotated[str, typer.Argument(metavar="JOB", help='A job (its number or id), or a complaint in words.')],
    cases: Cases = None,
    ask: Annotated[bool, typer.Option("--ask", help="Go on step by step: one check, its answer, the next.")] = False,
    profile: Annotated[str, typer.Option(help="bench (everything) or owner (what needs no tools).")] = "bench",
    limit: Annotated[int, typer.Option(min=1, max=30, help="How many proposals to show.")] = 6,
    as_json: AsJson = False,
) -> None:
    """Propose the check to do next, and say what each answer would mean.

    Example: casebase next "will not start, spark plug wet"
    """
    from casebase.cli import nextviews
    from casebase.problems import refuse

    if profile not in ("bench", "owner"):
        raise refuse("choice", f'"{profile}" is not a profile', "allowed: bench, owner", field="--profile")
    chosen: Profile = "owner" if profile == "owner" else "bench"
    base = open_base(cases)
    on_bench, path = base.job(job)
    if ask:
        nextviews.converse(Paper(), base, job, on_bench, path, chosen, input)
        return
    step = (base.next_step_of(on_bench, profile=chosen, limit=limit) if on_bench else
            base.next_step(job, profile=chosen, limit=limit))
    if as_json:
        from casebase.reuse import shapes

        print_json(shapes.next_step(step, base.index.lexicon.vocabulary))
    else:
        nextviews.next_step(Paper(), base, step)
    mention(base.index.errors)


@app.command()
@person_errors
def weigh(
    fixes: Annotated[list[str], typer.Argument(metavar="FIX", help='A fix with what you know of it: "fit carburettor '
                                               'kit: 11.80, 38 min, 60 %" (or "3 of 5"); the cases fill in the rest.')],
    complaint: Annotated[str, typer.Option("--for", metavar="WORDS", help="The complaint, to ask the cases.")] = "",
    otherwise: Annotated[float, typer.Option(min=0, help="What it costs when all of them have failed.")] = 0.0,
    new_price: Annotated[float | None, typer.Option(min=0, help="Price of another machine.")] = None,
    new_life: Annotated[float, typer.Option(min=0.01, help="Years another machine lasts.")] = 6.0,
    repaired_life: Annotated[float, typer.Option(min=0.01, help="Years this one lasts once cured.")] = 3.0,
    resale: Annotated[float, typer.Option(min=0, help="What this machine fetches as it is.")] = 0.0,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Weigh fixes against each other, and repair against another machine. Money already spent stays out.

    Example: casebase weigh "fit carburettor kit" "replace fuel line" --for "runs only on choke" --otherwise 120
    """
    base = open_base(cases)
    replacement = None
    if new_price is not None:
        from casebase.reuse.weigh import Replacement

        replacement = Replacement(new_price, new_life, repaired_life, resale)
    answer = base.weigh(fixes, complaint, otherwise=otherwise, replacement=replacement)
    if as_json:
        from casebase.reuse import shapes

        print_json(shapes.weighing(answer, base.index.lexicon.vocabulary))
    else:
        from casebase.cli import weighviews

        weighviews.weighing(Paper(), base, answer)


@app.command()
@person_errors
def reading(
    check: Annotated[str, typer.Argument(metavar="CHECK", help="What was read, such as inlet valve clearance.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="The value with its unit, such as 0.006 in.")],
    engine: Annotated[str, typer.Option(help="two-stroke, four-stroke ...")] = "",
    machine: Annotated[str, typer.Option(help="chainsaw, blower ...")] = "",
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Hold a reading against typical limits and the shop's own readings.

    Example: casebase reading "inlet valve clearance" "0.006 in" --engine four-stroke
    """
    base = open_base(cases)
    answer = base.in_context(check, value, engine=engine, machine=machine)
    if as_json:
        from casebase.reuse import shapes

        print_json(shapes.reading(answer, base.index.lexicon.vocabulary))
    else:
        from casebase.cli import weighviews

        weighviews.reading(Paper(), base, answer)


@app.command("import")
@person_errors
def import_cases(
    form: Annotated[str, typer.Argument(metavar="FORMAT", help="open-repair: the Open Repair Data Standard, CSV.")],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The file to read.")],
    into: Annotated[Path, typer.Option("--into", metavar="DIR", help="The case folder to write into.")],
    as_json: AsJson = False,
) -> None:
    """Turn records of another form into case files.

    Example: casebase import open-repair records.csv --into imported
    """
    from casebase.exchange import import_file

    report = import_file(form, file, into, lambda rows, total: progress(rows, total, "writing cases"))
    if as_json:
        print_json({"written": report.written, "problems": [problem.as_json() for problem in report.problems]})
    else:
        for problem in report.problems:
            print(problem, file=sys.stderr)
        print(f"{report.written:,} cases written to {visible(str(into))}; {len(report.problems)} remarks")
    if errors(report.problems):
        raise typer.Exit(1)


# Commands in modules of their own, which register them with `app` when loaded; `find` need not wait for them.
ELSEWHERE = {
    "casebase.cli.measuring": ("evaluate", "tune"),
    "casebase.cli.outgoing": ("answer", "sheet"),
    "casebase.cli.draftcommand": ("draft",),
    "casebase.cli.followupcommand": ("followups",),
    "casebase.cli.jobcommands": ("open", "log", "finish", "edit"),
    "casebase.cli.servecommand": ("serve",),
}


def load_asked(words: list[str]) -> None:
    """Loads and keeps only the command the first word names, else all: typer builds all it knows at every start."""
    name = words[1] if len(words) > 1 else ""
    here = [module for module, names in ELSEWHERE.items() if name in names]
    for module in here or ([] if _named(name) else ELSEWHERE):
        import_module(module)
    known = [*COMMANDS, *(command for command in app.registered_commands if command not in COMMANDS)]
    COMMANDS[:] = known
    app.registered_commands = _named(name) or list(known)


def _named(name: str) -> list[CommandInfo]:
    return [command for command in COMMANDS if name == (command.name or getattr(command.callback, "__name__", ""))]


COMMANDS = list(app.registered_commands)


def run() -> None:
    """The entry point of `casebase`."""
    gc.set_threshold(100_000)  # a command lives for a moment; collecting often would cost it a tenth of that
    load_asked(sys.argv)
    guarded(app)
