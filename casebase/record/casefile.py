"""A case file's text to a `Case`; the way back is `casetext`.

`read` never raises for what a person wrote: it gives the case as far as it can be trusted (None where a
field that is counted failed), every problem with its line and column, and the place of each field.
"""

from __future__ import annotations

import re
from datetime import date
from typing import NamedTuple, cast

from casebase.problems import Place, Problem, Severity, did_you_mean, errors
from casebase.record import case as kinds
from casebase.record.case import Case, Check, Effect, Fault, Followup, History, Machine, Repair, Setting, Step
from casebase.record.schema import Fields, Findings, choice, join, scalar_text, shorten
from casebase.record.tree import Mapping, Scalar, parse

MAX_FILE_BYTES = 2 * 1024 * 1024
MAX_FRONT_MATTER_BYTES = 64 * 1024

CASE_KEYS = ("title", "date", "status", "machine", "complaint", "symptoms", "absent", "history", "steps", "causes",
             "proof", "outcome", "followups", "advice", "comeback of", "private")
MACHINE_KEYS = ("kind", "engine", "carburettor", "displacement", "age", "start", "make", "model", "tag")
HISTORY_KEYS = ("stored", "fuel", "use", "tried before", "note")
STEP_KEYS = {
    "check": ("check", "found", "verdict", "minutes", "note", "date"),
    "set": ("set", "from", "to", "for", "result", "minutes", "note", "date"),
    "do": ("do", "for", "result", "parts", "minutes", "source", "note", "date"),
}


class Reading(NamedTuple):
    """The outcome of reading one file. `case` is None when the file cannot be counted."""

    case: Case | None
    problems: tuple[Problem, ...]
    places: dict[str, Place]


class Parts(NamedTuple):
    """A file's text taken apart: front matter with the line it starts on, and the body below it."""

    front: str
    front_line: int
    body: str


def read(data: bytes, case_id: str, file: str = "") -> Reading:
    """Reads the bytes of a case file.

    Parameters: `data` as found on disk; `case_id` the name the case goes by; `file` the path shown in problems.
    """
    findings = Findings(file)
    text = decode(data, findings)
    parts = split(text, findings) if text is not None else None
    if parts is None:
        return Reading(None, tuple(findings.problems), findings.places)
    tree, problems = parse(parts.front, first_line=parts.front_line)
    for problem in problems:
        findings.report(problem.code, problem.message, problem.hint, path=problem.field, place=problem.place)
    case: Case | None = None
    if isinstance(tree, Mapping):
        case = _case(Fields(tree, findings), case_id, parts.body)
        _cross_check(case, findings)
    elif not problems:
        findings.report("front-matter", "has no named values between its --- lines",
                        "begin with title, date, machine and complaint", place=Place(parts.front_line, 1))
    if errors(findings.problems):
        case = None
    return Reading(case, tuple(findings.problems), findings.places)


def decode(data: bytes, findings: Findings) -> str | None:
    """Bytes to text, or None with the reason: too large, not UTF-8, or holding NUL."""
    if len(data) > MAX_FILE_BYTES:
        findings.report("too-large", f"is larger than the {MAX_FILE_BYTES:,} bytes a case may have",
                        "keep photographs and long logs beside the file")
        return None
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        findings.report("encoding", "is UTF-16 text", "save it as UTF-8")
        return None
    if b"\0" in data:
        findings.report("encoding", "holds a NUL character, so it is not a text file", "save it as UTF-8 text",
                        place=_byte_place(data, data.index(b"\0")))
        return None
    try:
        return data.decode().removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        findings.report("encoding", f"has a byte that is not UTF-8 (0x{data[error.start]:02x})",
                        "save it as UTF-8", place=_byte_place(data, error.start))
        return None


def _byte_place(data: bytes, position: int) -> Place:
    before = data[:position].decode(errors="replace").removeprefix("\ufeff")
    return Place(before.count("\n") + 1, len(before) - before.rfind("\n"))


_FENCE = re.compile(r"---[ \t]*\r?$")
_CONFLICT = re.compile(r"(?:<{7}|>{7})(?: |\r?$)")
_ODD_BREAK = re.compile("\r(?!\n|\\Z)|[\u0085\u2028\u2029]")


