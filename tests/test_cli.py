"""The command line: every command and what it prints, exit codes, and that nothing ends in a traceback.

Commands run inside this process where that shows the same; streams, terminals and kills need one of their own.
"""

from __future__ import annotations

import json
import os
import pty
import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from commands import DEMO, ROOT, Done, casebase, copy_of_demo, environment, process
from helpers import text, within
from small_folders import write_cases

from casebase.cli.main import app, load_asked
from casebase.record.case import Repair, Setting
from casebase.record.folder import load, load_all

load_asked([])
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]
QUESTION = "runs only on choke, leaks at bulb"


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CASEBASE_DIR", raising=False)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo cases that no test writes into."""
    return copy_of_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture
def ask(demo: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Done]:
    """Runs a command on the demo cases."""
    monkeypatch.setenv("CASEBASE_DIR", str(demo))
    return casebase


# Shapes of the JSON: `{key: shape}` exactly these keys, `[shape]` a list of such, a type or several.

Shape = Any
NUMBER = (int, float)
INTERVAL = (list, type(None))
FIX = {
    "actions": [str], "tried": int, "cases": dict, "in_words": str, "effective_cases": NUMBER, "wilson": INTERVAL,
    "beta": INTERVAL, "median_minutes": (*NUMBER, type(None)), "median_parts": (*NUMBER, type(None)),
    "came_back": [str], "last": (str, type(None)),
}  # fmt: skip
UNDERSTOOD = {
    "text": str,
    "terms": [{"kind": str, "label": str, "status": str, "words": str, "start": int, "end": int}],
    "machine": {"kind": str, "engine": str, "carburettor": str, "displacement_cc": (*NUMBER, type(None)),
                "age_years": (*NUMBER, type(None))},
    "readings": [{"value": NUMBER, "high": (*NUMBER, type(None)), "unit": str, "words": str}],
    "tried": [{"action": str, "result": str, "words": str}],
    "likely": [str],
    "left_over": [str],
    "corrected": [{"written": str, "read_as": str}],
    "doubts": [{"word": str, "meanings": [str]}],
}  # fmt: skip
PROBLEM = {
    "file": str, "line": int, "column": int, "field": str, "code": str, "severity": str, "message": str, "hint": str,
}  # fmt: skip
EFFECT = {"symptom": str, "result": str}
SHAPES: dict[str, Shape] = {
    "find": {
        "understood": UNDERSTOOD, "cases_in_folder": int, "similar_cases": int,
        "neighbours": [{
            "case": str, "number": str, "score": NUMBER, "causes": [str],
            "reasons": {"symptoms": [str], "related": [[str]], "words": [str], "matching": [str], "differing": [str],
                        "contradicting": [str], "unknown": [str], "likely": dict},
        }],
        "evidence": [{"symptom": str, "cases": int, "fixes": [FIX], "set_aside": [FIX]}],
        "handbook": [{"symptoms": [str], "cause": str, "printed_cause": str, "remedy": str, "action": str,
                      "basis": str, "source": str}],
        "handbook_more": int,
        "cautions": [{"hazard": str, "caution": str}],
        "ends_fixed": {"chance": (*NUMBER, type(None)), "nearest": int, "fixed": int, "share": NUMBER, "known": int,
                       "base": NUMBER},
    },
    "understand": UNDERSTOOD,
    "show": {
        "id": str, "number": str, "title": str, "date": str, "status": str, "complaint": str, "symptoms": [str],
        "absent": [str], "proof": [str], "outcome": (str, type(None)), "advice": [str], "comeback_of": str, "body": str,
        "machine": dict.fromkeys(
            ("kind", "engine", "carburettor", "displacement", "age", "start", "make", "model", "tag"), str),
        "history": {"stored": str, "fuel": str, "use": str, "tried_before": [str], "note": str},
        "causes": [{"fault": str, "explains": [str]}],
        "followups": [{"date": str, "status": str}],
        "steps": list,
    },
    "lint": {"cases": int, "problems": [PROBLEM]},
    "lookup": {"query": str, "read_as": str, "cases": [{"case": str, "title": str, "passage": str}], "total": int,
               "suggestion": str},
    "index": {"cases": int, "files_not_used": int, "notes": [str]},
    "import": {"written": int, "problems": [PROBLEM]},
}  # fmt: skip
STEPS: dict[str, Shape] = {
    "check": {"kind": str, "check": str, "found": str, "verdict": (str, type(None)), "minutes": (*NUMBER, type(None)),
              "note": str, "date": (str, type(None))},
    "set": {"kind": str, "setting": str, "before": str, "after": str, "effects": [EFFECT],
            "minutes": (*NUMBER, type(None)), "note": str, "date": (str, type(None))},
    "do": {"kind": str, "actions": [str], "effects": [EFFECT], "parts": (*NUMBER, type(None)),
           "minutes": (*NUMBER, type(None)), "source": (str, type(None)), "note": str, "date": (str, type(None))},
}  # fmt: skip


