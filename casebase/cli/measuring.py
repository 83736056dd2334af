"""The commands that measure retrieval and learn its weights."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from casebase.cli.frame import person_errors, print_json
from casebase.cli.main import AsJson, Cases, app, open_base
from casebase.cli.paper import Paper, progress

if TYPE_CHECKING:
    from casebase.retain.evaluate import Quality

FORMS = ("open-repair", "text-collection")


@app.command()
@person_errors
def evaluate(
    file: Annotated[Path | None, typer.Argument(metavar="FILE", help="With --from: the file or folder to read.")] = None,
    form: Annotated[str, typer.Option("--from", metavar="FORM", help="open-repair (CSV) or text-collection (folder); "
                                      "without it the cases at hand are measured.")] = "",
    english_only: Annotated[bool, typer.Option("--english-only", help="Only rows whose column english is yes.")] = False,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Measure retrieval: every case with a known cause is asked for from the others.

    Example: casebase evaluate --cases cases
    """
    from casebase.problems import did_you_mean, refuse

    if form not in ("", *FORMS):
        raise refuse("choice", f'"{form}" is not a form that can be measured', did_you_mean(form, FORMS), field="--from")
    if bool(form) != (file is not None):
        raise refuse("argument", "--from and FILE go together", "casebase evaluate --from open-repair FILE.csv",
                     field="FILE" if form else "--from")
    if form == "text-collection":
        collection(file or Path(), as_json)
        return
    quality, remarks, weights = records(file, english_only) if file else own_cases(cases)
    for remark in remarks:
        print(remark, file=sys.stderr)
    figures = by_name(quality)
    if as_json:
        print_json({**{name: None if math.isnan(value) else value for name, value in figures.items()},
                    "weights": weights, "remarks": len(remarks)})
    else:
        show(figures, weights)


def rounds(items: Any, total: int, what: str) -> Any:
    return progress(items, total, what)


def own_cases(cases: Path | None) -> tuple[Quality, Sequence[Any], dict[str, Any]]:
    from casebase.retain.evaluate import evaluate as measure

    base = open_base(cases)
    return measure(base.index, base.complaints(), rounds), [], base.index.weights._asdict()


def records(file: Path, english_only: bool) -> tuple[Quality, Sequence[Any], dict[str, Any]]:
    from casebase.api import measure_records

    quality, problems = measure_records(file, english_only=english_only, progress=rounds)
    from casebase.retrieve.weights import DEFAULTS

    return quality, problems, DEFAULTS._asdict()


def by_name(quality: Quality) -> dict[str, float]:
    """The figures under the names the measures have in the field."""
    return {
        "queries": quality.queries, "ndcg@10": quality.ndcg, "ndcg@10_text_alone": quality.ndcg_text,
        "mrr@10": quality.reciprocal_rank, "p@5": quality.precision, "cause_accuracy": quality.accuracy,
        "cause_macro_f1": quality.macro_f1, "cause_top3": quality.top3, "fixed_known": quality.fixed_known,
        "fixed_brier": quality.fixed_brier, "fixed_brier_base": quality.fixed_brier_base,
        "fixed_ece": quality.fixed_ece,
    }


MEANING = {
    "queries": "cases with a known cause, each asked for from the others",
    "ndcg@10": "how high the cases with the same cause stand among the first ten",
    "ndcg@10_text_alone": "the same by words alone",
    "mrr@10": "1 / rank of the first case with the same cause",
    "p@5": "share of the first five with the same cause",
    "cause_accuracy": "the likeliest cause was the right one",
    "cause_macro_f1": "mean F1 over the causes, rare ones counting as much as frequent ones",
    "cause_top3": "the right cause was among the three likeliest",
    "fixed_known": "jobs whose end is known",
    "fixed_brier": "squared error of the chance that it gets fixed (lower is better)",
    "fixed_brier_base": "the same from the share of all jobs",
    "fixed_ece": "mean gap between stated and true share (lower is better)",
}


def show(figures: dict[str, float], weights: dict[str, Any]) -> None:
    paper = Paper()
    for name, value in figures.items():
        shown = "not known" if math.isnan(value) else f"{value:,}" if isinstance(value, int) else f"{value:.3f}"
        paper.line(f"{shown:>9}  {name}: {MEANING[name]}", hang=11)
    parts = ", ".join(f"{name} {weights[name]:g}" for name in ("text", "symptoms", "machine", "learned"))
    paper.line(f"Weights: {parts}" + (" (tuned)" if weights["evidence"] else " (defaults)"))
    for name, value in weights["evidence"]:
        paper.line(f"{value:9.3f}  when tuned: {name}", hang=11)


def collection(folder: Path, as_json: bool) -> None:
    from casebase.api import measure_collection

    found = measure_collection(folder, rounds)
    figures = {"ndcg@10": found.ndcg, "map": found.map, "recall@100": found.recall}
    if as_json:
        print_json({"queries": found.queries, **figures})
        return
    paper = Paper()
    paper.line(f"{found.queries:>9,}  queries with judgements")
    for name, value in figures.items():
        paper.line(f"{value:9.3f}  {name}")


@app.command()
@person_errors
def tune(cases: Cases = None, as_json: AsJson = False) -> None:
    """Learn the weights of the similarity from the folder's own cases; the defaults stay unless others are surely better.

    Example: casebase tune --cases cases
    """
    base = open_base(cases)
    tuned = base.tune(rounds)
    if as_json:
        print_json({"changed": tuned.changed, "questions": tuned.questions, "ndcg@10": tuned.chosen,
                    "ndcg@10_defaults": tuned.default, "standard_error": tuned.error,
                    "weights": tuned.weights._asdict()})
        return
    paper = Paper()
    parts = ", ".join(f"{name} {value:g}" for name, value in tuned.weights._asdict().items() if name != "evidence")
    paper.line(f"{tuned.questions} questions. nDCG@10 with the defaults {tuned.default:.3f}, with the chosen weights "
               f"{tuned.chosen:.3f} (standard error of the difference {tuned.error:.3f}).")
    paper.line(f"{'Chosen' if tuned.changed else 'No other weights are surely better; kept'}: {parts}")
