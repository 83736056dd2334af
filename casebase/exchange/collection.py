"""Text collections for measuring retrieval: documents, queries and judgements in a folder.

`docs.jsonl` and `queries.jsonl` hold one `{"id": ..., "text": ...}` a line; `qrels.tsv` holds
query, document and gain; `excluded.tsv`, if there, documents to leave out of a query's ranking.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

from casebase.problems import Place, Problem, Refused, refuse


class Collection(NamedTuple):
    """A text collection; `judgements` and `excluded` are by query."""

    documents: dict[str, str]
    queries: dict[str, str]
    judgements: dict[str, dict[str, float]]
    excluded: dict[str, frozenset[str]]


def read_collection(folder: Path) -> Collection:
    """Reads a collection. Raises `Refused` with every wrong line: unreadable, or naming what is not there."""
    if not folder.is_dir():
        raise refuse("no-folder", f"{folder} is not a folder", "a collection is a folder with docs.jsonl, queries.jsonl "
                     "and qrels.tsv", field="FILE")
    problems: list[Problem] = []
    documents = _texts(folder / "docs.jsonl", problems)
    queries = _texts(folder / "queries.jsonl", problems)
    judgements: dict[str, dict[str, float]] = {}
    for query, document, gain in _lines(folder / "qrels.tsv", 3, queries, documents, problems):
        judgements.setdefault(query, {})[document] = float(gain)
    excluded: dict[str, set[str]] = {}
    if (folder / "excluded.tsv").exists():
        for query, document, *_rest in _lines(folder / "excluded.tsv", 2, queries, documents, problems):
            excluded.setdefault(query, set()).add(document)
    if not problems and not judgements:
        problems.append(Problem("empty", "holds no judgement", "give query, document and gain, tabs between",
                                str(folder / "qrels.tsv")))
    if problems:
        raise Refused(*problems, usage=False)
    return Collection(documents, queries, judgements, {query: frozenset(ids) for query, ids in excluded.items()})


def _read(path: Path, problems: list[Problem]) -> list[str]:
    try:
        return path.read_text(encoding="utf-8").split("\n")
    except OSError as error:
        problems.append(Problem("unreadable", f"cannot be read ({error.strerror})", "the collection needs it", str(path)))
    except UnicodeDecodeError:
        problems.append(Problem("encoding", "is not UTF-8 text", "save it as UTF-8", str(path)))
    return []


def _texts(path: Path, problems: list[Problem]) -> dict[str, str]:
    found: dict[str, str] = {}
    for number, line in enumerate(_read(path, problems), 1):
        if not line.strip():
            continue
        try:
            record = json.loads(line)
            name, text = str(record["id"]), str(record["text"])
        except (ValueError, KeyError, TypeError):
            problems.append(Problem("line", 'is not {"id": ..., "text": ...}', "one object a line", str(path),
                                    Place(number, 1)))
            continue
        if name in found:
            problems.append(Problem("duplicate", f'id "{name}" stands here a second time', "ids are unique", str(path),
                                    Place(number, 1)))
        found[name] = text
    return found


def _lines(path: Path, cells: int, queries: dict[str, str], documents: dict[str, str],
           problems: list[Problem]) -> list[list[str]]:
    rows = []
    for number, line in enumerate(_read(path, problems), 1):
        if not line.strip():
            continue
        row = [cell.strip() for cell in line.split("\t")]
        trouble = ""
        if len(row) < cells:
            trouble = f"has {len(row)} cells, {cells} are needed"
        elif row[0] not in queries:
            trouble = f'names a query "{row[0]}" that queries.jsonl does not have'
        elif row[1] not in documents:
            trouble = f'names a document "{row[1]}" that docs.jsonl does not have'
        elif cells == 3 and not _is_number(row[2]):
            trouble = f'has a gain "{row[2]}" that is no number'
        if trouble:
            problems.append(Problem("line", trouble, "correct or remove the line", str(path), Place(number, 1)))
        else:
            rows.append(row)
    return rows


def _is_number(text: str) -> bool:
    try:
        return float(text) == float(text)
    except ValueError:
        return False