def fits(value: Any, shape: Shape, where: str = "") -> None:
    if isinstance(shape, dict):
        assert isinstance(value, dict), where
        assert value.keys() == shape.keys(), where
        for key, inner in shape.items():
            fits(value[key], inner, f"{where}.{key}")
    elif isinstance(shape, list):
        assert isinstance(value, list), where
        for number, item in enumerate(value):
            fits(item, shape[0], f"{where}[{number}]")
    else:
        assert isinstance(value, shape), f"{where} is {value!r}"


WRITING = {"start", "import", "evaluate", "tune", "sheet", "draft", "open", "log", "finish", "edit", "serve"}  # these have tests of their own
EXAMPLES: dict[str, tuple[str, ...]] = {
    "find": (QUESTION,),
    "understand": ("6 year old 45 cc chainsaw, no spark with new plug, 6 thou at the coil, filter? carburaator wet",),
    "show": ("24-009",),
    "lint": (),
    "lookup": ("bulb AND (leak OR split)",),
    "index": (),
    "next": ("will not start, spark plug wet",),
    "weigh": ("fit carburettor kit", "replace fuel line", "--for", "runs only on choke", "--otherwise", "120"),
    "answer": (QUESTION,),
    "followups": (),
    "reading": ("inlet valve clearance", "0.006 in", "--engine", "four-stroke"),
}


def test_every_command_is_tried_here():
    assert COMMANDS.keys() == EXAMPLES.keys() | WRITING


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_command_has_json(ask, name):
    done = ask(name, *EXAMPLES[name], "--json")
    assert (done.code, done.err) == (0, "")
    if name in SHAPES:
        fits(done.json, SHAPES[name], name)
    else:
        assert isinstance(done.json, dict)


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_command_has_words(ask, name):
    done = ask(name, *EXAMPLES[name])
    assert (done.code, done.err) == (0, "")
    assert done.out.strip()
    assert "\x1b" not in done.out


def test_the_json_of_every_case_fits(ask, demo):
    for case in load_all(demo)[0]:
        told = ask("show", case.id, "--json").json
        fits(told, SHAPES["show"], case.id)
        for step in told["steps"]:
            fits(step, STEPS[step["kind"]], case.id)
        assert len(told["steps"]) == len(case.steps)


def test_json_reads_well(ask):
    done = ask("understand", "it’s dead – “no” spark", "--json")
    assert "it’s dead – “no” spark" in done.out
    assert done.out.startswith("{\n  ")


def test_json_of_an_import(tmp_path):
    head = "id,product_category,problem,repair_status,event_date"
    (tmp_path / "x.csv").write_text(
        f"{head}\nx-1,Kettle,stays cold,Fixed,2020-01-02\nx-2,Kettle,dead,Fixed,2020-13-02\n"
    )
    done = casebase("import", "open-repair", str(tmp_path / "x.csv"), "--into", str(tmp_path / "made"), "--json")
    fits(done.json, SHAPES["import"])
    assert done.code == 1
    assert done.json["written"] == 1
    assert [problem["line"] for problem in done.json["problems"]] == [3]
    assert casebase("find", "kettle stays cold", "--cases", str(tmp_path / "made")).code == 0


def test_version_and_no_arguments():
    from casebase import __version__

    assert casebase("--version") == Done(0, f"{__version__}\n", "")
    assert casebase().code == 2
    assert "Commands:" in casebase().out + casebase().err
    assert casebase("--help").code == 0


# What the tool is for. These four must please a person who repairs engines.

