"""Present, denied, over, past or only suspected: the negation table and every rule of scope."""

from __future__ import annotations

import pytest
from small_folders import lexicon, understood

from casebase.retrieve.status import SCOPE, status_of, triggers
from casebase.trade.words import FILLERS, tokens


def statuses(text: str) -> dict[tuple[str, str], str]:
    return {(seen.kind, seen.label): seen.status for seen in understood(text).observations}


def symptom(label: str, text: str) -> str | None:
    return statuses(text).get(("symptom", label))


# --- the negation table -----------------------------------------------------------------------------------------
# Our own sentences; the algorithm is NegEx (Chapman, Bridewell, Hanbury, Cooper & Buchanan 2001, J Biomed Inform
# 34:301-310): trigger phrases before and after a term, a scope of five words, pseudo-negations, terminators.
TABLE: list[tuple[str, str, str, str | None]] = [
    ("no sign of air leak at the intake boot", "cause", "air leak", "absent"),
    ("no spark with new plug", "symptom", "no spark", "present"),
    ("plug is fine, spark strong", "cause", "spark plug fouled", None),
    ("plug is fine, spark strong", "symptom", "no spark", "absent"),
    ("compression checks out, 110 psi", "symptom", "low compression", "absent"),
    ("not only surges but dies hot", "symptom", "surges", "present"),
    ("not only surges but dies hot", "symptom", "dies when hot", "present"),
    ("no longer surges after carb clean", "symptom", "surges", "resolved"),
    ("can't rule out the coil", "cause", "magneto", "possible"),
    ("primer bulb not cracked but hard", "cause", "primer bulb cracked", "absent"),
    ("primer bulb not cracked but hard", "symptom", "primer bulb cracked or leaking", "absent"),
    ("primer bulb not cracked but hard", "symptom", "primer bulb hard to press", "present"),
    ("previous owner said it flooded", "symptom", "floods", "historical"),
    ("won't idle without choke", "symptom", "runs only on choke", "present"),
    ("won't idle without choke", "symptom", "will not idle", None),
    ("never had a fuel leak until today", "symptom", "fuel leak", "present"),
    ("never had a fuel leak until today", "symptom", "no spark", None),
]


@pytest.mark.parametrize(("text", "kind", "label", "status"), TABLE)
def test_the_negation_table(text: str, kind: str, label: str, status: str | None) -> None:
    assert statuses(text).get((kind, label)) == status


def test_a_reading_beside_a_denial_is_read() -> None:
    (reading,) = understood("compression checks out, 110 psi").readings
    assert (reading.value, reading.unit) == (110, "psi")


def test_what_made_no_difference_was_tried_without_effect() -> None:
    # "Cleaned the tank screen, made no difference": an effect, not a denial of a finding.
    (tried,) = understood("cleaned the tank screen, made no difference").tried
    assert tried.result == "no change"


def test_what_was_cleaned_with_a_cure_is_resolved() -> None:
    (tried,) = understood("no longer surges after carb clean").tried
    assert tried.action == "strip and clean carburettor"


# --- each class of trigger --------------------------------------------------------------------------------------

