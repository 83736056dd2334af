"""A line typed with one thumb: what it is read as, what is asked back, and that options say the same."""

from __future__ import annotations

import pytest
from helpers import case_of
from hypothesis import given
from hypothesis import strategies as st
from small_folders import lexicon

from casebase.record.case import Case
from casebase.record.casetext import write_step
from casebase.retain.stepline import Given, LineRead, read_line

ONE = case_of("symptoms: [dies when tilted]")
TWO = case_of("symptoms: [surges, starts then dies]")
NONE = case_of()


def read(line: str, case: Case = ONE, given: Given = Given()) -> LineRead:
    return read_line(line, case, lexicon(), given)


def written(line: str, case: Case = ONE, given: Given = Given()) -> str:
    found = read(line, case, given)
    assert found.step is not None, [str(problem) for problem in found.problems]
    return "; ".join(text.strip(" -") for text in write_step(found.step))


CHECKS = {
    "exhaust lash tight, 6 thou will not go in":
        'check: exhaust valve clearance; found: "tight, 6 thou will not go in"; verdict: bad',
    "compression 110 pounds ok": "check: cranking compression; found: 110 pounds; verdict: ok",
    "comp 110 psi ok": "check: cranking compression; found: 110 psi; verdict: ok",
    "comp 110 psi, ok, 8 min": "check: cranking compression; found: 110 psi; verdict: ok; minutes: 8",
    "spark good": "check: spark on gap tester; found: good; verdict: ok",
    "no spark": "check: spark on gap tester; found: no spark; verdict: bad",
    "plug wet": "check: plug wet after pulls; found: wet; verdict: bad",
    "fuel line split at grommet, bad": "check: fuel line; found: split at grommet; verdict: bad",
    "checked fuel line, split at grommet": "check: fuel line; found: split at grommet; verdict: bad",
    "looked at the fuel line: cracked": "check: fuel line; found: cracked; verdict: bad",
    "fuel line ok": "check: fuel line; verdict: ok",
    "fuel line not cracked": "check: fuel line; found: not cracked",
    "fuel filter black": "check: fuel filter; found: black; verdict: bad",
    "fuel filter clogged solid": "check: fuel filter; found: clogged solid; verdict: bad",
    "no fuel leak": "check: fuel leak check; found: no fuel leak; verdict: ok",
    "air filter clean": "check: air filter; found: clean; verdict: ok",
    "diaphragm stiff as a board, 10m": "check: carburettor diaphragms; found: stiff as a board; verdict: bad; minutes: 10",
    "flywheel key half sheared": "check: flywheel key; found: half sheared; verdict: bad",
    "plug gap 25 thou": "check: plug gap; found: 25 thou",
    "fuel filter dirty, needs new fuel filter": 'check: fuel filter; found: "dirty, needs new fuel filter"; verdict: bad',
    "fuel line, not sure": "check: fuel line; verdict: unsure",
    "tried with cap loose, no change": "check: runs with cap loosened; found: no change; verdict: ok",
    "runs better with choke, yes": 'check: runs better with choke; found: yes; verdict: bad',
    "spark plug black and oily": "check: plug colour; found: black and oily; verdict: bad",
    "battery 11.9 V": "check: battery voltage; found: 11.9 V",
    "chain tension was slack": "check: chain and bar; found: tension was slack; verdict: bad",
    "intake boot split": "check: carburettor mounting; found: split; verdict: bad",
    "head still at idle": "check: attachment still at idle; found: head still at idle; verdict: ok",
    "attachment still at idle, no": "check: attachment still at idle; found: no; verdict: bad",
    "head creeps at idle": "check: attachment still at idle; found: creeps at idle; verdict: bad",
    "checked fuel line, no change": "check: fuel line; found: no change",
}  # fmt: skip

SETTINGS = {
    "low screw was 7/8 turn out, now 1 1/8, no change":
        "set: low-speed screw; from: 7/8 turn; to: 1 1/8 turns; for: [dies when tilted]; result: no change",
    "L screw from 1 turn to 1 1/4 turns, better":
        "set: low-speed screw; from: 1 turn; to: 1 1/4 turns; for: [dies when tilted]; result: better",
    "hi screw 1 turn now 7/8": "set: high-speed screw; from: 1 turn; to: 7/8 turn",
    "idle speed was 3600 rpm, now 2900, better":
        "set: idle speed; from: 3600 rpm; to: 2900 rpm; for: [dies when tilted]; result: better",
    "idle screw in half a turn, head stopped, cured":
        "set: idle speed screw; to: half a turn in; for: [dies when tilted]; result: cured; note: head stopped",
    "H screw 1/4 turn richer": "set: high-speed screw; to: 1/4 turn richer",
    "gapped coil 12 thou, no change":
        "set: ignition air gap; to: 12 thou; for: [dies when tilted]; result: no change",
    "gapped coil from 8 to 12 thou": "set: ignition air gap; from: 8 thou; to: 12 thou",
    "inlet lash was 2 thou now 4 thou": "set: inlet valve clearance; from: 2 thou; to: 4 thou",
    "low screw was fully in, now 1 turn": "set: low-speed screw; from: fully in; to: 1 turn",
    "low screw was ½ turn, now 1½": 'set: low-speed screw; from: "½ turn"; to: 1½ turns',
    "plug gap was 0.5mm now 0.65": "set: plug gap; from: 0.5mm; to: 0.65mm",
    "governor spring hole was second hole, now third hole":
        "set: governor spring hole; from: second hole; to: third hole",
}  # fmt: skip