ACCEPTANCE = {
    "starts only sometimes": (["starts only sometimes"], []),
    QUESTION: (["runs only on choke", "primer bulb cracked or leaking"], ["24-009"]),
    "head keeps spinning at idle": (["cutting attachment moves at idle"], []),
    "smokes blue after it was tipped over": (["blue or white smoke"], ["24-010", "25-016"]),
}


@pytest.mark.parametrize("question", ACCEPTANCE)
def test_the_right_neighbours_come_first(ask, demo, question):
    symptoms, first = ACCEPTANCE[question]
    found = ask("find", question, "--json").json
    seen = [term["label"] for term in found["understood"]["terms"] if term["status"] == "present"]
    assert set(symptoms) <= set(seen)
    assert len(found["neighbours"]) >= 3
    for near in found["neighbours"][:3]:
        case = load(demo / f"{near['case']}.md").case
        assert case is not None
        assert set(symptoms) & set(case.symptoms), near["case"]
        assert set(near["reasons"]["symptoms"]) == set(symptoms) & set(case.symptoms)
    assert [n["number"] for n in found["neighbours"][: len(first)]] == first or set(first) <= {
        n["number"] for n in found["neighbours"][:3]
    }


@pytest.mark.parametrize("question", ACCEPTANCE)
def test_every_count_can_be_found_again_in_the_files(ask, demo, question):
    """Each case that a fix names really did that, to that symptom, with that result."""
    found = ask("find", question, "--json").json
    assert [part["symptom"] for part in found["evidence"]] == ACCEPTANCE[question][0]
    cited = 0
    for part in found["evidence"]:
        assert part["fixes"], part["symptom"]
        for fix in part["fixes"]:
            assert fix["tried"] == sum(len(ids) for result, ids in fix["cases"].items() if result != "not tested")
            assert (fix["wilson"] is None) == (fix["tried"] < 3)
            assert any(char.isdigit() for char in fix["in_words"]) == (fix["tried"] >= 3)
            for result, ids in fix["cases"].items():
                for case_id in ids:
                    assert result_in_file(demo / f"{case_id}.md", fix["actions"], part["symptom"]) == result
                    cited += 1
    assert cited >= 4


def result_in_file(path: Path, actions: list[str], symptom: str) -> str:
    """The last result of these actions on a symptom, read from the file."""
    case = load(path).case
    assert case is not None
    result = "nothing"
    for step in case.steps:
        if isinstance(step, Repair | Setting):
            done = sorted(set(step.actions)) if isinstance(step, Repair) else [f"set {step.setting}"]
            for effect in step.effects:
                if done == actions and effect.symptom in (symptom, ""):
                    result = effect.result
    return result


@pytest.mark.parametrize("question", ACCEPTANCE)
def test_the_answer_in_words(ask, question):
    told = " ".join(ask("find", question).out.split())
    assert told.startswith("Read as " + "; ".join(ACCEPTANCE[question][0]))
    for part in ("Like this one", "What helped against", "Take care", "manual", "licensed or trained person"):
        assert part in told
    assert re.search(r"worked (once|both times)|cured \d of \d", told)
    assert re.search(r"\[2\d-\d{3}", told)


def test_an_empty_folder_answers_from_the_handbook(tmp_path):
    done = casebase("find", "runs only on choke", "--cases", str(tmp_path))
    assert done.code == 0
    assert "no cases yet" in done.out
    assert "handbook" in done.out
    found = casebase("find", "runs only on choke", "--cases", str(tmp_path), "--json").json
    assert found["cases_in_folder"] == 0
    assert found["neighbours"] == []
    assert found["handbook"]
    assert all(row["source"] for row in found["handbook"])
    told = " ".join(done.out.split())
    assert all(row["source"] in told for row in found["handbook"])


# Twenty kinds of broken files.

