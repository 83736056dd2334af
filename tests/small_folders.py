"""Small case folders for tests, their index without the store, and one lexicon for all tests.

Compiling the vocabulary takes a second or two, so it happens once; the index is built in memory from files
that are really written and really read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from casebase.record.folder import load, scan
from casebase.record.settings import Settings
from casebase.retrieve.digest import digest
from casebase.retrieve.index import Index
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.segment import Tables, build
from casebase.retrieve.understand import Understood, understand
from casebase.trade.terms import package_vocabulary

DATA = Path(__file__).parent / "data"

Fields = Mapping[str, Any]


@cache
def lexicon() -> Lexicon:
    return Lexicon.build(package_vocabulary())


def understood(text: str) -> Understood:
    return understand(text, lexicon())


def write_cases(folder: Path, cases: Mapping[str, Fields]) -> Path:
    """Writes cases, id to front matter ("body" is the text below it); what is required and missing is filled in."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, given in cases.items():
        fields = {
            "title": name.rsplit("-", 1)[-1],
            "date": "2026-01-05",
            "machine": {"kind": "chainsaw"},
            "complaint": "see above",
            **given,
        }
        body = fields.pop("body", "")
        front = yaml.safe_dump(fields, sort_keys=False, allow_unicode=True, default_flow_style=None, width=1000)
        (folder / f"{name}.md").write_text(f"---\n{front}---\n{body}", encoding="utf-8")
    return folder


def index_of(folder: Path, order: Sequence[str] = (), segments: int = 1) -> Index:
    """The index of a folder, its cases in `order` of their ids (default: the folder's), in so many segments."""
    entries = {entry.id: entry for entry in scan(folder).entries}
    digests, signatures = [], []
    for name in order or entries:
        reading = load(entries[name].path, name)
        assert reading.case is not None, [str(problem) for problem in reading.problems]
        digests.append(digest(reading.case, lexicon()))
        signatures.append(entries[name].signature)
    tables = Tables()
    cuts = np.linspace(0, len(digests), segments + 1).astype(int).tolist()
    parts = tuple(build(digests[low:high], signatures[low:high], tables) for low, high in pairwise(cuts))
    return Index(folder, lexicon(), tables, parts, np.ones(len(digests), dtype=np.bool_), Settings(), ())


def index_with(folder: Path, cases: Mapping[str, Fields]) -> Index:
    """The index of a folder with just these cases."""
    return index_of(write_cases(folder, cases))


def fix(*actions: str, on: Iterable[str] = (), result: Any = "cured", **more: Any) -> dict[str, Any]:
    """A step that did something: one action, or several as one bundle."""
    done = {"do": list(actions) if len(actions) > 1 else actions[0], **more}
    return {**done, **({"for": list(on)} if on else {}), "result": result}


def gold(name: str) -> list[dict[str, Any]]:
    """The texts of `data/NAME.yaml` with what a person read in them."""
    texts = yaml.load((DATA / f"{name}.yaml").read_text(encoding="utf-8"), yaml.CSafeLoader)
    assert isinstance(texts, list)
    return texts
