"""The pattern language against a slow textbook matcher, and every pattern of the package against its own words."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_folders import lexicon

from casebase.trade.patterns import GAP, MAX_FILLERS, NEAR, Pattern, compile_pattern, match
from casebase.trade.terms import Kind, Term, package_vocabulary
from casebase.trade.words import FILLERS, Folding, Token, tokens

FOLDING = Folding.build({"leak": ["drip"], "primer bulb": ["prime pump"]}, ["quit", "die", "let", "choke", "on", "bulb"])


def hits(source: str, text: str, *, joined: bool = False) -> list[tuple[str, ...]]:
    """The words of every fit of a pattern in a text, by where it begins."""
    found = FOLDING.fold(tokens(text))
    if joined:
        found = FOLDING.join(found)
    pattern = compile_pattern(source, FOLDING, joined=joined)
    fits = [match(pattern, found, start) for start in range(len(found))]
    return [tuple(found[position].text for position in fit.used) for fit in fits if fit]


def fits(source: str, text: str) -> bool:
    return bool(hits(source, text))


# --- each operator ------------------------------------------------------------------------------------------------


def test_a_word_fits_in_all_its_forms() -> None:
    assert hits("leak", "leaks, leaking and dripping") == [("leaks",), ("leaking",), ("dripping",)]
    assert not fits("leak", "leaky")  # a form no rule gives


def test_words_follow_each_other() -> None:
    assert fits("let off choke", "let off choke")
    assert not fits("let off choke", "off let choke")
    assert not fits("let off choke", "let choke")


def test_alternatives_fill_one_place() -> None:
    assert [hits("die|quit cold", f"{word} cold") for word in ("dies", "quits", "quitting", "runs")] == [
        [("dies", "cold")], [("quits", "cold")], [("quitting", "cold")], []]


@pytest.mark.parametrize(("between", "expected"), [(0, True), (1, True), (GAP, True), (GAP + 1, False)])
def test_dots_stand_for_up_to_five_words(between: int, expected: bool) -> None:
    assert GAP == 5
    assert fits("die ... choke", " ".join(["die", *["zug"] * between, "choke"])) is expected


def test_fillers_do_not_count_at_the_dots() -> None:
    assert fits("die ... choke", "it dies as soon as it is that I let go of the choke")
    assert fits("die ... choke", "die " + "the " * (GAP + MAX_FILLERS) + "choke")
    assert not fits("die ... choke", "die " + "the " * (GAP + MAX_FILLERS + 1) + "choke")


def test_a_comma_is_free_at_the_dots_and_parts_plain_words() -> None:
    assert fits("die ... choke", "dies, zug, zug, zug, zug, zug, choke")
    assert not fits("let choke", "let, choke")
    assert fits("let choke", "let the choke")


@pytest.mark.parametrize(("between", "expected"), [(0, True), (MAX_FILLERS, True), (MAX_FILLERS + 1, False)])
def test_fillers_may_stand_between_words(between: int, expected: bool) -> None:
    assert fits("let choke", "let " + "the " * between + "choke") is expected


def test_a_filler_named_by_the_pattern_must_be_there() -> None:
    assert fits("choke on", "the choke is on")
    assert not fits("choke on", "the choke is")


@pytest.mark.parametrize(("between", "expected"), [(0, True), (NEAR - 1, True), (NEAR, False)])
def test_ampersand_is_within_eight_words_in_any_order(between: int, expected: bool) -> None:
    assert NEAR == 8
    zugs = ["zug"] * between
    assert fits("leak & choke", " ".join(["leak", *zugs, "choke"])) is expected
    assert fits("leak & choke", " ".join(["choke", *zugs, "leak"])) is expected


def test_ampersand_joins_phrases_and_more_than_two() -> None:
    assert hits("let off & choke", "the choke is let off") == [("choke", "let", "off"), ("choke", "let", "off")]
    for text in ("leak zug choke zug bulb", "bulb leak choke", "choke bulb zug leak"):
        assert set(hits("leak & choke & bulb", text)) == {tuple(w for w in text.split() if w != "zug")}


@pytest.mark.parametrize("mark", [".", ";", "!", "?", "\n"])
@pytest.mark.parametrize("source", ["let choke", "let ... choke", "let & choke", "choke & let"])
def test_never_across_the_end_of_a_sentence(source: str, mark: str) -> None:
    assert fits(source, "let choke" if source != "choke & let" else "choke let")
    assert not fits(source, f"let{mark} choke")


def test_a_pause_is_not_the_end_of_a_sentence() -> None:
    assert fits("die ... choke", "it dies... when on choke")


def test_a_term_of_several_words_is_one_place_in_joined_texts() -> None:
    assert hits("leak & prime pump", "the primer bulb drips", joined=True) == [("primer bulb", "drips")] * 2
    assert hits("leak & primer bulb", "prime pump leaks", joined=True) == [("prime pump", "leaks")] * 2
    assert compile_pattern("leak & primer bulb", FOLDING, joined=True).size == 2
    assert compile_pattern("leak & primer bulb", FOLDING, joined=False).size == 3
    assert not hits("leak & primer bulb", "prime pump leaks")  # word by word they differ


def test_the_nearest_fit_is_taken() -> None:
    assert hits("die ... choke", "dies choke choke") == [("dies", "choke")]
    found = tokens("die choke choke")
    hit = match(compile_pattern("die ... choke", FOLDING, joined=False), found, 0)
    assert hit is not None
    assert hit.used == (0, 1)


def test_a_farther_fit_is_tried_where_the_nearest_leads_nowhere() -> None:
    # The first "choke" cannot be followed by "off"; the second can.
    assert hits("die ... choke off", "die choke zug choke off") == [("die", "choke", "off")]


def test_anchors_and_size() -> None:
    pattern = compile_pattern("die|quit ... let off choke & leak", FOLDING, joined=False)
    assert pattern.size == 5
    assert pattern.anchors == {"die", "quit", "leak"}
    assert [place.gap for place in pattern.parts[0]] == [0, GAP, 0, 0]


def test_a_start_outside_the_text_fits_nothing() -> None:
    assert match(compile_pattern("die", FOLDING, joined=False), tokens("die"), 1) is None
    assert match(compile_pattern("die", FOLDING, joined=False), [], 0) is None


# --- against a slow textbook version ------------------------------------------------------------------------------

WORDS = ("leak", "bulb", "die", "on")
TEXTS = st.lists(st.sampled_from([*WORDS, *WORDS, "zug", "the", "it", ",", "."]), max_size=16)
RUNS = st.lists(st.lists(st.sampled_from(WORDS), min_size=1, max_size=2, unique=True).map("|".join),
                min_size=1, max_size=2).map(" ".join)
PARTS = st.lists(RUNS, min_size=1, max_size=2).map(" ... ".join)
NO_FAMILIES = Folding.build({}, [])

Places = list[tuple[set[str], int]]


def places_of(part: str) -> Places:
    """What a part says: for each place the words that fit and the other words allowed before it."""
    found: Places = []
    for number, run in enumerate(part.split(" ... ")):
        for position, word in enumerate(run.split()):
            found.append((set(word.split("|")), 5 if number and not position else 0))
    return found


def all_fits(places: Places, text: list[str]) -> Iterator[tuple[int, ...]]:
    """Every way to lay the places on the text, by trying them all."""
    for used in combinations(range(len(text)), len(places)):
        if all(text[at] in words for at, (words, _gap) in zip(used, places, strict=True)) and all(
                may_lie_between(text[one + 1: other], gap)
                for (one, other), (_words, gap) in zip(pairwise(used), places[1:], strict=True)):
            yield used


def may_lie_between(between: list[str], gap: int) -> bool:
    fillers = sum(word in FILLERS for word in between)
    commas = between.count(",")
    others = len(between) - fillers - (commas if gap else 0)
    return "." not in between and others <= gap and fillers <= MAX_FILLERS + gap


def as_tokens(text: list[str]) -> list[Token]:
    return [Token(word, word, at, at + 1) for at, word in enumerate(text)]


def compiled(source: str) -> Pattern:
    return compile_pattern(source, NO_FAMILIES, joined=False)


@given(PARTS, TEXTS)
def test_one_part_against_all_ways_to_lay_it(source: str, text: list[str]) -> None:
    every = list(all_fits(places_of(source), text))
    for start in range(len(text)):
        nearest = min((used for used in every if used[0] == start), default=None)
        hit = match(compiled(source), as_tokens(text), start)
        assert (hit.used if hit else None) == nearest


@given(PARTS, PARTS, TEXTS)
def test_two_parts_against_all_ways_to_lay_them(one: str, other: str, text: list[str]) -> None:
    """The pattern fits somewhere exactly where two nearest fits stand close enough, one after the other."""

    def nearest(part: str) -> list[tuple[int, ...]]:
        every = list(all_fits(places_of(part), text))
        return [min(used for used in every if used[0] == start) for start in {used[0] for used in every}]

    def close(first: tuple[int, ...], second: tuple[int, ...]) -> bool:
        return 0 < second[0] - first[-1] <= 8 and "." not in text[first[-1]: second[0]]

    pairs = {tuple(sorted(a + b)) for a in nearest(one) for b in nearest(other) if close(a, b) or close(b, a)}
    got = {hit.used for start in range(len(text))
           if (hit := match(compiled(f"{one} & {other}"), as_tokens(text), start))}
    assert got <= pairs
    assert bool(got) == bool(pairs)


@given(st.lists(RUNS, min_size=3, max_size=3), TEXTS)
def test_three_parts_lie_apart_and_close_together(parts: list[str], text: list[str]) -> None:
    for start in range(len(text)):
        hit = match(compiled(" & ".join(parts)), as_tokens(text), start)
        if hit is None:
            continue
        assert len(set(hit.used)) == sum(len(places_of(part)) for part in parts)
        assert list(hit.used) == sorted(hit.used)
        assert "." not in text[hit.used[0]: hit.used[-1]]
        assert all(after - before <= max(NEAR, MAX_FILLERS + 1) for before, after in pairwise(hit.used))


# --- the patterns of the package ----------------------------------------------------------------------------------

KINDS: tuple[Kind, ...] = ("symptom", "check", "action", "cause", "setting", "machine", "engine", "carburettor")
SOURCES = [(term, source) for kind in KINDS for term in package_vocabulary().terms[kind].values()
           for source in (term.label, *term.also, *term.said, *term.denied_by)]


def own_words(source: str) -> Iterator[str]:
    """Texts a pattern is made for: each of its alternatives once, the others as they come first."""
    words = [word.split("|") for word in source.replace(" & ", " ").replace("...", " ").split()]
    for place, options in enumerate(words):
        for option in options if len(options) > 1 else ():
            yield " ".join(option if at == place else other[0] for at, other in enumerate(words))
    yield " ".join(options[0] for options in words)


def missed(term: Term, source: str) -> list[str]:
    folding = lexicon().folding
    pattern = compile_pattern(source, folding, joined=False)
    if not all(pattern.parts):
        return [source]
    found = [(text, folding.fold(tokens(text))) for text in own_words(source)]
    return [f"{term.kind} {term.label}: {source!r} does not fit {text!r}" for text, words in found
            if not any(match(pattern, words, start) for start in range(len(words)))]


def test_every_pattern_fits_its_own_words() -> None:
    assert not [text for term, source in SOURCES for text in missed(term, source)]


def test_no_pattern_uses_what_the_language_does_not_have() -> None:
    odd = [(term.label, source) for term, source in SOURCES if set(source) & set("()[]*+?")
           or source.startswith(("&", "...", "|")) or source.endswith(("&", "...", "|")) or " | " in source
           or "&" in source.replace(" & ", "")]
    assert not odd


def test_no_pattern_belongs_to_two_terms_of_a_kind() -> None:
    owners: dict[tuple[str, str], set[str]] = {}
    for term, source in SOURCES:
        if source not in term.denied_by:  # one saying may deny several: "spark is fine" denies a weak one and none
            owners.setdefault((term.kind, source), set()).add(term.label)
    assert not {key: labels for key, labels in owners.items() if len(labels) > 1}