BROKEN: dict[str, bytes] = {
    "empty": b"",
    "blanks": b"  \n\n",
    "no front matter": b"The saw is dead.\n",
    "no end": text().replace("---\n", "", 2).join(["---\n", ""]).encode(),
    "not utf-8": text(body="caf\xe9").encode("latin-1"),
    "utf-16": text().encode("utf-16"),
    "a nul": text(body="x\0y").encode(),
    "no title": text().replace("title: Saw will not start\n", "").encode(),
    "no date": text().replace("date: 2026-04-18\n", "").encode(),
    "no such day": text().replace("2026-04-18", "2026-02-31").encode(),
    "no machine": text().replace("machine: {kind: chainsaw}\n", "").encode(),
    "no complaint": text().replace("complaint: it is dead\n", "").encode(),
    "unknown field": text("symptons: [no spark]").encode(),
    "unknown outcome": text("outcome: fixd").encode(),
    "unknown result": text("steps: [{do: x, result: cure}]").encode(),
    "a field twice": text("title: Again").encode(),
    "an alias": text("symptoms: &a [x]\nabsent: *a").encode(),
    "a merge": text(body="<<<<<<< HEAD\none\n=======\ntwo\n>>>>>>> other\n").encode(),
    "a tab": text("history:\n\tstored: long").encode(),
    "an open bracket": text("symptoms: [no spark").encode(),
}
assert len(BROKEN) == 20


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    """Twenty broken files of twenty kinds beside forty good ones."""
    folder = copy_of_demo(tmp_path, 40)
    for number, data in enumerate(BROKEN.values()):
        (folder / f"26-8{number:02d}-broken.md").write_bytes(data)
    return folder


def test_broken_files_hide_no_good_one(mixed):
    done = casebase("find", "runs only on choke", "--cases", str(mixed), "--json")
    assert done.code == 0
    assert done.json["cases_in_folder"] == 40
    assert "note: 20 files could not be used" in done.err
    assert "casebase lint" in done.err
    index = casebase("index", "--cases", str(mixed), "--json")
    assert (index.code, index.json) == (0, {"cases": 40, "files_not_used": 20, "notes": []})


def test_lint_names_each_with_its_place_and_remedy(mixed):
    done = casebase("lint", "--cases", str(mixed))
    assert done.code == 1
    assert "40 cases can be used, 20 files cannot" in done.out
    named = set(re.findall(r"/(26-8\d\d-broken)\.md(?::\d+:\d+)?[ :]", done.out))
    assert len(named) == 20
    problems = casebase("lint", "--cases", str(mixed), "--json").json["problems"]
    fits(problems, [PROBLEM])
    for problem in problems:
        if problem["severity"] == "error":
            assert problem["message"]
            assert problem["hint"], problem
    placed = {Path(problem["file"]).stem for problem in problems if problem["line"]}
    assert len(placed & named) >= 16  # an empty file or one in another encoding has no line to name


def test_lint_on_good_files(ask):
    done = ask("lint")
    assert done.code == 0
    assert re.fullmatch(r"\d+ cases can be used, 0 files cannot; 0 remarks\n", done.out)


def test_show_says_what_is_wrong_with_a_broken_case(mixed):
    done = casebase("show", "813", "--cases", str(mixed))
    assert done.code == 1
    assert 'did you mean "fixed"?' in done.err
    assert done.out == ""


# Words of every sort.


@pytest.mark.parametrize("words", ["", "   ", "????", "\x1b", "\u202e", "--", "...", "\n"])
@pytest.mark.parametrize("command", ["find", "understand", "next", "lookup"])
def test_no_words(ask, command, words):
    done = ask(command, "--", words)
    assert done.code == 2
    assert "no words" in done.err
    assert done.out == ""


def test_nonsense(ask):
    done = ask("find", "flurble grommick")
    assert done.code == 0
    assert "Nothing like it" in done.out
    assert ask("find", "flurble grommick", "--json").json["neighbours"] == []


@pytest.mark.parametrize("word", ["word ", "leak ", "a, ", "no "])
def test_ten_thousand_words(ask, word):
    with within(30):
        done = ask("find", word * 10_000)
    assert done.code == (2 if len(word) * 10_000 > 20_000 else 0)
    if done.code:
        assert "20,000 can be read at once" in done.err


@pytest.mark.parametrize("words", ["-x", "-1", "--json", "--cases", "=x"])
def test_words_that_look_like_options(ask, words):
    assert ask("find", "--", words).code == 0
    assert ask("find", words).code in (0, 2)