REPAIRS = {
    "fitted new fuel line, cured, 25 min, 9.50":
        "do: replace fuel line; for: [dies when tilted]; result: cured; parts: 9.50; minutes: 25",
    "fitted new fuel line cured 25 min 9.50":
        "do: replace fuel line; for: [dies when tilted]; result: cured; parts: 9.50; minutes: 25",
    "cured, new fuel line, half an hour, 9,50":
        "do: replace fuel line; for: [dies when tilted]; result: cured; parts: 9.50; minutes: 30",
    "new fuel line cured in 25 min, parts 9": "do: replace fuel line; for: [dies when tilted]; result: cured; parts: 9; minutes: 25",
    "new plug and air filter, no change, 12 min, 14.20":
        "do: [replace spark plug, replace air filter]; for: [dies when tilted]; result: no change; parts: 14.20; minutes: 12",
    "cleaned carb, made no odds, 1h": "do: strip and clean carburettor; for: [dies when tilted]; result: no change; minutes: 60",
    "fitted carb kit, better but not right, £11.80, pattern part":
        "do: fit carburettor kit; for: [dies when tilted]; result: better; parts: 11.80; source: pattern",
    "primer bulb swapped, still dies when tilted":
        "do: replace primer bulb; for: [dies when tilted]; result: no change",
    "primer bulb swapped, no longer dies when tilted":
        "do: replace primer bulb; for: [dies when tilted]; result: cured",
    "swapped the carb for a pattern one, no change, 24.90":
        "do: replace carburettor; for: [dies when tilted]; result: no change; parts: 24.90; source: pattern",
    "carb kit in, cured, 38 min, 11.80":
        "do: fit carburettor kit; for: [dies when tilted]; result: cured; parts: 11.80; minutes: 38",
    "new fuel line": "do: replace fuel line",
    "new fuel line, not tested": "do: replace fuel line; for: [dies when tilted]; result: not tested",
    "nothing done, cured": "do: nothing done; for: [dies when tilted]; result: cured",
    "new fuel line, tank was full of sawdust, cured":
        "do: replace fuel line; for: [dies when tilted]; result: cured; note: tank was full of sawdust",
}  # fmt: skip


@pytest.mark.parametrize("line", [*CHECKS, *SETTINGS, *REPAIRS])
def test_a_line_is_read(line: str) -> None:
    assert written(line) == {**CHECKS, **SETTINGS, **REPAIRS}[line]


TARGETS = {
    "new fuel line, surges cured, starts then dies no change":
        "do: replace fuel line; result: {surges: cured, starts then dies: no change}",
    "new fuel line, cured surging": "do: replace fuel line; for: [surges]; result: cured",
    "new fuel line, both cured": 'do: replace fuel line; for: [surges, starts then dies]; result: cured',
    "new fuel line": "do: replace fuel line",
}  # fmt: skip


@pytest.mark.parametrize("line", TARGETS)
def test_a_result_goes_to_the_symptom_named(line: str) -> None:
    assert written(line, TWO) == TARGETS[line]


def test_a_result_goes_to_the_only_symptom_still_open() -> None:
    case = case_of("symptoms: [surges, starts then dies]\nsteps:\n  - {do: x, for: [surges], result: cured}")
    assert written("new fuel line, cured", case) == "do: replace fuel line; for: [starts then dies]; result: cured"
    assert written("new fuel line, cured", NONE) == "do: replace fuel line; result: cured"


