"""A segment: an immutable set of cases as plain arrays, with postings for words and symptoms.

Several segments make an index. Weights that depend on the whole (idf, mean length) are computed at query time
from counts, so that segments on one machine or on many give the same answer as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from casebase.record.case import OUTCOMES, RESULTS, VERDICTS
from casebase.record.folder import Signature
from casebase.retrieve.digest import Digest
from casebase.retrieve.store import Arrays
from casebase.retrieve.text import hashed, is_pair

IntArray = npt.NDArray[np.int64]


class Tables:
    """Labels and the numbers that stand for them in the arrays; numbers only ever get added."""

    NAMES = ("symptom", "cause", "kind", "engine", "carburettor", "bundle", "check", "cluster")

    def __init__(self, lists: dict[str, list[Any]] | None = None) -> None:
        self.lists: dict[str, list[Any]] = {name: list((lists or {}).get(name, [])) for name in self.NAMES}
        self._numbers = {name: {_key(value): number for number, value in enumerate(values)}
                         for name, values in self.lists.items()}

    def number(self, name: str, value: Any) -> int:
        """The number of a label, added if new; -1 for "" (unknown)."""
        if value == "" or value == ():
            return -1
        known = self._numbers[name]
        key = _key(value)
        if key not in known:
            known[key] = len(self.lists[name])
            self.lists[name].append(list(value) if isinstance(value, tuple) else value)
        return known[key]

    def known(self, name: str, value: Any) -> int:
        """The number of a label, or -1 where no case has it."""
        return self._numbers[name].get(_key(value), -1)


def _key(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Segment:
    """`arrays` hold, for `size` cases (see `build`): columns of one value per case, lists as pointer + values."""

    arrays: Arrays
    size: int
    _ids: list[str] = field(default_factory=list)
    _owners: dict[str, npt.NDArray[np.int64]] = field(default_factory=dict)
    _plain: dict[str, list[Any]] = field(default_factory=dict)

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self.arrays[name]

    def id(self, position: int) -> str:
        return self.ids()[position]

    def ids(self) -> list[str]:
        """All ids; they are decoded once, for an answer asks for hundreds."""
        if len(self._ids) != self.size:
            blob, at = self["id_bytes"].tobytes(), self["id_at"].tolist()
            self._ids[:] = [blob[start:end].decode() for start, end in zip(at, at[1:], strict=False)]
        return self._ids

    def said(self, position: int) -> str:
        """The words of a case's complaint."""
        return self._text("said", position)

    def title(self, position: int) -> str:
        return self._text("title", position)

    def _text(self, name: str, position: int) -> str:
        at = self[f"{name}_at"]
        return bytes(self[f"{name}_bytes"][at[position]: at[position + 1]]).decode()

    def row(self, name: str, position: int) -> npt.NDArray[Any]:
        """The values of a list column for one case."""
        at = self[f"{name}_at"]
        return self[name][at[position]: at[position + 1]]

    def plain(self, name: str) -> list[Any]:
        """A column as plain values, which are met one by one much faster than those of an array; turned once."""
        if name not in self._plain:
            self._plain[name] = self[name].tolist()
        return self._plain[name]

    def numbers(self, name: str, position: int) -> list[int]:
        """The values of a list column for one case, as plain numbers."""
        at = self.plain(f"{name}_at")
        return self.plain(name)[at[position]: at[position + 1]]

    def owners(self, pointer: str) -> npt.NDArray[np.int64]:
        """For each row of a list column ("effects_at") the place of the case it belongs to; worked out once."""
        if pointer not in self._owners:
            self._owners[pointer] = np.repeat(np.arange(self.size), np.diff(self[pointer]))
        return self._owners[pointer]

    def places(self, features: npt.NDArray[np.uint64]) -> IntArray:
        """Where feature hashes stand in `feature`; -1 for those that no case has."""
        hashes = self["feature"]
        if not len(hashes):
            return np.full(len(features), -1, dtype=np.int64)
        places = np.minimum(hashes.searchsorted(features), len(hashes) - 1)
        return np.where(hashes[places] == features, places, -1)

    def postings(self, feature: int) -> slice:
        """Where the postings of a feature hash stand in `post_case` and `post_tf`; empty when it has none."""
        place = int(self.places(np.array([feature], dtype=np.uint64))[0])
        return slice(int(self["post_at"][place]), int(self["post_at"][place + 1])) if place >= 0 else slice(0, 0)

    def symptom_postings(self, symptom: int) -> npt.NDArray[Any]:
        """Positions of the cases that have a symptom."""
        at = self["has_at"]
        if not 0 <= symptom < len(at) - 1:
            return self["has"][:0]
        return self["has"][int(at[symptom]): int(at[symptom + 1])]


