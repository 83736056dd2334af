"""Text collections for measuring retrieval: read whole, or refused with every wrong line."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers import shared_data

from casebase.exchange.collection import Collection, read_collection
from casebase.problems import Refused

GOOD = {
    "docs.jsonl": '{"id": "d1", "text": "one"}\n\n{"id": 2, "text": "zwei ä\u2028"}\n',
    "queries.jsonl": '{"id": "q1", "text": "which"}\n',
    "qrels.tsv": "q1\td1\t3\n\nq1\t2\t0.5\n",
    "excluded.tsv": "q1\t2\n",
}


def folder_of(path: Path, **changed: str | bytes | None) -> Path:
    """A collection with some files changed, or left out where None; `docs` stands for `docs.jsonl`."""
    for name, content in GOOD.items():
        new = changed.get(name.split(".")[0], content)
        if new is not None:
            (path / name).write_bytes(new.encode() if isinstance(new, str) else new)
    return path


def test_a_collection_is_read_whole(tmp_path: Path) -> None:
    assert read_collection(folder_of(tmp_path)) == Collection(
        {"d1": "one", "2": "zwei ä\u2028"}, {"q1": "which"}, {"q1": {"d1": 3.0, "2": 0.5}}, {"q1": frozenset({"2"})}
    )


def test_nothing_need_be_left_out_of_a_ranking(tmp_path: Path) -> None:
    assert read_collection(folder_of(tmp_path, excluded=None)).excluded == {}


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({"docs": None}, [("unreadable", "docs.jsonl", 0), ("line", "qrels.tsv", 1), ("line", "qrels.tsv", 3),
                          ("line", "excluded.tsv", 1)]),
        ({"queries": b"\xff"}, [("encoding", "queries.jsonl", 0), ("line", "qrels.tsv", 1), ("line", "qrels.tsv", 3),
                                ("line", "excluded.tsv", 1)]),
        ({"docs": GOOD["docs.jsonl"] + "{\n[]\n{}\n1\n"}, [("line", "docs.jsonl", n) for n in (4, 5, 6, 7)]),
        ({"docs": GOOD["docs.jsonl"] + '{"id": "d1", "text": ""}'}, [("duplicate", "docs.jsonl", 4)]),
        ({"qrels": "q1\td1\nq9\td1\t1\nq1\td9\t1\nq1\td1\tmuch\nq1\td1\tnan\n"},
         [("line", "qrels.tsv", n) for n in (1, 2, 3, 4, 5)]),
        ({"qrels": ""}, [("empty", "qrels.tsv", 0)]),
        ({"excluded": "q1\n"}, [("line", "excluded.tsv", 1)]),
    ],
)  # fmt: skip
def test_every_wrong_line_is_named(
    tmp_path: Path, changed: dict[str, str | bytes | None], found: list[tuple[str, str, int]]
) -> None:
    with pytest.raises(Refused) as refused:
        read_collection(folder_of(tmp_path, **changed))
    problems = refused.value.problems
    assert [(problem.code, Path(problem.file).name, problem.place.line) for problem in problems] == found
    assert all(problem.hint for problem in problems)


def test_what_is_no_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused) as refused:
        read_collection(tmp_path / "gone")
    assert [problem.code for problem in refused.value.problems] == ["no-folder"]


@pytest.mark.parametrize("name", ["cranfield", "cacm"])
def test_the_real_collections_are_read(name: str) -> None:
    collection = read_collection(shared_data(f"text-retrieval/{name}"))
    assert len(collection.documents) > 1000
    assert set(collection.judgements) <= set(collection.queries)