def split(text: str, findings: Findings) -> Parts | None:
    """Takes a file's text apart at its two `---` lines; reports what is missing or too large."""
    lines = text.split("\n")
    for number, line in enumerate(lines, 1):
        if line[:1] in "<>" and _CONFLICT.match(line):
            findings.report("conflict", "holds the marks of an unfinished merge", "choose one side, remove the marks",
                            place=Place(number, 1))
            return None
    if not text.strip():
        findings.report("empty", "is empty", "begin with a --- line, then title, date, machine and complaint")
        return None
    if lines[0].startswith("---") and _odd_break(lines[0], 1, findings):
        return None
    if not _FENCE.match(lines[0]):
        findings.report("front-matter", "does not begin with a --- line",
                        "put title, date, machine and complaint between two --- lines at the top", place=Place(1, 1))
        return None
    end = next((number for number, line in enumerate(lines[1:], 1) if _FENCE.match(line)), None)
    if end is None:
        findings.report("front-matter", "has no second --- line, so its front matter never ends",
                        "put --- on a line of its own below the last field", place=Place(1, 1))
        return None
    front = "\n".join(lines[1:end])
    if len(front.encode()) > MAX_FRONT_MATTER_BYTES:
        findings.report("too-large", f"has {len(front.encode()):,} bytes of front matter; "
                        f"{MAX_FRONT_MATTER_BYTES:,} are allowed", "move the story into the body", place=Place(2, 1))
        return None
    if _odd_break(front, 2, findings):
        return None
    return Parts(front, 2, re.sub("\r+\n", "\n", "\n".join(lines[end + 1:])))


def _odd_break(text: str, first_line: int, findings: Findings) -> bool:
    """Whether `text` holds a line break that would make the places of problems wrong; reports it."""
    odd = _ODD_BREAK.search(text)
    if odd:
        line = text.count("\n", 0, odd.start()) + first_line
        findings.report("line-break", "holds an unusual line break character that editors count differently",
                        "replace it by an ordinary line end",
                        place=Place(line, odd.start() - text.rfind("\n", 0, odd.start())))
    return odd is not None


def _case(fields: Fields, case_id: str, body: str) -> Case:
    title = fields.text("title", required=True)
    day = fields.date("date", required=True)
    machine = _machine(fields)
    complaint = fields.text("complaint", required=True)
    outcome = cast("kinds.Outcome | None", fields.choice("outcome", kinds.OUTCOMES, "an outcome"))
    status = cast("kinds.Status | None", fields.choice("status", kinds.STATUSES, "a status"))
    symptoms = fields.texts("symptoms")

    def step(step_fields: Fields) -> Step | None:
        return _step(step_fields, symptoms)

    case = Case(
        id=case_id,
        title=title,
        date=day or date.min,
        machine=machine,
        complaint=complaint,
        status=status or ("closed" if outcome else "open"),
        symptoms=symptoms,
        absent=fields.texts("absent"),
        history=_history(fields),
        steps=tuple(cast("list[Step]", fields.each("steps", step, "- check: fuel line"))),
        causes=tuple(cast("list[Fault]", fields.each("causes", _fault, "[{fault: stale fuel}]"))),
        proof=fields.texts("proof"),
        outcome=outcome,
        followups=tuple(cast("list[Followup]", fields.each("followups", _followup,
                                                           "[{date: 2026-06-02, status: holding}]"))),
        advice=fields.texts("advice"),
        comeback_of=fields.text("comeback of"),
        body=body.strip("\r\n"),
        private=_private(fields),
    )
    fields.close(CASE_KEYS)
    return case


def _machine(fields: Fields) -> Machine:
    part = fields.mapping("machine")
    if part is None:
        if "machine" not in fields.findings.places:
            fields.findings.report("missing", '"machine" is missing', "for example machine: {kind: chainsaw}",
                                   path="machine", place=fields.node.place)
        return Machine()
    machine = Machine(
        kind=part.text("kind", required=True), engine=part.text("engine"), carburettor=part.text("carburettor"),
        displacement=part.text("displacement"), age=part.text("age"), start=part.text("start"),
        make=part.text("make"), model=part.text("model"), tag=part.text("tag"),
    )
    part.close(MACHINE_KEYS)
    return machine


def _history(fields: Fields) -> History:
    part = fields.mapping("history")
    if part is None:
        return History()
    history = History(stored=part.text("stored"), fuel=part.text("fuel"), use=part.text("use"),
                      tried_before=part.texts("tried before"), note=part.text("note"))
    part.close(HISTORY_KEYS)
    return history


def _private(fields: Fields) -> tuple[tuple[str, str], ...]:
    part = fields.mapping("private")
    if part is None:
        return ()
    return tuple((name.text, part.text(name.text)) for name, _value in part.node.entries)