def build(digests: Sequence[Digest], signatures: Sequence[Signature], tables: Tables) -> Segment:
    """Makes the arrays of a segment. Unknown labels are -1, unknown numbers NaN."""
    arrays: Arrays = {}
    arrays["signature"] = np.array(signatures, dtype=np.int64).reshape(len(digests), 4)
    encoded = [item.id.encode() for item in digests]
    arrays["id_at"] = _pointers([len(part) for part in encoded])
    arrays["id_bytes"] = np.frombuffer(b"".join(encoded), dtype=np.uint8)
    arrays["length"] = np.array([sum(tf for feature, tf in item.features.items() if not is_pair(feature))
                                 for item in digests], dtype=np.float32)
    _postings(arrays, digests)
    _own_words(arrays, digests)
    for column, name in (("kind", "kind"), ("engine", "engine"), ("carburettor", "carburettor")):
        arrays[column] = np.array([tables.number(name, getattr(item, column)) for item in digests], dtype=np.int32)
    for column in ("displacement_cc", "age_years"):
        arrays[column] = np.array([_float(getattr(item, column)) for item in digests], dtype=np.float32)
    arrays["cluster"] = np.array([tables.number("cluster", item.cluster) for item in digests], dtype=np.int32)
    arrays["day"] = np.array([item.day for item in digests], dtype=np.int32)
    arrays["outcome"] = np.array([OUTCOMES.index(item.outcome) if item.outcome else -1 for item in digests],
                                 dtype=np.int8)
    arrays["came_back"] = np.array([item.came_back for item in digests], dtype=np.bool_)
    for column, name in (("symptoms", "symptom"), ("absent", "symptom"), ("causes", "cause")):
        lists = [[tables.number(name, label) for label in getattr(item, column)] for item in digests]
        arrays[column] = np.array([number for numbers in lists for number in numbers], dtype=np.int32)
        arrays[f"{column}_at"] = _pointers([len(numbers) for numbers in lists])
    _effects(arrays, digests, tables)
    _lessons(arrays, digests)
    _invert_symptoms(arrays, len(tables.lists["symptom"]))
    return Segment(arrays, len(digests))


def _float(value: float | None) -> float:
    return float("nan") if value is None else value


def _pointers(lengths: Sequence[int]) -> IntArray:
    return np.concatenate([[0], np.cumsum(np.array(lengths, dtype=np.int64))]).astype(np.int64)


def _postings(arrays: Arrays, digests: Sequence[Digest]) -> None:
    """Feature hashes sorted, and for each the cases that have it with their weighted tf."""
    sizes = [len(item.features) for item in digests]
    hashes = np.fromiter((hashed(feature) for item in digests for feature in item.features), dtype=np.uint64,
                         count=sum(sizes))
    weights = np.fromiter((tf for item in digests for tf in item.features.values()), dtype=np.float32,
                          count=sum(sizes))
    cases = np.repeat(np.arange(len(digests), dtype=np.uint32), sizes)
    order = np.argsort(hashes, kind="stable")
    unique, starts = np.unique(hashes[order], return_index=True)
    arrays["feature"] = unique
    arrays["post_at"] = np.append(starts, len(hashes)).astype(np.int64)
    arrays["post_case"] = cases[order]
    arrays["post_tf"] = weights[order]


def _own_words(arrays: Arrays, digests: Sequence[Digest]) -> None:
    """For each case its single words with their tf, for feedback."""
    words = [[(hashed(feature), tf) for feature, tf in item.features.items() if not is_pair(feature)]
             for item in digests]
    arrays["words_at"] = _pointers([len(found) for found in words])
    arrays["words"] = np.array([feature for found in words for feature, _tf in found], dtype=np.uint64)
    arrays["words_tf"] = np.array([tf for found in words for _feature, tf in found], dtype=np.float32)


def _effects(arrays: Arrays, digests: Sequence[Digest], tables: Tables) -> None:
    rows = [row for item in digests for row in item.effects]
    arrays["effects_at"] = _pointers([len(item.effects) for item in digests])
    arrays["effect_step"] = np.array([row.step for row in rows], dtype=np.int16)
    arrays["effect_bundle"] = np.array([tables.number("bundle", row.actions) for row in rows], dtype=np.int32)
    arrays["effect_symptom"] = np.array([tables.number("symptom", row.symptom) for row in rows], dtype=np.int32)
    arrays["effect_result"] = np.array([RESULTS.index(row.result) for row in rows], dtype=np.int8)
    arrays["effect_minutes"] = np.array([_float(row.minutes) for row in rows], dtype=np.float32)
    arrays["effect_parts"] = np.array([_float(row.parts) for row in rows], dtype=np.float32)
    checks = [row for item in digests for row in item.checks]
    arrays["checks_at"] = _pointers([len(item.checks) for item in digests])
    arrays["check"] = np.array([tables.number("check", row.check) for row in checks], dtype=np.int32)
    arrays["check_verdict"] = np.array([VERDICTS.index(row.verdict) if row.verdict else -1 for row in checks],
                                       dtype=np.int8)


def _lessons(arrays: Arrays, digests: Sequence[Digest]) -> None:
    """Title and words of each complaint, and a hash of all the learned part takes from the case: 0 where that is nothing."""
    words = [item.said.encode() for item in digests]
    arrays["said_at"] = _pointers([len(part) for part in words])
    arrays["said_bytes"] = np.frombuffer(b"".join(words), dtype=np.uint8)
    titles = [item.title.encode() for item in digests]
    arrays["title_at"] = _pointers([len(part) for part in titles])
    arrays["title_bytes"] = np.frombuffer(b"".join(titles), dtype=np.uint8)
    arrays["open"] = np.array([item.status == "open" for item in digests], dtype=np.bool_)
    arrays["lesson"] = np.array([
        hashed("\t".join((item.id, item.said, item.kind, item.engine, item.cluster, item.outcome, *item.causes)))
        if item.causes or item.outcome else 0 for item in digests], dtype=np.uint64)


def _invert_symptoms(arrays: Arrays, symptoms: int) -> None:
    cases = np.repeat(np.arange(len(arrays["symptoms_at"]) - 1, dtype=np.uint32), np.diff(arrays["symptoms_at"]))
    order = np.argsort(arrays["symptoms"], kind="stable")
    arrays["has"] = cases[order]
    arrays["has_at"] = np.searchsorted(arrays["symptoms"][order], np.arange(symptoms + 1)).astype(np.int64)