@pytest.mark.parametrize(
    "args",
    [
        ("nonsense",),
        ("find",),
        ("find", "a", "b"),
        ("find", "x", "--limit", "0"),
        ("find", "x", "--limit", "many"),
        ("find", "x", "--by", "colour"),
        ("find", "x", "--colour"),
        ("lookup", "x", "--limit", "-1"),
        ("next", "x", "--profile", "king"),
        ("weigh",),
        ("weigh", "x"),
        ("reading", "x", "y"),
        ("show",),
        ("import", "x"),
        ("import", "x", "y", "--into", "z"),
    ],
)
def test_wrong_usage_is_two(ask, args):
    done = ask(*args)
    assert done.code == 2
    assert done.err
    assert done.out == ""


@pytest.mark.parametrize("name", [*EXAMPLES])
@pytest.mark.parametrize("where", ["missing", "a file"])
def test_no_folder(tmp_path, name, where):
    place = tmp_path / "x"
    if where == "a file":
        place.write_text("x")
    done = casebase(name, *EXAMPLES[name], "--cases", str(place))
    assert done.code == 2
    assert f"{place} is not a folder" in done.err
    assert "casebase start" in done.err


def test_the_folder_is_taken_from_option_environment_or_place(tmp_path, monkeypatch):
    for name in ("one", "two", "cases"):
        write_cases(tmp_path / name, {f"26-001-{name}": {}})
    monkeypatch.chdir(tmp_path)
    assert json.loads(casebase("show", "1", "--json").out)["id"] == "26-001-cases"
    monkeypatch.setenv("CASEBASE_DIR", "two")
    assert json.loads(casebase("show", "1", "--json").out)["id"] == "26-001-two"
    assert json.loads(casebase("show", "1", "--json", "--cases", "one").out)["id"] == "26-001-one"


@pytest.mark.parametrize(
    ("reference", "shown"),
    [
        ("24-009", "24-009-trimmer-choke-then-bulb"),
        ("24-009-trimmer-choke-then-bulb", "24-009-trimmer-choke-then-bulb"),
        ("then-bulb", "24-009-trimmer-choke-then-bulb"),
        ("THEN-Bulb", "24-009-trimmer-choke-then-bulb"),
        ("9", "26-009-trimmer-scored-not-mended"),
    ],
)
def test_show_by_id_number_or_part(ask, reference, shown):
    assert ask("show", reference, "--json").json["id"] == shown


@pytest.mark.parametrize(
    ("reference", "says"),
    [("trimmer", r"fits \d+ cases: .*give more of the name"), ("no such", "there is no case"), ("", "there is no case"),
     ("../24-009", "there is no case"), ("9" * 400, "there is no case"), ("٩", "there is no case")],
)  # fmt: skip
def test_show_what_is_none_or_several(ask, reference, says):
    done = ask("show", reference)
    assert done.code == 2
    assert re.search(says, done.err)


def test_lookup_in_words(ask):
    done = ask("lookup", "the", "--limit", "2")
    assert re.search(r"\n\d+ cases with the, the first 2 shown\n$", done.out)
    assert ask("lookup", "bulbb").out.endswith("0 cases with bulbb\nDid you mean: bulb\n")
    assert "1 case with" in ask("lookup", 'title:"then wet hands"').out


@pytest.mark.parametrize("query", ["a-b", "NEAR(", "bulb AND", "bul*", "[a TO b]", "bulb^x", "field:word", '"bulb'])
def test_lookup_takes_any_query(ask, query):
    assert ask("lookup", query).code == 0


def test_start(tmp_path):
    place = tmp_path / "deep" / "jobs"
    done = casebase("start", str(place), "--currency", "CHF", "--hourly-rate", "95.5", "--units", "inch")
    assert done.code == 0
    assert "is ready" in done.out
    assert [path.name for path in place.iterdir()] == ["casebase.toml"]
    assert casebase("find", "will not start", "--cases", str(place)).code == 0
    again = casebase("start", str(place))
    assert again.code == 2
    assert "is a case folder already" in again.err


@pytest.mark.parametrize(
    ("option", "value"),
    [("--currency", ""), ("--currency", "\x1b[31m"), ("--currency", "a" * 99), ("--units", "furlongs"),
     ("--hemisphere", "east"), ("--hourly-rate", "nan"), ("--hourly-rate", "-4"), ("--hourly-rate", "inf"),
     ("--hourly-rate", "much")],
)  # fmt: skip
def test_start_with_a_wrong_value_makes_nothing(tmp_path, option, value):
    done = casebase("start", str(tmp_path / "x"), option, value)
    assert done.code == 2
    assert done.err
    assert not (tmp_path / "x").exists()


