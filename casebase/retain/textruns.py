"""How well the text score alone ranks the documents of a text collection with judgements."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from casebase.retain.measures import average_precision, ndcg, recall
from casebase.retrieve.digest import Digest
from casebase.retrieve.index import Index, in_memory
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.text import features
from casebase.retrieve.textscore import text_scores

Rounds = Callable[[Iterable[Any], int, str], Iterable[Any]]
Gains = Mapping[str, Mapping[str, float]]

DEPTH, RUN_DEPTH, RECALL_DEPTH = 10, 1000, 100


class CollectionQuality(NamedTuple):
    """Means over the judged queries: nDCG@10, average precision over the first 1,000, recall@100."""

    queries: int
    ndcg: float
    map: float
    recall: float


def evaluate_texts(documents: Mapping[str, str], queries: Mapping[str, str], judgements: Gains,
                   excluded: Mapping[str, frozenset[str]], lexicon: Lexicon,
                   progress: Rounds | None = None) -> CollectionQuality:
    """Measures the text score with its default settings; words are stemmed, the trade's vocabulary stays out."""
    index = text_index(documents, lexicon)
    judged = [name for name in queries if name in judgements]
    figures = []
    for name in progress(judged, len(judged), "asking") if progress else judged:
        ranked = ranked_texts(queries[name], index, excluded.get(name, frozenset()))
        gains = judgements[name]
        relevant = [document for document, gain in gains.items() if gain > 0]
        figures.append((ndcg(ranked, gains, DEPTH), average_precision(ranked, relevant),
                        recall(ranked, relevant, RECALL_DEPTH)))
    means = np.array(figures).mean(axis=0)
    return CollectionQuality(len(judged), float(means[0]), float(means[1]), float(means[2]))


def text_index(documents: Mapping[str, str], lexicon: Lexicon) -> Index:
    """An index of plain texts, each once with weight 1."""
    return in_memory([Digest(name, features(text), (), (), (), "", "", "", None, None, name, 0, "", False, (), ())
                      for name, text in documents.items()], lexicon)


def ranked_texts(query: str, index: Index, excluded: frozenset[str] = frozenset()) -> list[str]:
    """Ids of the best documents, at most RUN_DEPTH; the excluded ones neither rank nor give feedback."""
    names = index.segments[0].ids()
    allowed = np.array([name not in excluded for name in names])
    scores = np.where(allowed, text_scores(features(query), index, allowed, usual_tf=1.0), -1.0)
    order = np.argsort(-scores, kind="stable")[:RUN_DEPTH]
    return [names[int(place)] for place in order if allowed[place]]
