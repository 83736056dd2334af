"""Terms met in a text, and misspelt words put right."""

from __future__ import annotations

import json
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import OSA, JaroWinkler, Levenshtein
from rapidfuzz.distance import Jaro as JaroOnly
from small_folders import gold, lexicon, understood

from casebase.retrieve.lexicon import Found, Lexicon
from casebase.retrieve.understand import understand
from casebase.trade.terms import KINDS, Term, Vocabulary
from casebase.trade.words import tokens


def found(text: str, among: Lexicon | None = None) -> list[Found]:
    words = among or lexicon()
    return words.find(words.folding.fold(tokens(text)))


def labels(text: str, kind: str, among: Lexicon | None = None) -> list[str]:
    return [term.label for term in found(text, among) if term.kind == kind]


def small(*terms: Term, **words: tuple[str, ...]) -> Lexicon:
    """A lexicon of a few terms."""
    by_kind = {kind: {term.label: term for term in terms if term.kind == kind} for kind in KINDS}
    return Lexicon.build(Vocabulary(by_kind, words))


# --- finding terms ----------------------------------------------------------------------------------------------


def test_every_name_of_every_term_is_met() -> None:
    # A name may belong to several terms; then the term met is one that bears it. Terms of one word that are a
    # part ("carburettor") or a group of causes are read only where a text says something of them.
    vocabulary = lexicon().vocabulary
    missed = []
    for kind in ("symptom", "action", "check", "setting", "machine", "engine", "carburettor"):
        for term in vocabulary.terms[kind].values():
            bearers = {other.label for other in vocabulary.terms[kind].values() if term.label in other.also}
            if not {term.label, *bearers} & set(labels(term.label, kind)):
                missed.append((kind, term.label, labels(term.label, kind)))
    assert not missed


def test_the_longest_name_wins() -> None:
    words = small(Term("symptom", "starts"), Term("symptom", "starts then dies"))
    assert labels("it starts and then it dies", "symptom", words) == ["starts then dies"]
    assert labels("it starts", "symptom", words) == ["starts"]


def test_a_word_serves_one_term_of_a_kind_only() -> None:
    words = small(
        Term("symptom", "fuel leak"), Term("symptom", "oil leak", said=("oil ... leak",)), Term("cause", "leak")
    )
    assert labels("oil and fuel leak", "symptom", words) == ["fuel leak"]
    assert labels("oil and fuel leak", "cause", words) == ["leak"]
    assert sorted(labels("fuel leak, oil leak", "symptom", words)) == ["fuel leak", "oil leak"]


def test_where_a_term_stands() -> None:
    (term,) = found("My saw: Will NOT   start!", small(Term("symptom", "will not start")))
    assert (term.start, term.end) == (8, 24)
    assert term.used == (2, 3, 4)
    assert term.how == "name"


def test_how_a_term_was_met() -> None:
    words = small(
        Term(
            "symptom",
            "low compression",
            also=("weak compression",),
            said=("no puff",),
            denied_by=("good compression",),
            part="compression",
        )
    )
    ways = {
        text: found(text, words)[0].how for text in ("weak compression", "no puff", "good compression", "compression")
    }
    assert list(ways.values()) == ["name", "said", "denies", "part"]


def test_terms_of_several_words_are_met_joined_and_word_by_word() -> None:
    words = small(Term("cause", "fuel line cracked"), **{"fuel line": ("petrol pipe",), "crack": ("split",)})
    assert labels("the petrol pipe has split", "cause", words) == []
    assert labels("a petrol pipe split open", "cause", words) == ["fuel line cracked"]
    assert found("petrol pipe cracked", words)[0].used == (0, 1, 2)


def test_a_group_of_causes_is_no_statement_by_its_bare_name() -> None:
    words = small(Term("cause", "ignition", also=("ignition fault",)), Term("cause", "coil dead", under="ignition"))
    assert labels("the ignition", "cause", words) == []
    assert labels("an ignition fault", "cause", words) == ["ignition"]


def test_a_stored_lexicon_reads_as_the_one_it_was_made_of() -> None:
    stored = Lexicon.from_json(json.loads(json.dumps(lexicon().as_json())))
    again = Lexicon.from_json(json.loads(json.dumps(stored.as_json())))
    texts = [entry["text"] for entry in gold("owner_texts")]
    for words in (stored, again):
        assert [understand(text, words) for text in texts] == [understood(text) for text in texts]


def test_a_pattern_is_filed_under_its_rarest_word_and_met_all_the_same() -> None:
    words = small(Term("symptom", "will not idle"), Term("symptom", "will not start"), Term("symptom", "will not turn"))
    assert {"idle", "start", "turn"} == words.filed.keys()
    assert labels("it will not start and it will not idle", "symptom", words) == ["will not start", "will not idle"]


def test_ambiguous_words() -> None:
    assert set(lexicon().ambiguous["filter"]) >= {"air filter", "fuel filter"}
    assert all(" " not in word and len(meanings) > 1 for word, meanings in lexicon().ambiguous.items())


# --- spelling ---------------------------------------------------------------------------------------------------