def test_start_where_no_folder_can_be(tmp_path):
    (tmp_path / "file").write_text("x")
    for place in (tmp_path / "file", tmp_path / "file" / "x", Path("/proc/x")):
        done = casebase("start", str(place))
        assert done.code == 2
        assert "cannot be made" in done.err


@pytest.mark.parametrize("content", [None, b"", b"a,b\n1,2\n", b"\xff\xfe\x00", b'id,"\n' + b"x" * 100])
def test_import_of_what_is_none(tmp_path, content):
    if content is not None:
        (tmp_path / "x.csv").write_bytes(content)
    done = casebase("import", "open-repair", str(tmp_path / "x.csv"), "--into", str(tmp_path / "made"))
    assert done.code == 2
    assert done.err.startswith("FILE: ")


# Control characters of others never reach the terminal.

EVIL = "\x1b[31mred\x1b]52;c;QUJD\x07\x1b]8;;http://x\x1b\\ \u202eback \x9b2J \r \x7f \u2028 \U000e0041"


def assert_tame(told: str) -> None:
    assert not [char for char in told if not char.isprintable() and char not in "\n\u00a0\u202f"]


def evil_folder(place: Path) -> Path:
    quoted = json.dumps(EVIL.strip(), ensure_ascii=True).replace("\\ud83", "\\ud83")
    quoted = re.sub(r"\\ud[89ab]..\\ud[c-f]..", lambda _pair: "\\U000e0041", quoted)
    place.mkdir()
    front = [
        "---", f"title: {quoted}", "date: 2026-04-18", f"machine: {{kind: {quoted}, engine: {quoted}, tag: {quoted}}}",
        f"complaint: {quoted}", f"symptoms: [{quoted}, no spark]", f"absent: [{quoted}]",
        f"history: {{stored: {quoted}, tried before: [{quoted}]}}", "steps:", f"  - check: {quoted}",
        f"    found: {quoted}", f"  - do: {quoted}", "    for: [no spark]", "    result: cured", f"    note: {quoted}",
        f"  - set: {quoted}", f"    from: {quoted}", f"    for: [{quoted}]", "    result: worse",
        f"causes: [{{fault: {quoted}, explains: [{quoted}]}}]", f"proof: [{quoted}]", f"advice: [{quoted}]",
        f"comeback of: {quoted}", "---", EVIL,
    ]  # fmt: skip
    (place / "26-001-evil.md").write_text("\n".join(front), newline="")
    (place / "26-002-evil.md").write_text(text(f"{quoted}: 1\noutcome: {quoted}"))
    (place / "26-003\x1b[31m.md").write_text(text())
    (place / "casebase.toml").write_text(f"currency = {json.dumps(EVIL)}\n{json.dumps(EVIL)} = 1\n")
    return place


@pytest.mark.parametrize("json_too", [False, True])
def test_control_characters_in_files_are_shown_escaped(tmp_path, json_too):
    folder = evil_folder(tmp_path / "\x1b[31mevil")
    options = ("--cases", str(folder), *(["--json"] if json_too else []))
    codes = {}
    for name, args in {**EXAMPLES, "find": ("no spark, red",), "show": ("1",), "lookup": ("red",)}.items():
        done = casebase(name, *args, *options)
        assert_tame(done.out + done.err)
        codes[name] = done.code
    assert codes["find"] == codes["show"] == codes["lookup"] == 0
    assert codes["lint"] == 1
    assert "\\x1b[31m" in casebase("show", "1", "--cases", str(folder)).out
    assert_tame(casebase("show", "2", *options).err)
    assert casebase("show", "1", *options).code == 0


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("options", [(), ("--json",)])
def test_control_characters_in_arguments_are_shown_escaped(ask, name, options):
    words = f"no spark {EVIL}: 3, 5 min, 50 %"
    done = ask(name, *(words for _argument in EXAMPLES[name]), *options)
    assert_tame(done.out + done.err)
    assert done.code in (0, 1, 2)
    assert_tame(casebase(name, *EXAMPLES[name], "--cases", EVIL).err)
    assert_tame(casebase(name, f"--{EVIL}").err)
    assert_tame(casebase(name, *[EVIL] * 5).err)


