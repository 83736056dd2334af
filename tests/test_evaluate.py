"""Measuring retrieval: the protocol on small folders made by hand, and the figures on outside data."""

from __future__ import annotations

import csv
import importlib.util
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import casebase
from helpers import shared_data
from small_folders import lexicon, write_cases

from casebase.api import CaseBase, measure_collection, measure_records
from casebase.problems import Refused
from casebase.retain.evaluate import evaluate, groups, question_of, questions
from casebase.retain.textruns import text_index
from casebase.retain.tune import tune
from casebase.retrieve.text import features
from casebase.retrieve.textscore import text_scores
from casebase.retrieve.weights import DEFAULTS

pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("CASEBASE_DIR", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def job(complaint: str, cause: str = "", tag: str = "", **more: Any) -> dict[str, Any]:
    machine = {"kind": "chainsaw", **({"tag": tag} if tag else {})}
    return {"complaint": complaint, "machine": machine, "status": "closed", "outcome": "fixed",
            **({"causes": [{"fault": cause}]} if cause else {}), **more}


SMALL = {
    "26-001-a": job("dies when tilted smells of petrol", "fuel line cracked", "S-1"),
    "26-002-b": job("Dies when tilted. Smells of petrol", "fuel line cracked"),  # the same words
    "26-003-c": job("no spark at all", "coil failed"),
    "26-004-d": job("no spark when hot", "coil failed"),
    "26-005-e": job("cuts out when rolled over, petrol drips", "fuel line cracked", "S-1"),  # the same machine
    "26-006-f": job("will not start, tank wet", "fuel line cracked"),
    "26-007-g": job("squeaks"),
}


@pytest.fixture
def small(tmp_path: Path) -> CaseBase:
    return CaseBase(write_cases(tmp_path / "cases", SMALL))


def test_same_words_and_same_machine_never_help_each_other(small: CaseBase) -> None:
    index = small.index
    group = groups(index, index.positions())
    named = {index.id(position)[3:6]: name for position, name in group.items()}
    assert named["001"] == named["002"] == named["005"]
    assert len(set(named.values())) == 5
    for asked in questions(index, small.complaints()):
        total = asked.scores.total(index.weights, 0.0)
        for position in index.positions():
            if group[position] == group[asked.position]:
                assert total[position] == 0.0 and not asked.relevant[position]


def test_a_question_knows_the_machine_but_not_the_cause(small: CaseBase) -> None:
    asked = question_of(small.index, 0, "dies when tilted")
    assert asked.machine.kind == "chainsaw" and "fuel line cracked" not in repr(asked)


def test_figures_of_a_small_folder_by_hand(small: CaseBase) -> None:
    """Six questions. 003 and 004 find each other first; the tilted ones have 006 as the only case that may help."""
    quality = evaluate(small.index, small.complaints())
    assert quality.queries == 6 and quality.fixed_known == 7
    assert quality.fixed_brier == pytest.approx(0.0, abs=0.02) == quality.fixed_brier_base
    two = [asked for asked in questions(small.index, small.complaints()) if "coil failed" in
           small.index.labels("causes", "cause", asked.position)]
    assert [asked.ndcg(DEFAULTS, 0.0) for asked in two] == [1.0, 1.0]


def test_the_folder_of_one_cause_each_is_refused(tmp_path: Path) -> None:
    base = CaseBase(write_cases(tmp_path / "cases", {"26-001-a": job("x y", "coil failed"), "26-002-b": job("z")}))
    with pytest.raises(Refused, match="no two cases share a cause"):
        evaluate(base.index, base.complaints())
    done = casebase("evaluate", "--cases", str(base.folder))
    assert done.code == 1 and "no two cases share a cause" in done.err and "Traceback" not in done.err


def test_tuning_is_deterministic_and_keeps_the_defaults_where_nothing_is_surely_better(small: CaseBase) -> None:
    one, other = (tune(small.index, small.complaints()) for _ in range(2))
    assert one == other and not one.changed and one.weights[:4] == DEFAULTS[:4]
    assert dict(one.weights.evidence)["questions"] == one.questions == 6


def test_tuned_weights_are_shown_by_evaluate(small: CaseBase) -> None:
    done = casebase("tune", "--cases", str(small.folder), "--json")
    assert done.code == 0 and done.json["changed"] is False and done.json["questions"] == 6
    shown = casebase("evaluate", "--cases", str(small.folder)).out
    assert "Weights: text 0.3" in shown and "when tuned: questions" in shown


KEYS = {"queries", "ndcg@10", "mrr@10", "p@5", "cause_accuracy", "cause_macro_f1", "cause_top3", "fixed_brier",
        "fixed_brier_base", "fixed_ece"}


def records(path: Path, rows: list[dict[str, str]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return path


def row(number: int, problem: str, cause: str, english: str = "yes") -> dict[str, str]:
    return {"id": f"r{number}", "product_category": "Lamp", "problem": problem, "repair_status": "Fixed",
            "event_date": "2020-01-02", "fault_type": cause, "english": english}


def test_records_are_measured_with_the_named_keys(tmp_path: Path) -> None:
    rows = [row(n, f"{'flickers a lot' if n % 2 else 'cord broken'} number {n}", "Switch" if n % 2 else "Cord")
            for n in range(12)]
    rows += [row(20, "smells", "Only one"), row(21, "", "Cord"), row(22, "humming", "Unknown"),
             row(23, "scheint dunkel", "Cord", "no")]
    file = records(tmp_path / "lamps.csv", rows)
    done = casebase("evaluate", str(file), "--from", "open-repair", "--english-only", "--json")
    assert done.code == 0 and done.json.keys() >= KEYS
    assert done.json["queries"] == 13  # the lone cause counts as a miss; no words and no usable cause do not
    assert done.json["fixed_ece"] is not None
    assert 'the cause "Only one" stands in this row only' in done.err and "lamps.csv:14:1" in done.err
    every = casebase("evaluate", str(file), "--from", "open-repair", "--json")
    assert every.json["queries"] == 14


@pytest.mark.parametrize(("args", "words"), [
    (("--from", "spreadsheet"), "allowed: open-repair, text-collection"),
    (("--from", "open-repair"), "FILE"),
    (("some.csv",), "--from"),
    (("none.csv", "--from", "open-repair"), "cannot be read"),
    (("none", "--from", "text-collection"), "is not a folder"),
])
def test_wrong_requests_are_refused_in_words(args: tuple[str, ...], words: str) -> None:
    done = casebase("evaluate", *args)
    assert done.code in (1, 2) and words in done.err and "Traceback" not in done.err


@pytest.mark.parametrize("missing", ["fault_type", "english", "problem"])
def test_missing_columns_are_named(tmp_path: Path, missing: str) -> None:
    rows = [{name: value for name, value in row(n, "dark", "Cord").items() if name != missing} for n in range(3)]
    done = casebase("evaluate", str(records(tmp_path / "x.csv", rows)), "--from", "open-repair", "--english-only")
    assert done.code == 2 and f"no column {missing}" in done.err


def test_a_wrong_collection_is_refused_with_its_lines(tmp_path: Path) -> None:
    (tmp_path / "docs.jsonl").write_text('{"id": "d1", "text": "one"}\n')
    (tmp_path / "queries.jsonl").write_text('{"id": "q1", "text": "one"}\n')
    (tmp_path / "qrels.tsv").write_text("q1\td1\t1\nq1\tgone\t1\n")
    done = casebase("evaluate", str(tmp_path), "--from", "text-collection")
    assert done.code == 1 and "qrels.tsv:2:1" in done.err and '"gone"' in done.err


def test_tablets_reach_their_figures() -> None:
    """Open Repair Data (Open Repair Alliance, to July 2025): floors from the measured figures of the data's page."""
    quality, _remarks = measure_records(shared_data("open-repair/tablets.csv"), english_only=True)
    assert quality.queries == 465
    assert quality.ndcg >= 0.78 and quality.accuracy >= 0.79 and quality.macro_f1 >= 0.53
    assert quality.fixed_brier <= 0.214 and quality.fixed_ece <= 0.05
    assert quality.fixed_brier_base == pytest.approx(0.241, abs=0.001)


@pytest.mark.parametrize(("name", "floor"), [("cranfield", 0.44), ("cacm", 0.49)])
def test_text_collections_reach_their_figures(name: str, floor: float) -> None:
    """Cranfield (Cleverdon 1967) and CACM (Fox 1983), default settings; BM25 gives .425 and .496 nDCG@10."""
    found = measure_collection(shared_data(f"text-retrieval/{name}"))
    assert found.ndcg >= floor and 0 < found.map < found.recall <= 1


def test_text_similarity_follows_human_judgement() -> None:
    """Lee, Pincombe & Welsh 2005: 50 news texts rated in pairs, as shipped in gensim's test data. The score of one
    text for another relative to its score for itself, both ways; measured .59."""
    spec = importlib.util.find_spec("gensim")
    assert spec is not None and spec.origin is not None
    data = Path(spec.origin).parent / "test" / "test_data"
    texts = (data / "lee.cor").read_text(encoding="latin-1").splitlines()
    rated = np.loadtxt(data / "similarities0-1.txt")
    assert len(texts) == 50 and rated.shape == (50, 50)
    index = text_index({f"{number:02d}": text for number, text in enumerate(texts)}, lexicon())
    scores = np.array([text_scores(features(text), index, usual_tf=1.0) for text in texts])
    scores = scores / np.diag(scores)[:, None]
    upper = np.triu_indices(50, 1)
    assert np.corrcoef(((scores + scores.T) / 2)[upper], rated[upper])[0, 1] >= 0.55


def test_json_of_the_collection(tmp_path: Path) -> None:
    (tmp_path / "docs.jsonl").write_text('{"id": "d1", "text": "split hose"}\n{"id": "d2", "text": "dull chain"}\n')
    (tmp_path / "queries.jsonl").write_text('{"id": "q1", "text": "hose is split"}\n')
    (tmp_path / "qrels.tsv").write_text("q1\td1\t2\n")
    done = casebase("evaluate", str(tmp_path), "--from", "text-collection", "--json")
    assert json.loads(done.out) == {"queries": 1, "ndcg@10": 1.0, "map": 1.0, "recall@100": 1.0}
    assert "1.000  ndcg@10" in casebase("evaluate", str(tmp_path), "--from", "text-collection").out
