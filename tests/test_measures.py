"""The measures against a reference library (ir_measures over pytrec_eval, that is the trec_eval program of NIST) and
scikit-learn, on random rankings."""

from __future__ import annotations

import ir_measures
import numpy as np
import pytest
from ir_measures import AP, RR, P, R, nDCG
from sklearn.metrics import brier_score_loss, f1_score

from casebase.retain import measures
from casebase.reuse.calibration import brier

RUNS = range(20)


def drawn(seed: int) -> tuple[list[str], dict[str, float]]:
    """A ranking of some of 60 documents and gains of 0 to 4 for some of them."""
    chance = np.random.default_rng(seed)
    names = [f"d{number}" for number in range(60)]
    ranked = list(chance.permutation(names)[: int(chance.integers(5, 60))])
    gains = {str(name): float(chance.integers(0, 5)) for name in chance.permutation(names)[:25]}
    return [str(name) for name in ranked], gains


def reference(measure: object, ranked: list[str], gains: dict[str, float]) -> float:
    qrels = {"q": {name: int(gain) for name, gain in gains.items()}}
    run = {"q": {name: float(len(ranked) - place) for place, name in enumerate(ranked)}}
    return float(ir_measures.calc_aggregate([measure], qrels, run)[measure])


@pytest.mark.parametrize("seed", RUNS)
def test_measures_of_rankings_agree_with_the_reference(seed: int) -> None:
    ranked, gains = drawn(seed)
    relevant = [name for name, gain in gains.items() if gain > 0]
    hits = [name in relevant for name in ranked]
    assert measures.ndcg(ranked, gains, 10) == pytest.approx(reference(nDCG @ 10, ranked, gains))
    assert measures.average_precision(ranked, relevant) == pytest.approx(reference(AP, ranked, gains))
    assert measures.recall(ranked, relevant, 20) == pytest.approx(reference(R @ 20, ranked, gains))
    assert measures.precision(hits, 5) == pytest.approx(reference(P @ 5, ranked, gains))
    assert measures.reciprocal_rank(hits) == pytest.approx(reference(RR, ranked, gains))
    binary = {name: float(gain > 0) for name, gain in gains.items()}
    assert measures.binary_ndcg(hits, len(relevant)) == pytest.approx(reference(nDCG @ 10, ranked, binary))


@pytest.mark.parametrize("seed", RUNS)
def test_macro_f1_and_brier_agree_with_scikit_learn(seed: int) -> None:
    chance = np.random.default_rng(seed)
    true, said = chance.integers(0, 5, 40).tolist(), chance.integers(0, 6, 40).tolist()
    expected = f1_score(true, said, labels=sorted({*true, *said}), average="macro", zero_division=0)
    assert measures.macro_f1(true, said) == pytest.approx(expected)
    ends, chances = chance.integers(0, 2, 40), chance.random(40)
    assert brier(chances, ends) == pytest.approx(brier_score_loss(ends, chances, pos_label=1))


def test_nothing_relevant_gives_nought() -> None:
    assert measures.ndcg(["a"], {"a": 0.0}, 10) == 0.0
    assert measures.average_precision(["a"], []) == measures.recall(["a"], [], 10) == 0.0
    assert measures.binary_ndcg([False], 0) == measures.reciprocal_rank([False]) == 0.0
