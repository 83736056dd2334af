"""How much each part of the similarity counts: safe defaults, or what a folder's own cases have taught."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from casebase.retrieve import store

FILE_NAME = "tuned"


class Weights(NamedTuple):
    """Shares of text, symptoms and machine, which sum to 1, and the most the learned part may take of all, in [0, 1).

    `evidence` says what they rest on: figures by name, empty for the defaults.
    """

    text: float = 0.3
    symptoms: float = 0.5
    machine: float = 0.2
    learned: float = 0.9
    evidence: tuple[tuple[str, float], ...] = ()


DEFAULTS = Weights()


def read_weights(place: Path | None) -> Weights:
    """The tuned weights of a folder's cache, or the defaults where there are none that can be used."""
    if place is None or not (place / FILE_NAME).is_file():
        return DEFAULTS
    try:
        tables = store.load(place / FILE_NAME)[1]
        parts = {name: float(tables[name]) for name in ("text", "symptoms", "machine", "learned")}
        evidence = tuple((str(name), float(value)) for name, value in tables["evidence"].items())
    except (store.Damaged, KeyError, TypeError, ValueError, AttributeError):
        return DEFAULTS
    if not all(0 <= part <= 1 for part in parts.values()) or parts["learned"] == 1:
        return DEFAULTS
    return Weights(parts["text"], parts["symptoms"], parts["machine"], parts["learned"], evidence)


def save_weights(place: Path, weights: Weights) -> None:
    """Keeps tuned weights. Raises `OSError` when the disk does not take them."""
    tables: dict[str, Any] = weights._asdict() | {"evidence": dict(weights.evidence)}
    store.save(place / FILE_NAME, {}, tables)