CLASSES: list[tuple[str, str, str | None]] = [
    # Before the term.
    ("there is no fuel leak", "fuel leak", "absent"),
    ("without any fuel leak", "fuel leak", "absent"),
    ("no sign of a fuel leak", "fuel leak", "absent"),
    ("did not find a fuel leak", "fuel leak", "absent"),
    ("nothing wrong with it, no backfire", "backfires or pops", "absent"),
    ("it doesn't surge", "surges", "absent"),
    ("it never surges", "surges", "absent"),
    # After the term.
    ("black smoke was ruled out", "black smoke", "absent"),
    ("surging is not the problem", "surges", "absent"),
    # Over.
    ("it no longer surges", "surges", "resolved"),
    ("the fuel leak is gone", "fuel leak", "resolved"),
    ("it does not surge any more", "surges", "resolved"),
    ("fixed the fuel leak", "fuel leak", "resolved"),
    ("the surging went away", "surges", "resolved"),
    ("stopped surging", "surges", "resolved"),
    # Said of what came before.
    ("It surged in spring, I changed the gasket, no trouble since", "surges", "resolved"),
    ("It floods. Cleaned the needle and that fixed it", "floods", "resolved"),
    ("It floods. Cleaned the needle and that fixed it for a week", "floods", "present"),
    ("They told me it floods but it never has", "floods", "absent"),
    ("He said it surges. It doesn't. It does smoke", "surges", "absent"),
    ("Oil leak, no. Smoke, no", "oil leak", "absent"),
    ("The oil level has gone up and smells of petrol", "fuel in the crankcase oil", "present"),
    ("Hard starting, whether hot or cold", "hard to start", "present"),
    ("I thought it floods", "floods", "possible"),
    ("nothing leaking, no fuel leak", "fuel leak", "absent"),
    # Past.
    ("it used to surge", "surges", "historical"),
    ("last year it backfired", "backfires or pops", "historical"),
    ("when I bought it, it flooded", "floods", "historical"),
    ("last year, it flooded", "floods", "historical"),
    ("it flooded last year, surges", "surges", "present"),
    ("surges, floods, last year", "surges", "present"),
    ("last year. It floods", "floods", "present"),
    ("since last year it floods", "floods", "present"),
    ("used to be fine, now it surges", "surges", "present"),
    # Perhaps.
    ("maybe it floods", "floods", "possible"),
    ("might be flooding", "floods", "possible"),
    ("I think it floods", "floods", "possible"),
    ("not sure if it surges", "surges", "possible"),
    ("can't rule out a fuel leak", "fuel leak", "possible"),
    ("wondering if it has a fuel leak", "fuel leak", "possible"),
    # Look-alikes deny nothing.
    ("no idea why it surges", "surges", "present"),
    ("no doubt it surges", "surges", "present"),
    ("no matter what, it surges", "surges", "present"),
    ("not sure why it surges", "surges", "present"),
    ("no luck, still surges", "surges", "present"),
    # A symptom that is itself a lack.
    ("no spark", "no spark", "present"),
    ("it won't start", "will not start", "present"),
    ("it will not idle", "will not idle", "present"),
]


@pytest.mark.parametrize(("text", "label", "status"), CLASSES)
def test_each_class_of_phrase(text: str, label: str, status: str | None) -> None:
    assert symptom(label, text) == status


# --- scope ------------------------------------------------------------------------------------------------------

SCOPES: list[tuple[str, str, str | None]] = [
    # A denial of things reaches over a list, a denial of doings ends at the comma.
    ("no fuel leak, black smoke or backfire", "black smoke", "absent"),
    ("no fuel leak, black smoke or backfire", "backfires or pops", "absent"),
    ("does not surge, floods", "floods", "present"),
    ("does not surge and it floods", "floods", "present"),
    ("no fuel leak and black smoke", "black smoke", "absent"),
    ("no leaks, smoke or noise", "fuel leak", "absent"),
    ("no leaks, smoke or noise", "blue or white smoke", "absent"),
    # But it does not reach into a new statement.
    ("no fuel leak, it surges at idle", "surges", "present"),
    ("no fuel leak, the saw surges, black smoke", "surges", "present"),
    ("no fuel leak, the saw surges, black smoke", "black smoke", "present"),
    ("no fuel leak, no black smoke, surges", "surges", "present"),
    ("no fuel leak, starts then dies", "starts then dies", "present"),
    ("no fuel leak, might be flooding", "floods", "possible"),
    ("no fuel leak and it surges", "surges", "present"),
    # Nothing reaches over the end of a sentence.
    ("No fuel leak. Black smoke", "black smoke", "present"),
    ("no fuel leak; black smoke", "black smoke", "present"),
    ("Not a fuel leak! Black smoke", "black smoke", "present"),
    # Terminators (NegEx) end a scope.
    ("no fuel leak but black smoke", "black smoke", "present"),
    ("no fuel leak however black smoke", "black smoke", "present"),
    ("no fuel leak except it floods", "floods", "present"),
    ("does not surge although it floods", "floods", "present"),
    ("never floods until it surges", "floods", "present"),
    # A phrase after the term speaks of that term alone.
    ("surges but starting is fine", "surges", "present"),
    ("it surges, the fuel leak is gone", "surges", "present"),
    ("no spark, no longer leaks fuel", "no spark", "present"),
    ("surging, black smoke and backfire all gone", "surges", "resolved"),
    ("surging, gone now", "surges", "resolved"),
]


