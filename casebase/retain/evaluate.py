"""How well retrieval works on given cases: each is asked for as if it had not happened yet.

Leave one out: a case with a known cause is a question, made of its complaint and its machine; the others answer,
except those with the same words and those of the same machine. A case is relevant when it shares a cause. Whatever
is learned comes from models that saw neither the case nor what may not answer it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.problems import refuse
from casebase.retain.measures import binary_ndcg, macro_f1, precision, reciprocal_rank
from casebase.retrieve.index import Index
from casebase.retrieve.learned import trust
from casebase.retrieve.lessons import attributes_of, samples_of
from casebase.retrieve.rank import Scores, best_positions
from casebase.retrieve.training import FOLDS, Sample, cross_fit
from casebase.retrieve.understand import MachineSeen, Understood, understand
from casebase.retrieve.weights import Weights
from casebase.reuse.calibration import bins_of_equal_mass, brier, expected_error
from casebase.reuse.prospect import blend, ends, neighbours

BoolArray = npt.NDArray[np.bool_]
Rounds = Callable[[Iterable[Any], int, str], Iterable[Any]]

TEXT_ALONE = Weights(1.0, 0.0, 0.0, 0.0)
DEPTH, VOTERS, BINS = 10, 20, 10
# Cases fitted over all folds: with thousands of cases fewer folds do, and the time stays bounded.
MOST_FITTED, FEWEST_FOLDS = 400_000, 20


class Asked(NamedTuple):
    """A case asked for: its position, the parts of the scores of all others, and which of them are relevant."""

    position: int
    scores: Scores
    relevant: BoolArray
    chances: Mapping[str, float]
    fixed: float

    def ndcg(self, weights: Weights, earned: float) -> float:
        """nDCG@10 of the order that these weights give."""
        return self.ndcg_of(best_positions(self.scores.total(weights, earned), self.scores.index))

    def ndcg_of(self, order: Sequence[int]) -> float:
        return binary_ndcg(self.hits(order), int(self.relevant.sum()), DEPTH)

    def hits(self, order: Sequence[int]) -> list[bool]:
        """Which of the first places are relevant."""
        return [bool(self.relevant[position]) for position in order[:DEPTH]]


class Quality(NamedTuple):
    """The figures of one run, means over the queries; NaN where nothing could be measured."""

    queries: int
    ndcg: float
    ndcg_text: float
    reciprocal_rank: float
    precision: float
    accuracy: float
    macro_f1: float
    top3: float
    fixed_known: int
    fixed_brier: float
    fixed_brier_base: float
    fixed_ece: float


def evaluate(index: Index, texts: Mapping[str, str], progress: Rounds | None = None) -> Quality:
    """Measures retrieval on the cases of an index; `texts` are the complaints by case id.

    Raises `Refused` where no case has a cause that another case has too.
    """
    learned_weight = earned_trust(index)
    said, true = list[int](), list[int]()
    ranks, figures, fixed = list[list[bool]](), list[tuple[float, float]](), list[tuple[float, int]]()
    ended = ends(index)
    number = {name: place for place, name in enumerate(index.tables.lists["cause"])}
    top3 = 0
    for asked in questions(index, texts, progress):
        own = set(index.labels("causes", "cause", asked.position))
        total = asked.scores.total(index.weights, learned_weight)
        order = best_positions(total, index)
        if ended[asked.position] >= 0:
            ranked = [(place, float(total[place])) for place in order]
            near = neighbours(ranked, np.where(asked.scores.factor > 0, ended, -1))
            fixed.append((blend(near.share, asked.fixed), int(ended[asked.position])))
        if not own:
            continue
        likely = likeliest(asked, index, learned_weight, order, total)
        true.append(number[min(own, key=lambda cause: likely.index(cause) if cause in likely else len(likely))])
        said.append(number[likely[0]] if likely else -1)
        top3 += bool(own & set(likely[:3]))
        ranks.append(asked.hits(order))
        figures.append((asked.ndcg_of(order), asked.ndcg(TEXT_ALONE, 0.0)))
    return _quality(ranks, figures, true, said, top3, fixed)


def _quality(ranks: Sequence[Sequence[bool]], figures: Sequence[tuple[float, float]], true: Sequence[int],
             said: Sequence[int], top3: int, fixed: Sequence[tuple[float, int]]) -> Quality:
    nothing = float("nan")
    count = len(ranks)
    chances, outcomes = [chance for chance, _end in fixed], np.array([end for _chance, end in fixed], dtype=np.float64)
    known = len(outcomes)
    # The base rate, too, may not know the case itself.
    base = (outcomes.sum() - outcomes) / max(1, known - 1)
    return Quality(
        count,
        float(np.mean([mixed for mixed, _text in figures])) if count else nothing,
        float(np.mean([text for _mixed, text in figures])) if count else nothing,
        float(np.mean([reciprocal_rank(hits) for hits in ranks])) if count else nothing,
        float(np.mean([precision(hits, 5) for hits in ranks])) if count else nothing,
        float(np.mean(np.array(true) == np.array(said))) if count else nothing,
        macro_f1(true, said) if count else nothing,
        top3 / count if count else nothing,
        known,
        brier(chances, outcomes) if known else nothing,
        brier(base, outcomes) if known else nothing,
        expected_error(bins_of_equal_mass(chances, outcomes, BINS)) if known else nothing,
    )


def earned_trust(index: Index) -> float:
    """The trust a model of all cases earns; that of the folds differs by next to nothing."""
    causes = [cause for position in index.positions() for cause in index.labels("causes", "cause", position)]
    return trust(len(causes), len(set(causes)))


def questions(index: Index, texts: Mapping[str, str], progress: Rounds | None = None) -> Iterable[Asked]:
    """Every case with a known cause or end, asked for from the others. See `evaluate`."""
    positions = [place for place in index.positions() if any(char.isalnum() for char in texts[index.id(place)])]
    group = groups(index, positions)
    taught = [(position, sample) for position in positions for sample in _all_samples(index, position)]
    if not _shared_causes(index, positions, group):
        raise refuse("lone-labels", "no two cases share a cause, so there is nothing to measure",
                     "record the causes of more cases, by the same names", usage=False)
    crossed = cross_fit([sample for _position, sample in taught], [group[position] for position, _sample in taught],
                        min(FOLDS, len(set(group.values())), max(FEWEST_FOLDS, MOST_FITTED // len(taught))),
                        (lambda rounds, total: progress(rounds, total, "learning")) if progress else None)
    row = {position: place for place, (position, _sample) in reversed(list(enumerate(taught)))}
    number = {name: place for place, name in enumerate(sorted(set(group.values())))}
    owner = np.array([number[group[position]] if position in group else -1 for position in range(len(index.alive))])
    ended = ends(index)
    causes = [frozenset(index.row("causes", position)) for position in range(len(index.alive))]
    wanted = [position for position in positions if causes[position] or ended[position] >= 0]
    for position in progress(wanted, len(wanted), "asking") if progress else wanted:
        allowed = owner != owner[position]
        relevant = np.array([bool(causes[position] & other) for other in causes]) & allowed & index.alive
        chances = dict(zip(crossed.causes, crossed.chances[row[position]].tolist(), strict=True))
        question = question_of(index, position, texts[index.id(position)])
        yield Asked(position, Scores.of(question, index, allowed=allowed, chances=chances), relevant, chances,
                    float(crossed.fixed[row[position]]))


def _all_samples(index: Index, position: int) -> list[Sample]:
    """What a case teaches; a case that teaches nothing is still to be predicted."""
    segment, place = index.locate(position)
    return samples_of(index, position) or [Sample(segment.said(place), attributes_of(index, position))]


def _shared_causes(index: Index, positions: Sequence[int], group: Mapping[int, str]) -> set[str]:
    """The causes that stand in more than one group."""
    seen: dict[str, set[str]] = {}
    for position in positions:
        for cause in index.labels("causes", "cause", position):
            seen.setdefault(cause, set()).add(group[position])
    return {cause for cause, where in seen.items() if len(where) > 1}


def groups(index: Index, positions: Sequence[int]) -> dict[int, str]:
    """For each position the group of cases that may not help each other: same words, same machine, or both in turn.

    A group goes by the first of its texts, so that the order of the cases does not matter.
    """
    leader: dict[object, object] = {}

    def find(item: object) -> object:
        while leader.setdefault(item, item) != item:
            item = leader[item]
        return item

    keys: dict[int, tuple[str, int]] = {}
    for position in positions:
        segment, place = index.locate(position)
        keys[position] = (segment.said(place), int(segment["cluster"][place]))
        words, cluster = keys[position]
        leader[find(("machine", cluster))] = find(("words", words))
    names: dict[object, str] = {}
    for words, _cluster in keys.values():
        top = find(("words", words))
        names[top] = min(names.get(top, words), words)
    return {position: names[find(("words", words))] for position, (words, _cluster) in keys.items()}


def question_of(index: Index, position: int, text: str) -> Understood:
    """The question a case would have been: its complaint, and of its machine what is known when it arrives."""
    segment, place = index.locate(position)

    def label(name: str) -> str:
        number = int(segment[name][place])
        return str(index.tables.lists[name][number]) if number >= 0 else ""

    def number(name: str) -> float | None:
        value = float(segment[name][place])
        return None if np.isnan(value) else value

    machine = MachineSeen(label("kind"), label("engine"), label("carburettor"), number("displacement_cc"),
                          number("age_years"))
    return understand(text[:2000], index.lexicon)._replace(machine=machine)


def likeliest(asked: Asked, index: Index, earned: float, order: Sequence[int],
              total: npt.NDArray[np.float64]) -> list[str]:
    """Causes, likeliest first: by the learned chances where they are trusted, else by the vote of the nearest."""
    if earned:
        return sorted(asked.chances, key=lambda cause: (-asked.chances[cause], cause))
    votes: dict[str, float] = {}
    nearest = [place for place in order if index.row("causes", place)][:VOTERS]
    for place in nearest:
        for cause in index.labels("causes", "cause", place):
            votes[cause] = votes.get(cause, 0.0) + float(total[place])
    return sorted(votes, key=lambda cause: (-votes[cause], cause))