def _step(fields: Fields, symptoms: tuple[str, ...]) -> Step | None:
    given = [kind for kind in STEP_KEYS if fields.has(kind)]
    if len(given) != 1:
        fields.findings.report(
            "step-kind", "says neither check, set nor do" if not given else f"is {' and '.join(given)} at once",
            "a step is one of them: check (looked at), set (turned), do (changed)", path=fields.path)
        for key in {key for keys in STEP_KEYS.values() for key in keys}:
            fields.take(key)
        fields.close(tuple(STEP_KEYS))
        return None
    kind = given[0]
    minutes = fields.number("minutes", "write minutes as a number, for example 25")
    note, day = fields.text("note"), fields.date("date")
    step: Step
    if kind == "check":
        step = Check(fields.text("check", required=True), fields.text("found"),
                     cast("kinds.Verdict | None", fields.choice("verdict", kinds.VERDICTS, "a verdict")),
                     minutes, note, day)
    elif kind == "set":
        step = Setting(fields.text("set", required=True), fields.text("from"), fields.text("to"),
                       _effects(fields, symptoms), minutes, note, day)
    else:
        actions = fields.texts("do")
        if not actions:
            fields.findings.report("missing", '"do" is empty', "name what was done", path=join(fields.path, "do"))
        step = Repair(actions, _effects(fields, symptoms),
                      fields.number("parts", "write the price as a plain number, for example 9.50"), minutes,
                      cast("kinds.Source | None", fields.choice("source", kinds.SOURCES, "a source of parts")),
                      note, day)
    fields.close(STEP_KEYS[kind])
    return step


def _effects(fields: Fields, symptoms: tuple[str, ...]) -> tuple[Effect, ...]:
    """What a step did: one result for every symptom in `for`, or a result per symptom.

    Without `for`, the only symptom of the case is meant; where there are several, the symptom stays unsaid.
    """
    meant = fields.texts("for")
    path = join(fields.path, "result")
    node = fields.take("result")
    if isinstance(node, Mapping):
        effects = []
        for name, value in node.entries:
            symptom = scalar_text(name, fields.findings, path)
            if not name.text.strip():
                fields.findings.report("missing", "has a result for a symptom without a name",
                                       "write symptom: result", path=path, place=name.place)
            fields.findings.places[join(path, symptom)] = name.place
            result = choice(value, kinds.RESULTS, "a result", fields.findings, path)
            if result:
                effects.append(Effect(symptom, cast("kinds.Result", result)))
        return tuple(effects)
    if node is None or (isinstance(node, Scalar) and not node.text):
        return ()
    result = choice(node, kinds.RESULTS, "a result", fields.findings, path)
    if result is None:
        return ()
    targets = meant or (symptoms if len(symptoms) == 1 else ("",))
    return tuple(Effect(symptom, cast("kinds.Result", result)) for symptom in targets)


def _fault(fields: Fields) -> Fault:
    fault = Fault(fields.text("fault", required=True), fields.texts("explains"))
    fields.close(("fault", "explains"))
    return fault


def _followup(fields: Fields) -> Followup | None:
    day = fields.date("date", required=True)
    status = fields.choice("status", kinds.FOLLOWUP_STATUSES, "a follow-up status")
    fields.close(("date", "status"))
    if day is None or status is None:
        return None
    return Followup(day, cast("kinds.FollowupStatus", status))


def _cross_check(case: Case, findings: Findings) -> None:
    """What only shows when fields are held against each other. All of it is worth a look, none is fatal."""

    def warn(code: str, message: str, hint: str, path: str) -> None:
        severity: Severity = "warning"
        findings.report(code, message, hint, path=path, severity=severity)

    def known(symptom: str, path: str) -> None:
        if symptom and symptom not in case.symptoms:
            warn("symptom-link", f'"{shorten(symptom)}" is not among the symptoms of this case',
                 did_you_mean(symptom, case.symptoms) or "list it under symptoms", path)

    for item, step in zip(findings.kept.get("steps", ()), case.steps, strict=True):
        for effect in () if isinstance(step, Check) else step.effects:
            each = f"{item}.result.{effect.symptom}"
            known(effect.symptom, each if each in findings.places else f"{item}.for")
            if not effect.symptom and len(case.symptoms) > 1:
                warn("symptom-link", "has a result, but not for which symptom",
                     "add for: [" + " or ".join(case.symptoms) + "]", f"{item}.result")
    for item, cause in zip(findings.kept.get("causes", ()), case.causes, strict=True):
        for symptom in cause.explains:
            known(symptom, f"{item}.explains")
    for both in sorted(set(case.symptoms) & set(case.absent)):
        warn("contradiction", f'"{both}" is both a symptom and absent', "remove one", "absent")
    if case.status == "closed" and case.outcome is None:
        warn("no-outcome", "is closed, but without an outcome", "add outcome: " + ", ".join(kinds.OUTCOMES), "status")
    for item, followup in zip(findings.kept.get("followups", ()), case.followups, strict=True):
        if followup.date < case.date:
            warn("dates", "is dated before the job itself", "check the year", f"{item}.date")