@pytest.mark.parametrize(("text", "label", "status"), SCOPES)
def test_how_far_a_phrase_reaches(text: str, label: str, status: str | None) -> None:
    assert symptom(label, text) == status


def plain_status(text: str, *wanted: str) -> str:
    """The status of the words `wanted` in a text, without a vocabulary."""
    found = tokens(text)
    used = [position for position, token in enumerate(found) if token.text in wanted]
    return status_of(used, found, triggers(found, used))


@pytest.mark.parametrize("words", range(8))
def test_the_scope_is_five_words(words: int) -> None:
    # Chapman et al. 2001: up to five words between the phrase and the term.
    between = " ".join(["grey", "old", "big", "odd", "long", "wet", "dry"][:words])
    expected = "absent" if words <= SCOPE == 5 else "present"
    assert plain_status(f"no {between} leak", "leak") == expected


def test_small_words_do_not_count_in_the_scope() -> None:
    filler = " ".join(sorted(FILLERS - {"just", "now", "then", "still", "and", "all"})[:12])
    assert plain_status(f"no {filler} leak", "leak") == "absent"


@pytest.mark.parametrize(
    ("text", "expected"), [("leak is gone", "resolved"), ("leak under every big old shed is gone", "present")]
)
def test_a_phrase_after_a_term_stands_close(text: str, expected: str) -> None:
    assert plain_status(text, "leak") == expected


def test_words_of_a_term_are_no_triggers() -> None:
    found = tokens("no spark and no leak")
    assert [trigger.start for trigger in triggers(found, taken=[0, 1])] == [3]
    assert [trigger.start for trigger in triggers(found, taken=[])] == [0, 3]


def test_the_longest_phrase_hides_the_shorter() -> None:
    kinds = [trigger.kind for trigger in triggers(tokens("not only"), [])]
    assert kinds == ["look-alike"]
    assert {trigger.kind for trigger in triggers(tokens("ruled out"), [])} == {"noun", "after"}


def test_a_hedge_for_causes_leaves_symptoms_alone() -> None:
    found = tokens("I blame the leak")
    signals = triggers(found, [3])
    assert status_of([3], found, signals) == "present"
    hedged = [text for text in ("blame the coil", "sounds like the coil") if ("cause", "magneto") in statuses(text)]
    assert all(statuses(text)["cause", "magneto"] == "possible" for text in hedged)


def test_what_is_said_plainly_outweighs_what_is_guessed() -> None:
    assert symptom("surges", "maybe it surges. Yes, it surges at idle") == "present"
    assert symptom("fuel leak", "no fuel leak. I might have a fuel leak") == "absent"


def test_a_part_alone_is_no_statement() -> None:
    assert ("cause", "magneto") not in statuses("the coil")
    assert statuses("it could be the coil")["cause", "magneto"] == "possible"
    assert statuses("the coil tested good")["cause", "magneto"] == "absent"


def test_a_pattern_that_means_absence_denied_says_nothing() -> None:
    assert symptom("will not start", "it starts first pull") == "absent"
    assert symptom("will not start", "it never starts first pull") is None


def test_the_lexicon_is_the_trades() -> None:
    # The table names real labels: a row must not pass because a label was renamed.
    terms = lexicon().vocabulary.terms
    for _text, kind, label, _status in TABLE:
        assert label in terms["cause" if kind == "cause" else "symptom"]
    for _text, label, _status in (*CLASSES, *SCOPES):
        assert label in terms["symptom"]


@pytest.mark.parametrize(
    ("words", "label", "wanted"),
    [
        ("It blew black smoke until I cleaned the filter. No smoke now.", "black smoke", "resolved"),
        ("It blew black smoke. No spark now.", "black smoke", "present"),
        ("At one time it surged badly.", "surges", "historical"),
        ("The drive slipped, a new belt stopped that.", "drive slips", "resolved"),
        ("I ordered a starter rope in case it breaks.", "starter rope broken", "possible"),
        ("Smoke and power are no problem.", "blue or white smoke", "absent"),
        ("It surges and compression is fine.", "surges", "present"),
    ],
)
def test_what_is_taken_back_later_or_only_feared(words: str, label: str, wanted: str) -> None:
    assert symptom(label, words) == wanted
