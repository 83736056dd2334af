"""From characters to headwords: tokens, contractions, inflections, word families."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_folders import lexicon

from casebase.trade.terms import package_vocabulary
from casebase.trade.words import FILLERS, Folding, Token, inflections, opened, plain, tokens, words_of

# Letters, digits and signs that have something to do with each other in a text, beside any character at all.
ANY_TEXT = st.text(max_size=60) | st.text(alphabet="ab'n'td0123456789.,;:/!?-… \n½ΩİſK\u2019\u00a0", max_size=60)


def said(text: str) -> list[str]:
    return [token.text for token in tokens(text)]


def heads(text: str, folding: Folding) -> list[str]:
    return [token.head for token in folding.join(folding.fold(tokens(text)))]


# --- plain text ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Won\u2019t START", "won't start"),
        ("it`s 5\u20138 psi", "it's 5-8 psi"),
        ("\u22125 °C, 3\u00a0kΩ", "-5 °c, 3 kω"),
        ("ＣＡＲＢ", "carb"),  # full-width letters
        ("İ ß ﬁ", "İ ß ﬁ"),  # their lower or plain form has more letters, so they stay
    ],
)
def test_plain(text: str, expected: str) -> None:
    assert plain(text) == expected


@given(ANY_TEXT)
def test_plain_keeps_every_position(text: str) -> None:
    assert len(plain(text)) == len(text)
    assert plain(plain(text)) == plain(text)


# --- tokens -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Starts, then DIES.", ["starts", ",", "then", "dies", "."]),
        ("2-stroke", ["2", "stroke"]),
        ("left/right", ["left", "right"]),
        ("it says: no spark", ["it", "says", "no", "spark"]),
        ("gap 0.020 in", ["gap", "0.020", "in"]),
        ("gap .020 in", ["gap", "020", "in"]),  # a decimal point ends no sentence
        ("(.020)", ["020"]),
        (".5 turn", ["5", "turn"]),
        ("at 2,800 rpm", ["at", "2,800", "rpm"]),
        ("it stopped.2 pulls later", ["it", "stopped", ".", "2", "pulls", "later"]),
        ("left it at 5. It ran", ["left", "it", "at", "5", ".", "it", "ran"]),
        ("starts... then dies", ["starts", ",", "then", "dies"]),  # a pause, not the end of a sentence
        ("starts.. then dies", ["starts", ",", "then", "dies"]),
        ("starts\u2026 then dies", ["starts", ",", "then", "dies"]),
        ("a\nb;c!d?e", ["a", "\n", "b", ";", "c", "!", "d", "?", "e"]),
        ("snake_case", ["snake", "case"]),
        ("rock'n'roll", ["rocknroll"]),
        ("'quoted'", ["quoted"]),
        ("", []),
        (" -- \t", []),
    ],
)
def test_tokens(text: str, expected: list[str]) -> None:
    assert said(text) == expected


def test_breaks() -> None:
    by_text = {token.text: token for token in tokens("a, b. c; d! e? f\ng")}
    assert [mark for mark in ",.;!?\n" if by_text[mark].is_break] == list(",.;!?\n")
    assert [mark for mark in ",.;!?\n" if by_text[mark].is_hard_break] == list(".;!?\n")
    assert not by_text["a"].is_break


@given(ANY_TEXT)
def test_tokens_lie_in_the_text_in_order(text: str) -> None:
    found = tokens(text)
    simple = plain(text)
    for token in found:
        assert token.text
        assert token.head == token.text
        assert 0 <= token.start < token.end <= len(text)
        passage = simple[token.start:token.end]
        assert token.text in opened(passage) or (token.text == "," and passage[0] in ".…")
    # Both parts of a contraction come from the same passage; other tokens never overlap.
    assert all(one[2:] == other[2:] or one.end <= other.start for one, other in zip(found, found[1:], strict=False))


# --- contractions -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("won't", ("will", "not")),
        ("can't", ("can", "not")),
        ("cannot", ("can", "not")),
        ("shan't", ("shall", "not")),
        ("ain't", ("is", "not")),
        ("don't", ("do", "not")),
        ("doesn't", ("does", "not")),
        ("didn't", ("did", "not")),
        ("isn't", ("is", "not")),
        ("wasn't", ("was", "not")),
        ("weren't", ("were", "not")),
        ("aren't", ("are", "not")),
        ("wouldn't", ("would", "not")),
        ("couldn't", ("could", "not")),
        ("shouldn't", ("should", "not")),
        ("hasn't", ("has", "not")),
        ("haven't", ("have", "not")),
        ("hadn't", ("had", "not")),
        ("needn't", ("need", "not")),
        ("I'm".lower(), ("i", "am")),
        ("i've", ("i", "have")),
        ("i'll", ("i", "will")),
        ("i'd", ("i", "would")),
        ("they're", ("they", "are")),
        ("it's", ("it", "is")),
        ("engine's", ("engine", "is")),
        ("gonna", ("going", "to")),
        ("wanna", ("want", "to")),
        ("dunno", ("do", "not", "know")),
        # typed without the apostrophe
        ("dont", ("do", "not")),
        ("doesnt", ("does", "not")),
        ("didnt", ("did", "not")),
        ("wont", ("will", "not")),
        ("cant", ("can", "not")),
        ("aint", ("is", "not")),
        ("its", ("it", "is")),
        ("im", ("i", "am")),
        ("ive", ("i", "have")),
        # two at once
        ("shouldn't've", ("should", "not", "have")),
        ("i'd've", ("i", "would", "have")),
        # torn off, as some keyboards and exports write it: "do n't"
        ("n't", ("not",)),
        # no contraction
        ("won", ("won",)),
        ("o'clock", ("oclock",)),
        ("its'", ("its",)),
        ("carb", ("carb",)),
    ],
)
def test_contractions(word: str, expected: tuple[str, ...]) -> None:
    assert opened(word) == expected


def test_a_typographic_apostrophe_counts() -> None:
    assert said("won\u2019t start") == ["will", "not", "start"]


@given(st.text(alphabet="nt'adwo sx", min_size=1, max_size=12))
def test_no_word_opens_to_nothing(text: str) -> None:
    assert all(part for token in tokens(text) for part in opened(token.text))


# --- inflections --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "forms"),
    [
        ("leak", "leaks leaked leaking"),
        ("press", "presses pressed pressing"),  # s, x, z, ch, sh take -es
        ("mix", "mixes mixed mixing"),
        ("buzz", "buzzes buzzed buzzing"),
        ("catch", "catches catching"),
        ("flush", "flushes flushed flushing"),
        ("idle", "idles idled idling"),  # a final e is dropped
        ("surge", "surges surged surging"),
        ("free", "frees freed freeing"),  # but not of ee, oe, ye
        ("dye", "dyes dyed dyeing"),
        ("tie", "ties tied tying"),  # ie turns to y
        ("dry", "dries dried drying"),  # y after a consonant turns to i
        ("carry", "carries carried carrying"),
        ("spray", "sprays sprayed spraying"),  # and stays after a vowel
        ("stop", "stops stopped stopping"),  # one vowel, one consonant: doubled
        ("bog", "bogs bogged bogging"),
        ("rev", "revs"),
        ("grab", "grabbed grabbing"),
        ("skid", "skidded skidding"),
        ("flick", "flicked flicking"),
        ("trim", "trimmed trimming"),
        ("spin", "spinning"),
        ("slip", "slipped slipping"),
        ("stir", "stirred stirring"),
        ("cut", "cuts cutting"),
        ("quit", "quits quitting"),  # the u of qu is no vowel
        ("equip", "equipped equipping"),
        ("clean", "cleans cleaned cleaning"),  # two vowels: not doubled
        ("fuel", "fuels fueled fueling fuelled fuelling"),  # British and American
        ("fill", "fills filled filling"),
        ("start", "starts started starting"),
    ],
)
def test_inflections(word: str, forms: str) -> None:
    assert {word, *forms.split()} <= set(inflections(word))


@pytest.mark.parametrize(
    ("word", "wrong"),
    [
        ("clean", "cleanned"),
        ("start", "startted"),
        ("fix", "fixxed"),
        ("press", "presss"),
        ("idle", "idleing"),
        ("spray", "sprayies"),
        ("starter", "start"),
        ("start", "starter"),
    ],
)
def test_no_such_inflection(word: str, wrong: str) -> None:
    assert wrong not in set(inflections(word))


@pytest.mark.parametrize("word", ["go", "do", "2", "45", "two stroke", "it"])
def test_short_words_numbers_and_phrases_have_no_inflections(word: str) -> None:
    assert list(inflections(word)) == [word]


# --- families -----------------------------------------------------------------------------------------------------

SMALL = Folding.build(
    {
        "carburettor": ["carb", "carby"],
        "choke": ["cold start lever"],
        "gear box": ["gearbox"],
        "light": [],
        "light up": [],
        "light up the room": [],
        "get": ["git"],
        "primer bulb": ["prime pump"],
        "start": [],
        "die": ["dying"],
    },
    ["leak", "starter", "will"],
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("carb carbs carby carburettors", ["carburettor"] * 4),
        ("the cold start lever", ["the", "choke"]),
        ("COLD START LEVERS", ["choke"]),  # inflected within the phrase
        ("gearbox gear boxes", ["gear box", "gear box"]),
        ("prime pumps", ["primer bulb"]),
        ("starter starts", ["starter", "start"]),  # a part and what is done with it
        ("dying dies died die", ["die"] * 4),
        ("leaking leaked leaks", ["leak"] * 3),
        ("unknown words stay", ["unknown", "words", "stay"]),
    ],
)
def test_families(text: str, expected: list[str]) -> None:
    assert heads(text, SMALL) == expected


def test_the_longest_phrase_wins_whatever_its_inflection() -> None:
    assert heads("lights up the room", SMALL) == ["light up the room"]
    assert heads("lights up the shed", SMALL) == ["light up", "the", "shed"]


def test_a_joined_token_spans_its_words() -> None:
    token = SMALL.join(SMALL.fold(tokens("a cold start lever!")))[1]
    assert token == Token("cold start lever", "choke", 2, 18)


def test_forms_of_auxiliaries_are_known_and_can_be_added_to() -> None:
    assert heads("is was were am been", SMALL) == ["be"] * 5
    assert heads("would did could had", SMALL) == ["will", "do", "can", "have"]
    assert heads("got git getting", SMALL) == ["get"] * 3  # a family of its own name does not replace them


def test_the_first_family_keeps_a_word() -> None:
    folding = Folding.build({"rope": ["cord"], "line": ["cord", "string"]}, [])
    assert folding.head("cord") == "rope"
    assert folding.head("string") == "line"


@given(st.dictionaries(st.text("abcdet y", min_size=1, max_size=8), st.lists(st.text("abcdet y", max_size=8), max_size=3),
                       max_size=4), st.lists(st.text("abcdet", min_size=1, max_size=6), max_size=3),
       st.text("abcdet .,", max_size=40))
def test_folding_and_joining_lose_no_word(families: dict[str, list[str]], more: list[str], text: str) -> None:
    folding = Folding.build(families, more)
    plain_tokens = tokens(text)
    joined = folding.join(folding.fold(plain_tokens))
    assert " ".join(token.text for token in joined) == " ".join(token.text for token in plain_tokens)


# --- the families of the package ----------------------------------------------------------------------------------

FAMILIES = package_vocabulary().words
VARIANTS = [(head, variant) for head, variants in FAMILIES.items() for variant in (head, *variants)]


def test_every_variant_is_read_as_its_headword() -> None:
    folding = lexicon().folding
    wrong = [(variant, heads(variant, folding), head) for head, variant in VARIANTS if heads(variant, folding) != [head]]
    assert not wrong


def test_no_variant_belongs_to_two_families() -> None:
    owners: dict[str, set[str]] = {}
    for head, variant in VARIANTS:
        owners.setdefault(" ".join(words_of(variant)), set()).add(head)
    assert not {variant: found for variant, found in owners.items() if len(found) > 1}


def test_families_are_written_plainly() -> None:
    assert [variant for _head, variant in VARIANTS if variant != plain(variant).strip()] == []


@pytest.mark.parametrize(
    ("misspelt", "head"),
    [
        ("carb", "carburettor"),
        ("carby", "carburettor"),
        ("carburator", "carburettor"),
        ("carberator", "carburettor"),
        ("carburetor", "carburettor"),
        ("diafram", "diaphragm"),
        ("muffeler", "muffler"),
        ("silencer", "muffler"),
        ("sieze", "seize"),
        ("petrol", "fuel"),
        ("gasoline", "fuel"),
        ("govenor", "governor"),
        ("recoyl", "recoil"),
        ("compresion", "compression"),
        ("tickover", "idle"),
        ("gearcase", "gearbox"),
    ],
)
def test_misspellings_and_other_words_for_the_same(misspelt: str, head: str) -> None:
    assert lexicon().folding.head(misspelt) == head
    assert lexicon().folding.head(misspelt + "s") == head


@pytest.mark.parametrize(("sentence", "is_machine"), [
    ("I saw only 3 volts", False), ("he never saw any smoke", False), ("the saw only runs on choke", True), ("my saw smokes", True), ("saw will not start", True)])
def test_what_somebody_saw_is_no_machine(sentence: str, is_machine: bool) -> None:
    (seen,) = [token for token in lexicon().folding.fold(tokens(sentence)) if token.text == "saw"]
    assert (seen.head == "saw") == is_machine


@pytest.mark.parametrize(("part", "verb"), [("starter", "starts"), ("primer", "priming"), ("governor", "govern")])
def test_parts_are_not_merged_with_verbs(part: str, verb: str) -> None:
    assert lexicon().folding.head(part) != lexicon().folding.head(verb)


def test_fillers_are_words_that_carry_no_meaning_here() -> None:
    assert not FILLERS & {"off", "out", "only", "with", "when", "no", "not", "without", "until", "but"}
