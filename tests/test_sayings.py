"""What a clause means by likeness to examples: the arithmetic against a library, the examples of the package against each other."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.feature_extraction.text import TfidfVectorizer
from sklearn.naive_bayes import MultinomialNB

from casebase.record.case import Result
from casebase.retrieve.sayings import OTHER, SMOOTHING, Sayings, features, read_examples
from casebase.trade import DATA

EXAMPLES = read_examples(DATA / "effects.txt")
SAYINGS = Sayings.learn(EXAMPLES)


def test_the_chances_are_those_of_a_library() -> None:
    """Against scikit-learn's tf-idf and multinomial naive Bayes, learned from two fifths of the examples."""
    known = {label: clauses[::5] + clauses[1::5] for label, clauses in EXAMPLES.items()}
    vectors = TfidfVectorizer(analyzer=lambda clause: features(clause).tolist(), min_df=2)
    matrix = vectors.fit_transform([clause for clauses in known.values() for clause in clauses])
    bayes = MultinomialNB(alpha=SMOOTHING, fit_prior=False).fit(matrix, [label for label, clauses in known.items() for _ in clauses])
    learned = Sayings.learn(known)
    for clause in [clause for clauses in EXAMPLES.values() for clause in clauses[2::50]]:
        expected = dict(zip(bayes.classes_, bayes.predict_proba(vectors.transform([clause]))[0], strict=True))
        assert learned.chances(clause) == pytest.approx([expected[label] for label in learned.labels], abs=1e-6), clause


def test_clauses_held_back_are_mostly_understood() -> None:
    learned = Sayings.learn({label: [clause for number, clause in enumerate(clauses) if number % 4] for label, clauses in EXAMPLES.items()})
    held = [(label, clause) for label, clauses in EXAMPLES.items() for clause in clauses[::4]]
    right = np.mean([learned.guess(clause).label == label for label, clause in held])
    print(f"{len(held)} clauses held back: {right:.3f} right")
    assert right >= 0.70


def test_the_examples() -> None:
    assert set(EXAMPLES) == {"cured", "better", "no change", "worse", OTHER} <= {*get_args(Result), OTHER}
    clauses = [clause.casefold() for found in EXAMPLES.values() for clause in found]
    assert len(clauses) == len(set(clauses))


@given(st.text(max_size=80))
def test_any_clause_has_chances(clause: str) -> None:
    chances = SAYINGS.chances(clause)
    assert chances.sum() == pytest.approx(1)
    assert SAYINGS.guess(clause).chance == chances.max()