ASKED = [
    ("fitted new fuel line, cured", TWO, Given(), "which-symptom", '--for "surges" or --for "starts then dies"'),
    ("low screw was 7/8, now 1 1/8", ONE, Given(), "unit", '"7/8 turn"'),
    ("plug gap 25", ONE, Given(), "unit", '"25 thou"'),
    ("", ONE, Given(check="compression test", found="110"), "unit", '"110 psi"'),
    ("", ONE, Given(set="low-speed screw", before="7/8", after="1"), "unit", "turn"),
    ("fitted new fuel line, cured, 25", ONE, Given(), "unit", "25 min"),
    ("new plug and filter, no change", ONE, Given(), "ambiguous", '"air filter"'),
    ("comp 110", ONE, Given(), "unit", '"110 psi"'),
    ("valve clearance inlet 4 thou exhaust 8 thou", ONE, Given(), "two-steps", "of its own"),
    ("what a day", ONE, Given(), "step-kind", "--check, --set or --do"),
    ("", ONE, Given(), "step-kind", "--check"),
    ("???", ONE, Given(), "step-kind", "--check"),
    ("", ONE, Given(check="fuel line", do=("replace fuel line",)), "step-kind", "--do"),
    ("", ONE, Given(check="fuel line", results=("cured",), found="x"), "step-kind", "a step of its own"),
    ("fuel line split, cured", ONE, Given(), "step-kind", "a step of its own"),
    ("", ONE, Given(do=("replace fuel line",), verdict="ok"), "step-kind", "--result"),
    ("", ONE, Given(set="low-speed screw", after="1 turn", parts="3"), "step-kind", "--do"),
    ("", ONE, Given(set="low-speed screw", found="x", after="1 turn"), "step-kind", "--check"),
    ("", ONE, Given(do=("x",), before="1 turn"), "step-kind", "--set"),
    ("", ONE, Given(set="low-speed screw"), "missing", "was 7/8 turn"),
    ("fuel line", ONE, Given(), "missing", "--verdict"),
    ("new fuel line", ONE, Given(symptoms=("surges",), results=("cured",)), "symptom", "--field symptoms"),
    ("new fuel line", ONE, Given(symptoms=("dies when tilted",)), "missing", "--result"),
    ("new fuel line", ONE, Given(results=("curd",)), "choice", '"cured"'),
    ("fuel line split", ONE, Given(verdict="baad"), "choice", '"bad"'),
    ("new fuel line", ONE, Given(minutes="long"), "number", "--minutes 25"),
    ("new fuel line, cured, 25 min, 30 min", ONE, Given(), "twice", "--minutes"),
    ("new fuel line, cured, no change", ONE, Given(), "twice", "last one"),
]


@pytest.mark.parametrize(("line", "case", "given_", "code", "hint"), ASKED)
def test_what_cannot_be_told_is_asked_back(line: str, case: Case, given_: Given, code: str, hint: str) -> None:
    found = read(line, case, given_)
    assert found.step is None
    assert code in [problem.code for problem in found.problems]
    assert hint in " ".join(problem.hint for problem in found.problems if problem.code == code)


SAME = [
    ("exhaust lash tight, 6 thou will not go in",
     Given(check="exhaust clearance", found="tight, 6 thou will not go in", verdict="bad")),
    ("low screw was 7/8 turn out, now 1 1/8, no change",
     Given(set="L screw", before="7/8 turn", after="1 1/8", results=("no change",))),
    ("fitted new fuel line, cured, 25 min, 9.50",
     Given(do=("new fuel line",), results=("cured",), minutes="25", parts="9.50")),
    ("new plug and air filter, no change, genuine part",
     Given(do=("replace spark plug", "replace air filter"), symptoms=("dies when tilted",), results=("no change",),
           source="maker's")),
    ("fuel line ok", Given(check="fuel line", verdict="ok")),
]  # fmt: skip


@pytest.mark.parametrize(("line", "given_"), SAME)
def test_line_and_options_write_the_same(line: str, given_: Given) -> None:
    assert written(line) == written("", given=given_)


def test_options_outweigh_the_line() -> None:
    given_ = Given(verdict="unsure", found="hairline at the grommet", minutes="3")
    assert written("fuel line split, bad, 9 min", given=given_) == (
        "check: fuel line; found: hairline at the grommet; verdict: unsure; minutes: 3"
    )
    per_symptom = Given(results=("surges: cured", "starts then dies: worse"))
    assert written("new fuel line", TWO, per_symptom).endswith("result: {surges: cured, starts then dies: worse}")
    assert written("split at grommet", given=Given(check="fuel line")) == (
        "check: fuel line; found: split at grommet; verdict: bad"
    )


def test_what_was_read_is_named_with_its_words() -> None:
    found = read("low screw was 7/8 turn out, now 1 1/8, no change")
    told = {piece.field: (piece.value, piece.words) for piece in found.pieces}
    assert told["set"] == ("low-speed screw", "low screw")
    assert told["result"] == ("no change", "no change")
    assert told["from"][0] == "7/8 turn"


def test_a_term_the_vocabulary_lacks_is_kept_and_named() -> None:
    found = read("", given=Given(check="flux gate", found="dark", verdict="bad"))
    assert found.step is not None
    assert "not in the vocabulary" in " ".join(found.remarks)


PIECES = ["fitted new fuel line", "low screw", "was 7/8 turn", "now 1", "cured", "no change", "25 min", "9.50", "ok", "bad",
          "and filter", "surges", "still", "spark", "6 thou", "checked", ",", ".", "½", "(", "1,5 mm", "-", "?", "in", "out"]


@given(st.lists(st.sampled_from(PIECES), max_size=8).map(" ".join) | st.text(max_size=40), st.sampled_from([ONE, TWO, NONE]))
def test_any_line_is_read_or_asked_back(line: str, case: Case) -> None:
    found = read(line, case)
    assert (found.step is None) == bool(found.problems)
    assert all(problem.hint for problem in found.problems)
