"""From words to observations: texts that a person has read, the handbook's phrases, and each part of the answer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_folders import gold, lexicon, understood

from casebase.problems import Refused
from casebase.retrieve.understand import MAX_CHARACTERS, MachineSeen, Tried, Understood
from casebase.trade.handbook import rows

# Lowest F1 of present symptoms. All files have been used to mend by now; what each gave before that, and what unseen
# words may be expected to give (much less), stands in DEVELOPERS.md.
FLOORS = {"owner_texts": 0.97, "owner_texts_heldout": 0.95, "owner_texts_fresh": 0.9,
          "owner_texts_fresh2": 0.9, "owner_texts_fresh3": 0.9, "owner_texts_fresh4": 0.9}
# Of the symptoms a text denies, the most that may be read as present.
MOST_DENIED = 0.03


# --- gold texts -------------------------------------------------------------------------------------------------


def f1(name: str) -> float:
    """F1 over all texts of the symptoms present: read against those a person read. Doubtful ones count neither way."""
    right = missed = invented = 0
    for entry in gold(name):
        got, wanted = set(understood(entry["text"]).symptoms), set(entry.get("present", ()))
        allowed = wanted | set(entry.get("also_ok", ())) | set(entry.get("possible", ()))
        right += len(got & wanted)
        missed += len(wanted - got)
        invented += len(got - allowed)
    return 2 * right / (2 * right + missed + invented)


@pytest.mark.parametrize("name", FLOORS)
def test_symptoms_of_owners_texts(name: str) -> None:
    value = f1(name)
    print(f"{name}: F1 of present symptoms {value:.4f}")
    assert value >= FLOORS[name]


@pytest.mark.parametrize("name", FLOORS)
def test_what_is_denied_is_seldom_read_as_present(name: str) -> None:
    denied = [(label, entry["text"]) for entry in gold(name) for label in entry.get("not_present", ())]
    wrong = [(label, text) for label, text in denied if label in understood(text).symptoms]
    assert len(wrong) / len(denied) <= MOST_DENIED, wrong


def test_what_is_guessed_is_seldom_read_as_present() -> None:
    guessed = [(label, entry["text"]) for entry in gold("owner_texts") for label in entry.get("possible", ())]
    wrong = [(label, text) for label, text in guessed if label in understood(text).symptoms]
    assert guessed
    assert len(wrong) / len(guessed) <= 0.1, wrong


def test_machines_of_owners_texts() -> None:
    named = [(entry["machine"], entry["text"]) for entry in gold("owner_texts") if "machine" in entry]
    wrong = [(kind, text) for kind, text in named if understood(text).machine.kind != kind]
    assert len(wrong) / len(named) <= 0.05, wrong


def test_gold_texts_name_real_terms() -> None:
    symptoms, machines = lexicon().vocabulary.terms["symptom"], lexicon().vocabulary.terms["machine"]
    for name in FLOORS:
        for entry in gold(name):
            for field in ("present", "not_present", "possible", "also_ok"):
                assert set(entry.get(field, ())) <= set(symptoms), entry
            assert entry.get("machine", "chainsaw") in machines


# --- the handbook -----------------------------------------------------------------------------------------------

# Each printed phrase with the symptoms of the rows it heads; the rows carry their published source.
PRINTED = sorted({(row.printed_symptom, row.symptoms) for row in rows()})


@pytest.mark.parametrize(("phrase", "symptoms"), PRINTED)
def test_the_handbooks_phrases_are_understood(phrase: str, symptoms: tuple[str, ...]) -> None:
    read = understood(phrase)
    assert set(symptoms) & set(read.symptoms), f"read {read.symptoms}, left over {read.left_over}"


# --- the parts of an answer -------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["won't idle, and when it does run the head keeps spinning",
                                  "idles but the head keeps spinning", "dies at idle and the chain keeps turning"])
def test_an_attachment_that_keeps_moving_is_never_read_as_still(text: str) -> None:
    """Whatever else is denied in the sentence: taking it for absent could hurt somebody."""
    assert "cutting attachment moves at idle" in understood(text).symptoms


def test_machine() -> None:
    assert understood("45 cc two-stroke chainsaw, six years old, with a diaphragm carb").machine == MachineSeen(
        "chainsaw", "two-stroke", "diaphragm", 45.0, 6.0
    )
    assert understood("it stood for two years, will not start").machine == MachineSeen()
    assert understood("weed whacker bogs").machine.kind == "string trimmer"


def test_readings_are_no_left_over_words() -> None:
    read = understood("compression is 110 psi and the gap 0.025 in")
    assert [(reading.value, reading.unit) for reading in read.readings] == [(110, "psi"), (0.025, "in")]
    assert not {"psi", "in"} & set(read.left_over)


@pytest.mark.parametrize(
    ("text", "tried"),
    [
        ("new plug, no change", [("replace spark plug", "no change")]),
        ("I replaced the fuel line and that fixed it", [("replace fuel line", "cured")]),
        ("changed the plug, made it worse", [("replace spark plug", "worse")]),
        ("cleaned the carb, helped a little", [("strip and clean carburettor", "better")]),
        ("new fuel filter fitted", [("replace fuel filter", "not said")]),
        (
            "new plug no difference, new fuel line cured it",
            [("replace spark plug", "no change"), ("replace fuel line", "cured")],
        ),
        ("after replacing the fuel line it surges", [("replace fuel line", "not said")]),
        # Only asked about, still to come, or not done.
        ("should I replace the spark plug?", []),
        ("thinking of replacing the fuel line", []),
        ("have not replaced the spark plug", []),
        ("do I need a new fuel line", []),
        ("how do I replace the fuel line", []),
    ],
)
def test_what_was_tried(text: str, tried: list[tuple[str, str]]) -> None:
    assert [(item.action, item.result) for item in understood(text).tried] == tried


def test_words_not_understood_are_kept() -> None:
    read = understood("my zorgle surges quibbly")
    assert read.left_over == ("zorgle", "quibbly")
    assert read.symptoms == ("surges",)
    # Words that only hold a sentence together are not worth showing.
    assert understood("it is its own zorgle and does so").left_over == ("own", "zorgle", "does")


def test_words_that_could_mean_several_things_are_doubts() -> None:
    ((word, meanings),) = understood("the filter").doubts
    assert word == "filter"
    assert {"air filter", "fuel filter"} <= set(meanings)
    assert understood("replaced the air filter").doubts == ()


def test_corrections_are_shown() -> None:
    read = understood("the diaphrgam is torn, diaphrgam")
    assert read.corrected == (("diaphrgam", "diaphragm"),)
    assert "metering diaphragm torn" in read.labels("cause") or read.observations == ()


def test_capitals_and_typographic_signs_do_not_matter() -> None:
    plain = understood("it won't start")
    assert understood("IT WON\u2019T START").symptoms == plain.symptoms == ("will not start",)


def test_a_term_said_twice_is_one_observation() -> None:
    assert understood("surges, surges at idle, and surges hot").labels("symptom").count("surges") == 1


def test_where_it_was_read() -> None:
    text = "Well: my saw surges, no black smoke."
    for seen in understood(text).observations:
        assert text[seen.start : seen.end] == seen.words
    assert [seen.words for seen in understood(text).observations] == ["surges", "black smoke"]


def test_labels_by_status() -> None:
    read = understood("surges, no fuel leak, might be flooding")
    assert read.labels("symptom") == read.symptoms == ("surges",)
    assert read.labels("symptom", "absent") == ("fuel leak",)
    assert read.labels("symptom", "absent", "possible") == ("fuel leak", "floods")
    assert read.labels("action") == ()


def test_nothing_of_the_trade_is_empty() -> None:
    assert understood("lorem ipsum dolor").is_empty
    assert not understood("surges").is_empty
    assert not understood("my chainsaw").is_empty
    assert not Understood("", (), MachineSeen(), (), (Tried("x", "cured", ""),), (), (), ()).is_empty


@pytest.mark.parametrize("text", ["", "   ", "...", "?!", "\n\t", "\u200b", "-- -- --", "\x00\x01"])
def test_a_text_without_words_is_refused(text: str) -> None:
    with pytest.raises(Refused) as refused:
        understood(text)
    assert "no words" in str(refused.value)


def test_a_text_that_is_too_long_is_refused() -> None:
    with pytest.raises(Refused) as refused:
        understood("surges " * (MAX_CHARACTERS // 7 + 1))
    assert "20,000" in str(refused.value)


def test_the_longest_text_that_may_be_read_is_read() -> None:
    assert understood(("surges " * (MAX_CHARACTERS // 7 + 1))[:MAX_CHARACTERS]).symptoms == ("surges",)


@given(st.text(max_size=200) | st.lists(st.sampled_from(list("noisurget carb,.'\u2019 \n")), max_size=120).map("".join))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        read = understood(text)
    except Refused:
        return
    for seen in read.observations:
        assert text[seen.start : seen.end] == seen.words
    assert read == understood(text)


sayings = st.sampled_from(
    ["no spark", "it surges", "won't idle", "no fuel leak", "new plug", "but", "and", "maybe", ",", ".", "110 psi",
     "used to", "is gone", "until", "never", "my saw", "carb", "zorgle"]
)  # fmt: skip


@given(st.lists(sayings, min_size=1, max_size=12).map(" ".join))
def test_each_term_has_one_status(text: str) -> None:
    try:
        read = understood(text)
    except Refused:
        return
    keys = [(seen.kind, seen.label) for seen in read.observations]
    assert len(keys) == len(set(keys))
    assert [seen.start for seen in read.observations] == sorted(seen.start for seen in read.observations)


@pytest.mark.parametrize("text", ["it only runs on choke", "runs on choke only", "the mower only runs on full choke"])
def test_to_run_on_choke_is_not_to_run_on(text: str) -> None:
    """After the switch is off an engine may run on, by glowing carbon (common practice, no source)."""
    assert [seen.label for seen in understood(text).observations if seen.kind == "cause"] == []


def test_to_run_on_after_the_switch_is_off_points_to_carbon() -> None:
    assert "carbon in combustion chamber" in [seen.label for seen in understood("it runs on after I switch it off").observations]
