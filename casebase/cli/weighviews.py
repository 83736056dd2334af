"""How weighed courses and readings look on a terminal."""

from __future__ import annotations

from casebase.api import CaseBase
from casebase.cli.paper import Paper
from casebase.cli.views import cautions, cite
from casebase.reuse.intervals import Interval
from casebase.reuse.reading import ReadingAnswer
from casebase.reuse.weigh import Weighed, Weighing

PLOT_WIDTH = 40


def weighing(paper: Paper, base: CaseBase, answer: Weighing) -> None:
    def money(amount: float) -> str:
        return f"{amount:.2f} {answer.currency}"

    paper.heading("Order with the lowest expected cost")
    for number, (step, reached) in enumerate(zip(answer.course.steps, answer.outlook.reached, strict=True), 1):
        own = money(step.cost(answer.hourly))
        paper.line(f"{number}. {step.name}: {own}, needed in {round(100 * reached)} of 100 such jobs", indent=2, hang=3)
    if not answer.course.steps:
        paper.line(f"None of them: what is left without them costs {money(answer.course.fallback)}, and each of them costs "
                   "more than it saves.", indent=2, hang=2)
    if answer.left_out:
        paper.line(f"Not worth doing before stopping: {', '.join(answer.left_out)}", indent=2, hang=2)
    if answer.course.fallback and answer.course.steps:
        paper.line(f"and if none of them helps: {money(answer.course.fallback)}", indent=5)
    low, high = answer.cost
    paper.line(f"Expected cost {money(answer.outlook.cost)} (90 % interval {low:.2f} to {high:.2f}); cured in about "
               f"{round(100 * answer.outlook.cured)} of 100; at worst {money(answer.outlook.worst)}", indent=2, hang=2)
    paper.heading("Each fix")
    for item in answer.fixes:
        one_fix(paper, item, answer)
    plot(paper, answer)
    if answer.keeping:
        keeping = answer.keeping
        paper.heading("Repair or another machine, cost per year of life")
        paper.line(f"repair {money(keeping.repair)} a year, another machine {money(keeping.replacement)} a year", indent=2)
        even = (f"equal when the repair works in {round(100 * keeping.break_even)} of 100" if keeping.break_even is not None
                else "no chance of a cure would make the repair pay")
        paper.line(f"{even}; what was already spent is not in it, and what the owner is fond of neither", indent=2, hang=2)
    cautions(paper, answer.cautions(base.index.lexicon.vocabulary))


def one_fix(paper: Paper, item: Weighed, answer: Weighing) -> None:
    step = item.step
    price = f"price {step.price:.2f}" if item.price_known else "part of unknown price, reckoned as nothing"
    paper.line(f"{step.name}: {price}, {step.minutes:.0f} min, chance {item.chance_in_words}", indent=2, hang=2)
    if item.evidence is not None:
        ids = [case_id for found in item.evidence.cases.values() for case_id in found]
        paper.line(f"the shop's own record: {item.evidence.in_words} {cite(ids)}", indent=6, style="quiet")
    else:
        paper.line("no similar case has tried it", indent=6, style="quiet")
    if item.pays_under is not None:
        paper.line(f"pays only under {item.pays_under:.2f} {answer.currency} for the part", indent=6)
    if item.without is not None:
        gap = item.without
        word = "cheaper" if gap.mean < 0 else "dearer"
        paper.line(f"{abs(gap.mean):.2f} {word} with it than without (90 % interval {gap.low:+.2f} to {gap.high:+.2f})",
                   indent=6, style="quiet")


def plot(paper: Paper, answer: Weighing) -> None:
    """The expected cost of the course and of stopping at once, drawn on one scale."""
    rows = [("this order", answer.outlook.cost, answer.cost)]
    if answer.course.fallback:
        rows.append(("stop at once", answer.course.fallback, Interval(answer.course.fallback, answer.course.fallback)))
    top = max(interval.high for _name, _mean, interval in rows) or 1.0
    width = max(10, min(PLOT_WIDTH, paper.width - 30))
    paper.line()
    for name, mean, interval in rows:
        low, middle, high = (round(value / top * (width - 1)) for value in (interval.low, mean, interval.high))
        cells = ["·" if low <= place <= high else " " for place in range(width)]
        cells[middle] = "●"
        paper.raw(f"  {name:<13}|{''.join(cells)}| {mean:.2f}")


def reading(paper: Paper, base: CaseBase, answer: ReadingAnswer) -> None:
    paper.line(f"{answer.term.label}: {answer.reading.text} ({answer.reading})", style="strong")
    for pair in answer.pairs:
        paper.line(f"The pair disagrees: {pair.explanation}", indent=2, hang=2, style="warn")
    if not answer.judged:
        paper.line("No typical limit is known for it; the machine's manual has the value.", indent=2)
    for item in answer.judged:
        limit = item.limit
        sides = list(dict.fromkeys(f"{value:g}" for value in (limit.low, limit.high) if value is not None))
        both = limit.low is not None and limit.high is not None
        span = " to ".join(sides) if both else f"{'at least' if limit.low is not None else 'at most'} {sides[0]}"
        who = ", ".join(filter(None, (limit.engine, limit.machine, limit.condition)))
        paper.line(f"{item.stands} {span} {limit.unit}" + (f" ({who})" if who else ""), indent=2, hang=2)
        if item.means:
            paper.line(f"can mean: {', '.join(item.means)}", indent=6, hang=2)
        paper.line(limit.source if limit.basis != "from memory" else f"{limit.source} (from memory)", indent=6, style="quiet")
    if answer.term.how:
        paper.line(answer.term.how, indent=2)
    if answer.own:
        values = sorted(own.value for own in answer.own)
        paper.line(f"This shop read {values[0]:.4g} to {values[-1]:.4g} {answer.reading.unit} in {len(values)} "
                   f"case{'s' if len(values) > 1 else ''}: " + "; ".join(
                       f"{own.value:.4g} {own.verdict} [{own.case}]" for own in answer.own[:6]), indent=2, hang=2)
    cautions(paper, base.index.lexicon.vocabulary.cautions([answer.term]))