def osa(one: str, other: str) -> int:
    """Optimal string alignment (restricted Damerau-Levenshtein), the textbook's table filled row by row."""
    table = [[max(i, j) if 0 in (i, j) else 0 for j in range(len(other) + 1)] for i in range(len(one) + 1)]
    for i in range(1, len(one) + 1):
        for j in range(1, len(other) + 1):
            cost = one[i - 1] != other[j - 1]
            table[i][j] = min(table[i - 1][j] + 1, table[i][j - 1] + 1, table[i - 1][j - 1] + cost)
            if i > 1 and j > 1 and one[i - 1] == other[j - 2] and one[i - 2] == other[j - 1]:
                table[i][j] = min(table[i][j], table[i - 2][j - 2] + 1)
    return table[-1][-1]


@given(st.text("abcd", max_size=9), st.text("abcd", max_size=9))
def test_the_distance_is_the_textbooks(one: str, other: str) -> None:
    assert OSA.distance(one, other) == osa(one, other)


@pytest.mark.parametrize(
    ("one", "other", "distance"),
    [
        ("kitten", "sitting", 3),  # Levenshtein's textbook pair
        ("carburator", "carburetor", 1),
        ("carburettor", "carburetor", 1),
        ("carberator", "carburetor", 2),
        ("muffeler", "muffler", 1),
    ],
)
def test_known_distances(one: str, other: str, distance: int) -> None:
    assert Levenshtein.distance(one, other) == OSA.distance(one, other) == osa(one, other) == distance


@pytest.mark.parametrize(
    ("one", "other", "jaro", "winkler"),
    [
        ("MARTHA", "MARHTA", 0.9444, 0.9611),
        ("DWAYNE", "DUANE", 0.8222, 0.8400),
        ("DIXON", "DICKSONX", 0.7667, 0.8133),
    ],
)
def test_jaro_winkler_by_winklers_examples(one: str, other: str, jaro: float, winkler: float) -> None:
    # Winkler 1990, Proceedings of the Section on Survey Research Methods, ASA: his examples (recalled).
    assert JaroOnly.similarity(one, other) == pytest.approx(jaro, abs=0.00005)
    assert JaroWinkler.similarity(one, other) == pytest.approx(winkler, abs=0.00005)


@cache
def real_words() -> frozenset[str]:
    """The words English has itself, by the list in the package."""
    from casebase.trade import DATA

    lines = (DATA / "real_words.txt").read_text(encoding="utf-8").split("\n")
    return frozenset(line for line in lines if line and not line.startswith("#"))


@cache
def forms(first: str) -> tuple[str, ...]:
    """Every form of a word that a correction may lead to."""
    return tuple(form for form in lexicon().folding.heads if form[0] == first and len(form) >= 4)


trade_words = st.sampled_from(
    ["carburettor", "diaphragm", "primer", "throttle", "governor", "silencer", "crankshaft", "clutch", "choke",
     "surging", "compression", "flywheel", "muffler", "piston", "trimmer"]
)  # fmt: skip
letters = st.sampled_from("abcdefghijklmnopqrstuvwxyz")


@st.composite
def misspelt(draw: st.DrawFn) -> str:
    """A word of the trade with up to three slips of the pen."""
    word = draw(trade_words)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, max(len(word) - 1, 0)))
        slip = draw(st.sampled_from(("drop", "double", "swap", "other", "more")))
        if slip == "drop":
            word = word[:at] + word[at + 1 :]
        elif slip == "double":
            word = word[: at + 1] + word[at:]
        elif slip == "swap":
            word = word[:at] + word[at : at + 2][::-1] + word[at + 2 :]
        else:
            word = word[:at] + draw(letters) + word[at + (slip == "other") :]
    return word


@given(misspelt())
def test_a_misspelt_word_is_put_right_by_the_stated_rule(word: str) -> None:
    better = lexicon().correct(word)
    if len(word) < 5 or word in real_words() or word in lexicon().folding.heads:
        assert better is None
        return
    limit = 1 if len(word) < 9 else 2
    distances = {form: osa(word, form) for form in forms(word[0]) if abs(len(form) - len(word)) <= limit}
    least = min(distances.values(), default=99)
    if least > limit:
        assert better is None
        return
    nearest = [form for form, distance in distances.items() if distance == least]
    assert better in nearest
    assert JaroWinkler.similarity(word, better) == max(JaroWinkler.similarity(word, form) for form in nearest)


@pytest.mark.parametrize(
    ("wrong", "head"),
    [
        ("choek", "choke"),
        ("diaphrgam", "diaphragm"),
        ("carbruettor", "carburettor"),
        ("trottle", "throttle"),
        ("compresion", "compression"),
        ("crankshft", "crankshaft"),
        ("flywheell", "flywheel"),
    ],
)
def test_slips_of_the_pen(wrong: str, head: str) -> None:
    assert lexicon().folding.head(lexicon().correct(wrong) or wrong) == head


@pytest.mark.parametrize(
    "word", ["shock", "stock", "idea", "battle", "spare", "stale", "fly", "cole", "1234567", "x-ray", ""]
)
def test_words_that_are_right_stay(word: str) -> None:
    assert lexicon().correct(word) is None


def test_a_chock_is_a_choke_and_a_shock_stays_a_shock() -> None:
    assert labels("only runs with the chock on", "symptom") == ["runs only on choke"]
    shocked = understood("I got a shock when I touched it, only runs with the shock on")
    assert "runs only on choke" not in shocked.symptoms
    assert shocked.corrected == ()
