"""The encoder that reads notes: its arithmetic against the published formulas written out plainly, its pieces against a
published example, and what `reader.bin` says against what torch said of the same sentences when it was learned."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import softmax
from scipy.stats import norm

from casebase.retain.story import clauses
from casebase.retain.storyencoded import RESULTS, SINCE, Encoded, between, distances, since
from casebase.retrieve import encoder
from casebase.retrieve.encoder import LONGEST, WINDOW, Encoder, Pieces, Rows, gelu, windows
from casebase.retrieve.heads import learned
from casebase.trade.terms import package_vocabulary

# The vocabulary and the sentence of the tokenisation tests published with BERT (google-research/bert, tokenization_test.py).
PUBLISHED = ["[UNK]", "[CLS]", "[SEP]", "want", "##want", "##ed", "wa", "un", "runn", "##ing", ","]


@pytest.mark.parametrize(("text", "pieces"), [
    ("UNwant\u00e9d,running", ["un", "##want", "##ed", ",", "runn", "##ing"]),
    ("unwanted running", ["un", "##want", "##ed", "runn", "##ing"]),
    ("unwantedX running", ["[UNK]", "runn", "##ing"]),
    ("", []),
])
def test_pieces_of_the_published_example(text: str, pieces: list[str]) -> None:
    assert [PUBLISHED[number] for number in Pieces(PUBLISHED).of(text)] == pieces


def test_gelu_is_near_its_definition() -> None:
    """Hendrycks & Gimpel 2016: x times the chance that a standard normal number is below x."""
    x = np.linspace(-6, 6, 241, dtype=np.float32)
    assert np.abs(gelu(x) - x * norm.cdf(x)).max() < 1e-3


def _weights(size: int, pieces: int, layers: int) -> dict[str, np.ndarray]:
    random = np.random.default_rng(7)
    shapes = {"word": (pieces, size), "place": (WINDOW, size), "first": (2, size)}
    for layer in range(layers):
        shapes |= {f"{layer}.{name}": shape for name, shape in {
            "qkv": (3 * size, size), "qkv bias": (3 * size,), "out": (size, size), "out bias": (size,), "out norm": (2, size),
            "wide": (4 * size, size), "wide bias": (4 * size,), "narrow": (size, 4 * size), "narrow bias": (size,), "narrow norm": (2, size)}.items()}
    return {name: random.normal(scale=0.5, size=shape).astype(np.float32) for name, shape in shapes.items()}


def _in_eight_bits(table: np.ndarray) -> Rows:
    scale = np.abs(table).max(axis=1) / np.float32(127)
    return Rows(np.round(table / scale[:, None]).astype(np.int8), scale)


def _plainly(numbers: list[int], kept: dict[str, np.ndarray], layers: int, heads: int) -> np.ndarray:
    """The layers of Devlin et al. 2019 piece by piece, head by head."""
    def normal(x: np.ndarray, weights: np.ndarray) -> np.ndarray:
        return (x - x.mean()) / x.std() * weights[0] + weights[1]

    rows = [normal(kept["word"][number] + kept["place"][place], kept["first"]) for place, number in enumerate(numbers)]
    size = len(rows[0])
    for layer in range(layers):
        of = {name.removeprefix(f"{layer}."): table for name, table in kept.items() if name.startswith(f"{layer}.")}
        query, key, value = (np.array([of["qkv"][part * size: (part + 1) * size] @ row + of["qkv bias"][part * size: (part + 1) * size] for row in rows]) for part in range(3))
        told = np.zeros_like(query)
        for head in range(heads):
            of_head = slice(head * size // heads, (head + 1) * size // heads)
            for place in range(len(rows)):
                looks = softmax(key[:, of_head] @ query[place, of_head] / np.sqrt(size / heads))
                told[place, of_head] = looks @ value[:, of_head]
        rows = [normal(row + of["out"] @ seen + of["out bias"], of["out norm"]) for row, seen in zip(rows, told, strict=True)]
        rows = [normal(row + of["narrow"] @ gelu(of["wide"] @ row + of["wide bias"]) + of["narrow bias"], of["narrow norm"]) for row in rows]
    return np.array(rows)


def test_vectors_are_means_of_the_layers_written_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(encoder, "HEADS", 4)
    weights = _weights(16, len(PUBLISHED), 2)
    rows = {name: _in_eight_bits(table) for name, table in weights.items() if name.endswith((".qkv", ".out", ".wide", ".narrow"))}
    found = Encoder(PUBLISHED, weights | rows).vectors(["wanted", "unwanted, running"])
    kept = weights | {name: table[:] for name, table in rows.items()}
    states = _plainly([1, *Pieces(PUBLISHED).of("wanted"), *Pieces(PUBLISHED).of("unwanted, running"), 2], kept, 2, 4)
    assert found == pytest.approx(np.array([states[1:3].mean(axis=0), states[3:9].mean(axis=0)]), abs=2e-4)


@given(st.integers(1, 12), st.integers(1, 9), st.integers(1, 5), st.integers(1, 7))
def test_a_table_in_eight_bits_is_multiplied_block_by_block(rows: int, width: int, count: int, block: int) -> None:
    random = np.random.default_rng(rows)
    table, x = _in_eight_bits(random.normal(size=(rows, width)).astype(np.float32)), random.normal(size=(count, width)).astype(np.float32)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(encoder, "BLOCK", block)
        assert table.by(x) == pytest.approx(x @ table[:].T, abs=1e-5)
    assert table.shape == (rows, width) and table[[rows - 1]] == pytest.approx(table[:][rows - 1:])


@given(st.lists(st.integers(1, encoder.LONGEST), min_size=1, max_size=60))
def test_windows_hold_every_sentence_and_are_small(sizes: list[int]) -> None:
    found = list(windows(sizes))
    assert {place for first, last in found for place in range(first, last)} == set(range(len(sizes)))
    assert all(2 + sum(sizes[first:last]) <= WINDOW for first, last in found)
    assert all(before < after for (before, _), (after, _) in zip(found, found[1:], strict=False))


def test_the_reader_knows_every_label() -> None:
    labels, terms = learned().labels, package_vocabulary().terms
    assert set(labels["symptoms"]) == set(terms["symptom"])
    for label in labels["steps"]:
        kind, term = label.split(" ", 1)
        assert term in terms[{"check": "check", "set": "setting", "do": "action"}[kind]], label  # type: ignore[index]


def test_the_reader_says_what_it_said_when_it_was_learned() -> None:
    """The likeliest step and symptom of each sentence and their log-odds by torch, kept beside the weights; whole numbers of
    eight bits move them a little."""
    reader = learned()
    read = Encoded(reader.proof["sentences"])
    for subject, odds in (("steps", read.steps), ("symptoms", read.symptoms)):
        for row, (label, wanted) in zip(odds, reader.proof[subject], strict=True):
            assert row[reader.numbers[subject][label]] == pytest.approx(wanted, abs=0.5)


def test_the_reader_tells_the_results_it_told_when_it_was_learned() -> None:
    """The chances of what became of each symptom by each piece of work, by torch."""
    proof = learned().proof
    note = Encoded(proof["sentences"])
    assert max(map(len, proof["sentences"])) > 1  # of several parts
    for chances, wanted in zip(note.results([(place, label) for place, label in proof["work"]], proof["troubles"]), proof["results"], strict=True):
        assert chances == pytest.approx(np.array(wanted), abs=0.05)


def test_the_reader_knows_of_which_setting_a_number_is_as_when_it_was_learned() -> None:
    """The likeliest setting and role of each number and their log-odds, by torch."""
    proof = learned().proof
    note = Encoded(proof["sentences"])
    assert proof["numbers"]
    for number, start, end, label, role, wanted in proof["numbers"]:
        assert getattr(note.value(number, start, end)[label], role) == pytest.approx(wanted, abs=0.5)


def test_a_number_is_told_apart_by_what_stands_around_it() -> None:
    """Invented sentences: the idle as found and as left, and a price."""
    text = "Idle was 3,300 rpm, brought it down to 2,700 rpm, and the owner paid 25 pounds."
    note = Encoded([[text]])
    found, left, paid = (note.value(0, text.index(number), text.index(number) + len(number))["idle speed"] for number in ("3,300", "2,700", "25"))
    assert found.before > 0 > found.after and left.after > 0 > left.before and max(paid) < 0


def test_what_is_said_not_to_be_there_is_told_apart() -> None:
    """Invented sentences: a trouble, and the same denied."""
    note = Encoded([["It is hard to start."], ["It isn't hard to start."]])
    label = learned().numbers["symptoms"]["hard to start"]
    assert note.symptoms[0, label] > 0 > note.absent[0, label]
    assert note.absent[1, label] > 0 > note.symptoms[1, label]


def test_looks_causes_proof_and_advice_are_told_apart() -> None:
    """Invented sentences, each of which tells one of them."""
    note = Encoded([["Mower, it would not start."], ["Looked at the air filter and it was clean as new."], ["Pulled the plug and it was black with soot."],
                    ["The main jet was blocked with a grain of dirt, and that was why."], ["Ran it for twenty minutes on the long grass and it never missed."],
                    ["Tell him to drain the tank before the winter."]])
    fine, fouled = note.verdict(1, "check air filter"), note.verdict(2, "check plug colour")
    assert fine["ok"] > fine["bad"] and fouled["bad"] > fouled["ok"]
    best = max(((odds, number, label) for number in range(6) for label, odds in note.cause_odds(number).items()))
    assert best[1:] == (3, "main jet blocked")
    assert (note.proof.argmax(), note.advice.argmax()) == (4, 5)


def test_the_pieces_between_two_characters_are_found() -> None:
    pieces, text = learned().encoder.pieces, "Gap was 12 thou, 1/4 turn out."
    for words in ("12 thou", "1/4", "Gap", "out."):
        start = text.index(words)
        first, last = pieces.span(text, start, start + len(words))
        assert pieces.of(text)[first:last] == pieces.of(words)
    assert pieces.span(text, 3, 4) == (1, 2)  # a space has no piece of its own: at least one


def test_results_are_chances() -> None:
    note = Encoded([["It would not start."], ["Fitted a new plug,", "twelve pounds."], ["It starts now,", "and it still surges."]])
    for chances in note.results([(1, "do replace spark plug")], {"will not start": [0], "surges": []}):
        assert chances.shape == (1, 2, 3, len(RESULTS))
        assert (chances >= 0).all()
        assert (chances.sum(axis=(2, 3)) <= 1 + 1e-5).all()
        assert chances[0, 0, 2, RESULTS.index("cured")] == chances[0, 0].max()


def test_what_is_told_after_work_and_after_a_symptom_is_counted_in_sentences() -> None:
    sentences = np.arange(12)
    assert distances([1], sentences)[0].tolist() == [-1, *range(11)]
    after_first, after_second = between([1, 3, 3], sentences)[:2].tolist()
    assert after_first == [0, 0, 0, *[1] * 9] and after_second == [0] * 12  # two things done in one sentence are one piece of work
    assert since([[2, 4], []], sentences).tolist() == [[SINCE + 1, SINCE + 1, 0, 1, 0, 1, 2, 3, 4, 5, SINCE, SINCE], [SINCE + 1] * 12]


def test_a_label_of_a_folders_own_vocabulary_is_held_against_its_sentence_alone() -> None:
    note = Encoded([["The flux thing was off."], ["Fitted a new flux thing."], ["It works now."]])
    for chances in note.results([(1, "do replace flux thing")], {"flux is off": [0]}):
        assert chances.shape == (1, 1, 3, len(RESULTS)) and np.isfinite(chances).all()


def test_a_sentence_without_parts_is_its_own_part() -> None:
    note = Encoded([["It would not start."], ["Fitted a new plug."]])
    whole, by_part = note.results([(1, "do replace spark plug")], {"will not start": [0]})
    assert whole == pytest.approx(by_part)
    assert all(odds.whole == odds.part for number in (0, 1) for odds in note.likely("steps", number).values())


@given(st.lists(st.sampled_from(["it", "idled", ",", ", ", " but ", " and ", " ", "; ", " - ", "so", "rough.", ""]), max_size=14))
def test_the_clauses_of_a_sentence_are_all_of_it(pieces: list[str]) -> None:
    text = "".join(pieces)
    assert "".join(clauses(text)) == text


def test_a_sentence_is_cut_before_its_links() -> None:
    assert clauses("It idled, but it still needed the choke") == ["It idled", ", but it still needed the choke"]
    assert clauses("Runs fine.") == ["Runs fine."]


def test_what_is_not_read_of_a_long_sentence_is_no_part_of_it() -> None:
    parts = [f"it ran for {number} minutes," for number in range(LONGEST)]
    whole, of_parts, counts, pieces = learned().encoder.parted([parts, ["Then it stopped."]])
    assert counts[1] == 1 and 1 < counts[0] < LONGEST
    assert len(whole) == 2 and len(of_parts) == sum(counts)
    assert [len(states) for states in pieces] == [LONGEST, 4]
    note, text = Encoded([parts]), "".join(parts)
    assert note.value(0, text.rindex(f"{LONGEST - 1} "), text.rindex(" minutes")) == {}


def test_parts_are_read_in_the_light_of_the_whole() -> None:
    """What stands between two parts changes nothing: the sentence is read as one, and its vector is the mean of its parts by their pieces."""
    reader = learned().encoder
    parts = ["The idle came right,", "but it still needed the choke."]
    (whole,), of_parts, counts, (states,) = reader.parted([parts])
    assert counts == [2]
    assert whole == pytest.approx(reader.vectors([" ".join(parts)])[0])
    sizes = [len(reader.pieces.of(part)) for part in parts]
    assert whole == pytest.approx(np.average(of_parts, axis=0, weights=sizes), abs=1e-4)
    assert whole == pytest.approx(states.mean(axis=0), abs=1e-4)