def test_control_characters_in_names_are_shown_escaped(tmp_path):
    assert_tame(casebase("start", str(tmp_path / EVIL)).out)
    assert_tame(casebase(EVIL).err)
    assert_tame(casebase("find", "x", "--limit", EVIL).err)


def test_nothing_private_is_told(tmp_path):
    secret = {"patron": "Zyxwvut Qponmlk", "phone": "5550001", "address": "Hidden Lane"}
    case: dict[str, Any] = {"symptoms": ["no spark"], "complaint": "no spark", "private": secret}
    folder = write_cases(tmp_path / "x", {"26-001-a": case, "26-002-b": {**case, "outcome": "fixd"}})
    for name, args in {**EXAMPLES, "find": ("no spark",), "show": ("1",), "lookup": ("spark",)}.items():
        for options in ((), ("--json",)):
            done = casebase(name, *args, "--cases", str(folder), *options)
            told = done.out + done.err
            assert not [word for word in ("Zyxwvut", "Qponmlk", "5550001", "Hidden", "patron") if word in told]
    assert casebase("lookup", "Zyxwvut", "--cases", str(folder), "--json").json["total"] == 0
    assert casebase("show", "2", "--cases", str(folder)).err.count("Zyx") == 0


def test_nothing_is_written_into_the_folder(tmp_path):
    folder = copy_of_demo(tmp_path)

    def snapshot() -> list[tuple[str, int, bytes]]:
        return [(p.name, p.stat().st_mtime_ns, p.read_bytes()) for p in sorted(folder.iterdir())]

    before = snapshot()
    for name, args in {**EXAMPLES, "show": ("24-001",)}.items():
        assert casebase(name, *args, "--cases", str(folder)).code == 0, name
    assert snapshot() == before


