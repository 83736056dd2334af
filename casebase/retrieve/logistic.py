"""Chances by logistic regression over a few named features (Hosmer, Lemeshow & Sturdivant 2013, Applied Logistic Regression, ch. 1).

The weights lie in `trade/data/reading.txt` as plain text; `tools/learn_reading.py` finds them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from math import exp, log

from casebase.trade import DATA

Features = Mapping[str, float]

WEIGHTS = DATA / "reading.txt"
_LEAST = 1e-4  # chances below this are all alike
_MOST = 50.0  # of a score; what is beyond is certain


def chance(weights: Features, features: Features) -> float:
    """The chance, in [0, 1], of what has these features; a feature without a weight counts nothing."""
    score = weights.get("constant", 0.0) + sum(weights.get(name, 0.0) * value for name, value in features.items())
    return 1 / (1 + exp(-max(-_MOST, min(_MOST, score))))


def log_of(chance: float) -> float:
    """The logarithm of a chance, as a feature."""
    return log(chance + _LEAST)


def odds(chance: float) -> float:
    """The logarithm of the odds of a chance, as a feature."""
    return log((chance + _LEAST) / (1 - chance + _LEAST))


@cache
def read_weights() -> dict[str, dict[str, float]]:
    """The weights by what is weighed: a line "= subject", below it a feature and its weight on each line."""
    found: dict[str, dict[str, float]] = {}
    here: dict[str, float] = {}
    for line in WEIGHTS.read_text(encoding="utf-8").splitlines():
        if line.startswith("= "):
            here = found.setdefault(line[2:].strip(), {})
        elif line.strip() and not line.startswith("#"):
            name, weight = line.rsplit(maxsplit=1)
            here[name] = float(weight)
    return found


def written_weights(weights: Mapping[str, Features]) -> Iterable[str]:
    """The lines of `reading.txt`."""
    yield "# How much each feature counts where texts are read by likeness; made by tools/learn_reading.py."
    for subject, features in weights.items():
        yield f"\n= {subject}"
        yield from (f"{name} {weight:.4f}" for name, weight in features.items())
