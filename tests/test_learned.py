"""The learned part: what it claims, what it must not know, and that it is the same each time."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import log_loss
from small_folders import write_cases

from casebase.retrieve import lessons, training
from casebase.retrieve.index import open_index
from casebase.retrieve.learned import Learned, from_store, learned_features, softmax, trust
from casebase.retrieve.training import Sample, cross_fit, fit, folds_of
from casebase.retrieve.weights import DEFAULTS, Weights, read_weights, save_weights

WORDS = {
    "fuel line cracked": "dies when tilted fuel smell under the tank wet hose",
    "coil failed": "no spark dead cold and hot plug dry nothing",
    "needle worn": "floods petrol runs from the bowl wet plug soaked",
}


def samples(count: int = 60, seed: int = 1) -> list[Sample]:
    """Invented complaints, four words drawn from those of the cause; every third did not end fixed."""
    chance = random.Random(seed)
    found = []
    for number in range(count):
        cause = sorted(WORDS)[number % 3]
        words = " ".join(chance.choices(WORDS[cause].split(), k=4)) + f" job{number}"
        found.append(Sample(words, ("chainsaw",), cause, cause != "coil failed"))
    return found


def fitted(count: int = 60) -> Learned:
    learned = fit(samples(count))
    assert learned is not None
    return learned


def test_chances_sum_to_one_and_name_the_cause() -> None:
    learned = fitted()
    for cause, words in WORDS.items():
        chances = learned.taught(words, ("chainsaw",)).chances
        assert sum(chances.values()) == pytest.approx(1.0)
        assert max(chances, key=chances.__getitem__) == cause
    failed, worn = (learned.taught(WORDS[cause]).fixed for cause in ("coil failed", "needle worn"))
    assert failed < 0.5 < worn  # type: ignore[operator]


def test_words_never_met_leave_the_chances_to_the_record() -> None:
    chances = fitted().taught("zzz qqq").chances.values()
    assert sum(chances) == pytest.approx(1.0) and max(chances) < 0.6


def test_the_order_of_the_cases_does_not_matter() -> None:
    mixed = samples()
    random.Random(3).shuffle(mixed)
    one, other = fitted(), fit(mixed)
    assert other is not None and one.causes == other.causes
    for name in ("features", "coefficients", "intercepts", "fixed_coefficients"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name


def test_a_model_comes_back_from_its_store_as_it_was() -> None:
    learned = fitted()
    arrays, tables, texts = learned.stored()
    again = from_store(arrays, {**tables, "texts": texts})
    assert again.stems == learned.stems and again.stems["tilted"] == "tilt"
    assert again.taught("wet plug") == learned.taught("wet plug")


def test_few_cases_teach_nothing() -> None:
    assert fit(samples(training.LEAST_LABELLED - 1)) is None
    assert trust(39, 3) == 0.0 < trust(40, 3) < trust(400, 3) < 1
    assert trust(60, 50) < trust(60, 5)  # few cases a cause earn little


def test_one_cause_for_all_teaches_no_cause() -> None:
    learned = fit([sample._replace(cause="coil failed") for sample in samples()])
    assert learned is not None and learned.causes == ()
    assert learned.taught("wet").chances == {} and learned.taught("wet").fixed is not None


def test_identical_texts_share_a_fold_and_folds_are_even() -> None:
    texts = [f"text {number % 37}" for number in range(100)]
    folds = folds_of(texts, 10)
    assert len({(text, fold) for text, fold in zip(texts, folds.tolist(), strict=True)}) == 37
    assert np.bincount(folds_of([str(n) for n in range(50)], 10)).tolist() == [5] * 10


def test_a_held_out_cause_is_not_given_away() -> None:
    """A cause whose only cases are held out must get no chance: any other answer would tell the label."""
    taught = [*samples(), *(Sample("quite unlike the rest", (), "seized") for _ in range(2))]
    crossed = cross_fit(taught, [sample.words for sample in taught], folds=10)
    place = crossed.causes.index("seized")
    assert crossed.chances[-2:, place].tolist() == [0.0, 0.0]
    assert crossed.chances.sum(axis=1) == pytest.approx(np.ones(len(taught)))


def test_cross_fitted_predictions_come_from_the_others() -> None:
    """With causes dealt out at random there is nothing to learn, and cross-fitting must find nothing."""
    chance = random.Random(5)
    taught = [sample._replace(cause=chance.choice(sorted(WORDS))) for sample in samples(240)]
    crossed = cross_fit(taught, [sample.words for sample in taught], folds=10)
    right = [crossed.causes[int(row.argmax())] == sample.cause for row, sample in zip(crossed.chances, taught,
                                                                                       strict=True)]
    assert 0.2 < np.mean(right) < 0.47


def test_the_temperature_is_the_one_with_the_least_log_loss() -> None:
    margins = np.random.default_rng(1).normal(size=(50, 3))
    labels = margins.argmax(axis=1)
    best = training._best_temperature(margins, labels)
    losses = {t: log_loss(labels, softmax(margins, t), labels=[0, 1, 2]) for t in training.TEMPERATURES}
    assert losses[best] == pytest.approx(min(losses.values()))


def test_features_are_stems_pairs_letters_and_attributes() -> None:
    counts = learned_features("leaks oil", ("chainsaw", ""))
    assert counts["leak"] == counts["leak oil"] == counts["=chainsaw"] == counts["#oil"] == 1.0
    assert counts["# oil "] == 1.0 and "=" not in counts


def folder_of(path: Path, count: int = 45) -> Path:
    return write_cases(path / "cases", {
        f"26-{number:03d}-job": {"complaint": sample.words, "causes": [{"fault": sample.cause}], "status": "closed",
                                 "outcome": "fixed" if sample.fixed else "not fixed"}
        for number, sample in enumerate(samples(count), 1)})


@pytest.fixture
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache"


def test_a_folder_learns_once_and_anew_when_a_case_teaches_anew(
    tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits = []
    monkeypatch.setattr(training, "fit", lambda taught: (fits.append(len(taught)), fit(taught))[1])
    folder = folder_of(tmp_path)
    first = open_index(folder).learned
    assert first is not None and fits == [45]
    assert open_index(folder).learned is not None and fits == [45]
    case = folder / "26-001-job.md"
    case.write_text(case.read_text() + "\nA word more in the story.\n")
    open_index(folder)
    assert fits == [45]  # the story teaches nothing
    case.write_text(case.read_text().replace("complaint: ", "complaint: sputters "))
    changed = open_index(folder).learned
    assert fits == [45, 45] and changed is not None
    anew = open_index(folder, rebuild=True).learned
    assert anew is not None and np.array_equal(anew.coefficients, changed.coefficients)  # same folder, same answer


def test_a_large_folder_learns_at_the_next_full_build(
    tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lessons, "AT_ONCE", 10)
    folder = folder_of(tmp_path)
    first = open_index(folder).learned
    case = folder / "26-001-job.md"
    case.write_text(case.read_text().replace("complaint: ", "complaint: sputters "))
    kept = open_index(folder).learned
    assert first is not None and kept is not None and np.array_equal(first.features, kept.features)
    anew = open_index(folder, rebuild=True).learned
    assert anew is not None and not np.array_equal(first.features, anew.features)


def test_a_damaged_store_is_learned_anew(tmp_path: Path, cache: Path) -> None:
    folder = folder_of(tmp_path)
    open_index(folder)
    store = next(cache.rglob(lessons.FILE_NAME))
    store.write_bytes(b"not a store")
    assert open_index(folder).learned is not None


def test_weights_are_kept_beside_the_index_and_nonsense_is_not_believed(tmp_path: Path) -> None:
    assert read_weights(tmp_path) == read_weights(None) == DEFAULTS
    tuned = Weights(0.5, 0.3, 0.2, 0.6, (("questions", 12.0),))
    save_weights(tmp_path, tuned)
    assert read_weights(tmp_path) == tuned
    for bad in (tuned._replace(learned=1.0), tuned._replace(text=-1.0), tuned._replace(machine=float("nan"))):
        save_weights(tmp_path, bad)
        assert read_weights(tmp_path) == DEFAULTS