def test_a_cache_that_cannot_be_written_is_only_a_note(ask, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null/none")
    for command in (("find", "no spark"), ("lookup", "spark"), ("lint",)):
        done = ask(*command)
        assert done.code == 0
        assert done.err.startswith("note: the cache folder /dev/null/none")


# Streams, terminals, alphabets: processes of their own.


@pytest.fixture(scope="module")
def ready(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """The environment of processes that ask the demo cases, their index built already."""
    env = {"CASEBASE_DIR": demo, "XDG_CACHE_HOME": tmp_path_factory.mktemp("cache")}
    assert process("index", env=env).code == 0
    return env


def shell(line: str, env: dict[str, object], **more: object) -> subprocess.CompletedProcess[str]:
    command = line.replace("casebase ", f"{shlex.quote(sys.executable)} -m casebase ")
    return subprocess.run(
        ["bash", "-c", command], cwd=ROOT, env=environment(**env, **more), capture_output=True, text=True
    )


@pytest.mark.parametrize("unbuffered", [None, "1"])
def test_a_reader_that_goes_away(ready, unbuffered):
    line = f"casebase find {QUESTION!r} --json | true; echo ${{PIPESTATUS[0]}}"
    done = shell(f"{line}; casebase lookup a | head -1 > /dev/null; echo ${{PIPESTATUS[0]}}", ready,
                 PYTHONUNBUFFERED=unbuffered)  # fmt: skip
    assert (done.stdout, done.stderr) == ("0\n0\n", "")


def test_streams_that_are_closed(ready):
    done = shell(
        "casebase find 'no spark' >&-; echo $?; casebase find '' 2>&-; echo $?; casebase --help >&-; echo $?", ready
    )
    assert (done.stdout, done.stderr) == ("0\n2\n0\n", "")


def test_a_full_disk_behind_the_output(ready):
    done = shell("casebase find 'no spark' > /dev/full; echo $?; casebase --help > /dev/full; echo $?", ready)
    assert done.stdout == "1\n1\n"
    assert done.stderr == "the answer cannot be read or written (No space left on device)\n" * 2


def test_an_ascii_terminal(ready):
    settings = {"LC_ALL": "C", "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii"}
    done = process(
        "find", "smokes blué, tipped over \udcff".encode(errors="surrogateescape"), env={**ready, **settings}
    )
    assert done.code == 0
    assert done.out.isascii()
    assert "blue or white smoke" in done.out
    assert done.err == ""


def test_a_narrow_terminal(ask, monkeypatch):
    monkeypatch.setenv("COLUMNS", "20")
    for name, args in EXAMPLES.items():
        done = ask(name, *args)
        assert done.code == 0
        if name in ("find", "show", "understand", "lookup"):
            assert max(map(len, done.out.splitlines())) <= 24


def on_terminal(env: dict[str, object], **more: object) -> str:
    """What `find` writes to a terminal."""
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "casebase", "find", QUESTION]
    running = subprocess.Popen(command, cwd=ROOT, env=environment(**env, **more), stdout=slave, stderr=slave)
    os.close(slave)
    told = b""
    while True:
        try:
            piece = os.read(master, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        told += piece
    os.close(master)
    assert running.wait() == 0
    return told.decode()


def test_colour_on_a_terminal_only_if_wanted(ready):
    coloured = on_terminal(ready, TERM="xterm", NO_COLOR=None)
    plain = on_terminal(ready, TERM="xterm", NO_COLOR="1")
    assert "\x1b[1m" in coloured
    assert "\x1b" not in plain
    assert re.sub(r"\x1b\[\d*m", "", coloured) == plain


def test_the_module_is_the_command(ready):
    """The process and the quick way of these tests print the same."""
    done = process("find", QUESTION, env=ready)
    assert done == casebase("find", QUESTION, "--cases", str(ready["CASEBASE_DIR"]))


# Help and README.


def options_of(command: Any) -> Iterator[str]:
    for parameter in command.params:
        yield from (name for name in parameter.opts if name.startswith("--") and name != "--help")


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_an_example_that_names_the_command(name):
    done = casebase(name, "--help")
    assert done.code == 0
    told = " ".join(done.out.split())
    assert f"Example: casebase {name}" in told
    assert all(option in told for option in options_of(COMMANDS[name]))


def example_of(name: str) -> list[str]:
    """The example in a command's help, as arguments."""
    (line,) = [line for line in (COMMANDS[name].help or "").splitlines() if "Example: casebase " in line]
    return shlex.split(line.split("Example: casebase ")[1])


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in ("import", "serve")])  # serve runs until stopped: test_serve
def test_the_example_in_the_help_runs(name, tmp_path, monkeypatch):
    if any(shlex.split(line)[1:] == example_of(name) for line in console_lines()):
        return  # run with the examples of the README, below
    copy_of_demo(tmp_path)
    monkeypatch.chdir(tmp_path)
    Path("notes.txt").write_text("The chainsaw floods. Fitted a carburettor kit, that did it.")
    done = casebase(*example_of(name))
    assert (done.code, done.err) == (0, "")


README = ROOT / "README.md"
needs_readme = pytest.mark.skipif(not README.exists(), reason="there is no README.md yet")


def readme() -> str:
    return README.read_text(encoding="utf-8") if README.exists() else ""


def console_lines() -> list[str]:
    blocks = re.findall(r"^```console\n(.*?)^```", readme(), re.MULTILINE | re.DOTALL)
    return [line[2:] for block in blocks for line in block.splitlines() if line.startswith("$ ")]


@needs_readme
def test_every_command_and_option_is_in_the_readme():
    missing = [f"casebase {name}" for name in COMMANDS if f"casebase {name}" not in readme()]
    missing += [f"{name} {option}" for name, command in COMMANDS.items() for option in options_of(command)
                if option not in readme()]  # fmt: skip
    assert not missing


@needs_readme
def test_the_readme_has_examples():
    assert console_lines()


@needs_readme
@pytest.mark.parametrize("line", console_lines())
def test_every_example_of_the_readme_runs(line, tmp_path, monkeypatch):
    """`tools/run.py` would set up an environment first; here it stands for the command it runs."""
    copy_of_demo(tmp_path)
    monkeypatch.chdir(tmp_path)
    program, *args = shlex.split(line.replace("python3 tools/run.py", "casebase"))
    assert program == "casebase"
    done = casebase(*args)
    assert (done.code, done.err) == (0, "")
    assert done.out.strip()


def test_the_demo_cases_were_not_touched():
    assert not (DEMO / "lookup").exists()
