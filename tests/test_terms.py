"""The vocabulary: its tree, its links, its hazards, and a folder's own words over it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.problems import Problem
from casebase.record.yamltree import Mapping, parse
from casebase.trade import DATA
from casebase.trade.readings import UNITS
from casebase.trade.terms import (
    _KEYS,
    FILE_NAME,
    KINDS,
    Kind,
    Term,
    Vocabulary,
    folder_vocabulary,
    kin,
    package_vocabulary,
)

WORDS = package_vocabulary()
SECTIONS: dict[Kind, str] = {kind: f"{kind}s" for kind in KINDS}


def vocabulary_of(*terms: Term) -> Vocabulary:
    return Vocabulary({kind: {term.label: term for term in terms if term.kind == kind} for kind in KINDS})


# --- the tree -----------------------------------------------------------------------------------------------------

# Wu & Palmer (1994): 2·depth(lca) / (depth(a) + depth(b)). The two conventions for depth give other numbers; here
# the root has depth 1. The tree is made for this test: root - fuel - carb - {needle, jet}, fuel - line.
# The root is the one above all roots of a kind.
TREE = vocabulary_of(
    Term("cause", "fuel"),
    Term("cause", "carb", under="fuel"),
    Term("cause", "needle", under="carb"),
    Term("cause", "jet", under="carb"),
    Term("cause", "line", under="fuel"),
    Term("cause", "spark"),
)


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        ("needle", "jet", 2 * 3 / (4 + 4)),  # .75
        ("needle", "line", 2 * 2 / (4 + 3)),  # .5714
        ("carb", "needle", 2 * 3 / (3 + 4)),
        ("fuel", "needle", 2 * 2 / (2 + 4)),
        ("needle", "spark", 2 * 1 / (4 + 2)),  # only the root in common
        ("needle", "needle", 1.0),
        ("needle", "not in the tree", 2 * 1 / (4 + 2)),
        ("not in the tree", "neither", 2 * 1 / (2 + 2)),
    ],
)
def test_tree_similarity(one: str, other: str, expected: float) -> None:
    assert TREE.tree_similarity("cause", one, other) == pytest.approx(expected)
    assert TREE.tree_similarity("cause", other, one) == pytest.approx(expected)


def test_paths() -> None:
    assert TREE.path("cause", "needle") == ("needle", "carb", "fuel")
    assert TREE.path("cause", "fuel") == ("fuel",)
    assert TREE.path("cause", "unheard of") == ("unheard of",)
    assert TREE.path("cause", "") == ()


def test_a_loop_in_the_tree_ends() -> None:
    loop = vocabulary_of(Term("cause", "a", under="b"), Term("cause", "b", under="a"))
    assert loop.path("cause", "a") == ("a", "b")
    assert 0 < loop.tree_similarity("cause", "a", "b") <= 1


@given(st.sampled_from(sorted(WORDS.terms["cause"])), st.sampled_from(sorted(WORDS.terms["cause"])))
def test_tree_similarity_is_symmetric_and_one_only_for_the_same(one: str, other: str) -> None:
    value = WORDS.tree_similarity("cause", one, other)
    assert value == WORDS.tree_similarity("cause", other, one)
    assert 0 < value <= 1
    assert (value == 1) == (one == other)


# --- terms and names ----------------------------------------------------------------------------------------------


def test_kin_stand_under_the_same_parent() -> None:
    terms = WORDS.terms["symptom"]
    for label in terms:
        of_it = kin(terms, label, terms)
        assert label not in of_it and all(label in kin(terms, other, terms) for other in of_it)
    assert "hard to restart hot" in kin(terms, "hard to start cold", terms)
    assert kin(terms, "hard to start cold", ["vibrates", "hard to start cold"]) == []


def test_names_are_resolved_with_capitals_ignored() -> None:
    assert WORDS.label("machine", "Chain Saw") == "chainsaw"
    assert WORDS.label("machine", "CHAINSAW") == "chainsaw"
    assert WORDS.label("check", "fuel hose") == "fuel line"
    assert WORDS.label("machine", "loom") == "loom"
    assert WORDS.resolve("symptom", "chainsaw") is None


def test_a_label_goes_before_another_terms_other_name() -> None:
    words = vocabulary_of(Term("cause", "first", also=("Second", "third")), Term("cause", "second"),
                          Term("cause", "fourth", also=("third",)))
    assert words.label("cause", "second") == "second"
    assert words.label("cause", "SECOND") == "second"
    assert words.label("cause", "Third") == "first"


def test_suggestions() -> None:
    assert WORDS.suggestion("symptom", "will not strat") == 'did you mean "will not start"?'
    assert WORDS.suggestion("symptom", "will not strat") == 'did you mean "will not start"?'  # kept
    assert WORDS.suggestion("symptom", "xyzzy") == ""


def test_where_a_term_applies() -> None:
    term = Term("check", "x", only=(("engine", ("four-stroke",)), ("machine", ("tiller", "generator"))))
    assert term.applies()
    assert term.applies(engine="four-stroke", machine="tiller", carburettor="float")
    assert term.applies(engine="", machine="generator")  # unknown may well be
    assert not term.applies(engine="two-stroke")
    assert not term.applies(engine="four-stroke", machine="chainsaw")


def test_cautions_come_once_in_the_order_they_arise() -> None:
    words = vocabulary_of(Term("hazard", "heat", caution="Hot."), Term("hazard", "blade", caution="Sharp."))
    one, other = Term("check", "a", hazards=("blade", "unheard of")), Term("check", "b", hazards=("heat", "blade"))
    assert [hazard.label for hazard in words.cautions([one, None, other])] == ["blade", "heat"]


def test_a_query_reads_back_all_but_the_patterns() -> None:
    stored = Vocabulary.from_json(json.loads(json.dumps(WORDS.as_json())))
    assert (stored.words, stored.ambiguous) == (WORDS.words, WORDS.ambiguous)
    for kind in KINDS:
        assert list(stored.terms[kind]) == list(WORDS.terms[kind])
        assert len(stored.terms[kind]) == len(WORDS.terms[kind])
    for term in WORDS.all():
        copy = stored.terms[term.kind][term.label]
        for field in Term.__slots__:
            assert getattr(copy, field) == (() if field in ("said", "denied_by") else getattr(term, field)), field


def test_no_minutes_and_none_known_stay_apart() -> None:
    words = vocabulary_of(Term("check", "free", minutes=0.0), Term("check", "unknown"))
    stored = Vocabulary.from_json(words.as_json())
    assert stored.terms["check"]["free"].minutes == 0.0
    assert stored.terms["check"]["unknown"].minutes is None


# --- the package's own words --------------------------------------------------------------------------------------


@cache
def entries(kind: Kind) -> dict[str, Mapping]:
    """The entries of a kind as they stand in the files."""
    found: dict[str, Mapping] = {}
    for path in sorted(DATA.glob("*.yaml")):
        tree, problems = parse(path.read_text(encoding="utf-8"))
        assert not problems
        assert isinstance(tree, Mapping)
        section = tree.get(SECTIONS[kind])
        if isinstance(section, Mapping):
            for name, node in section.entries:
                assert name.text not in found, f"{path.name}: {kind} {name.text} stands in two files"
                assert isinstance(node, Mapping)
                found[name.text] = node
    return found


def test_every_kind_has_terms_and_all_are_read() -> None:
    for kind in KINDS:
        assert list(WORDS.terms[kind]) == list(entries(kind)) != []


def test_all_links_resolve() -> None:
    # Reading the package's words asserts it for the links the program follows; here once more, by hand.
    for term in WORDS.all():
        for kind, labels in (("hazard", term.hazards), ("cause", term.points_to), ("cause", term.cures),
                             ("symptom", term.known_from), *term.only):
            assert set(labels) <= set(WORDS.terms[kind]), (term.kind, term.label, labels)  # type: ignore[index]
        assert term.engine in ("", *WORDS.terms["engine"])
        assert term.carburettor in ("", *WORDS.terms["carburettor"])
        if term.kind in ("cause", "machine"):
            assert term.under in ("", *WORDS.terms[term.kind]), term.label


def test_no_name_belongs_to_two_terms_of_a_kind() -> None:
    owners: dict[tuple[Kind, str], list[str]] = {}
    for term in WORDS.all():
        for name in (term.label, *term.also):
            owners.setdefault((term.kind, name.casefold()), []).append(term.label)
    assert not {key: labels for key, labels in owners.items() if len(labels) > 1}


def test_the_tree_of_causes_has_no_loop() -> None:
    for kind in ("cause", "machine"):
        for label, term in WORDS.terms[kind].items():
            assert not term.under or label not in WORDS.path(kind, term.under), label


@pytest.mark.parametrize("kind", ["check", "action"])
def test_every_check_and_action_says_its_hazards(kind: Kind) -> None:
    """An empty list is an answer; leaving the question out is none."""
    assert not [label for label, node in entries(kind).items() if node.get("hazards") is None]


def test_every_hazard_has_a_caution_and_is_used() -> None:
    for label, term in WORDS.terms["hazard"].items():
        assert len(term.caution) > 40, label
        assert term.caution.endswith("."), label
    assert set(WORDS.terms["hazard"]) == {hazard for term in WORDS.all() for hazard in term.hazards}


def test_groups_are_families_of_symptoms_and_of_causes() -> None:
    assert {term.under for term in WORDS.terms["symptom"].values()} == {
        "starting", "idling", "running", "power", "fuel", "oil and smoke", "ignition", "starter", "noise and heat",
        "cutting attachment", "drive", "electrics", "water"}  # fmt: skip
    assert {term.under for term in WORDS.terms["check"].values()} <= set(WORDS.terms["cause"])


def test_units_and_times_can_be_used() -> None:
    for term in WORDS.all():
        assert term.unit in ("", *UNITS), term.label
        assert bool(term.quantity) <= bool(term.unit), term.label
        assert term.minutes is None or 0 <= term.minutes <= 600, term.label
    for kind in ("check", "action"):
        assert not [label for label, term in WORDS.terms[kind].items() if term.minutes is None]


def test_a_checks_findings_speak_for_one_side_only() -> None:
    for term in WORDS.terms["check"].values():
        assert not {word.casefold() for word in term.ok} & {word.casefold() for word in term.bad}, term.label
        assert term.ok or term.bad or term.quantity, f"{term.label} can have no result"


def test_every_cause_can_be_found_and_cured() -> None:
    parents = {term.under for term in WORDS.terms["cause"].values()}
    causes = {label for label in WORDS.terms["cause"] if label not in parents}
    assert causes <= {label for term in WORDS.terms["check"].values() for label in term.points_to}
    assert causes <= {label for term in WORDS.terms["action"].values() for label in term.cures}


# Asking, looking, and moving a control with the engine off. What is added here should be as harmless.
HARMLESS = {
    "months stored with fuel", "air filter", "choke movement", "throttle opens fully", "throttle shaft play",
    "throttle cable", "replace air filter", "adjust choke control", "show owner the procedure", "nothing done",
    "decline repair",
}  # fmt: skip


def test_only_harmless_work_is_without_hazards() -> None:
    without = {label for kind in ("check", "action") for label, term in WORDS.terms[kind].items() if not term.hazards}
    assert without <= HARMLESS


# --- a folder's own words: household electricals, invented ----------------------------------------------------------

HOUSEHOLD = """\
# Words for household electricals, invented for this test.
symptoms:
  lamp stays dark:
    group: light
    also: [no light]
    said: ["lamp|light will not come on", "bulb stay dark"]
    hazards: [mains voltage]
  will not start:
    group: starting
    said: ["kettle|toaster will not heat"]
checks:
  flex:
    group: supply
    said: ["look|check ... flex"]
    result: {choices: {ok: [sound], bad: [frayed, cut]}}
    minutes: 3
    owner: true
    points to: [flex broken]
    known from: [lamp stays dark]
    only: {machine: [table lamp]}
    hazards: [mains voltage]
  fuse reading:
    group: supply
    result: {quantity: resistance, unit: ohm}
    hazards: []
  lamp lights with another bulb:
    group: supply
    result: {yes is: bad}
    hazards: []
actions:
  replace flex:
    cures: [flex broken]
    minutes: 20
    owner: false
    hazards: [mains voltage]
causes:
  supply: {}
  flex broken: {under: supply, also: [broken flex]}
machines:
  table lamp: {also: [desk lamp]}
hazards:
  mains voltage:
    caution: Mains voltage kills. Pull the plug first; leave wiring to a qualified person.
words:
  flex: [mains lead]
  carburettor: [vaporiser]
ambiguous:
  lead: [flex, test lead]
"""


@pytest.fixture
def household(tmp_path: Path) -> Vocabulary:
    (tmp_path / FILE_NAME).write_text(HOUSEHOLD, encoding="utf-8")
    words, problems = folder_vocabulary(tmp_path)
    assert problems == []
    return words


def test_without_a_file_the_packages_words_serve(tmp_path: Path) -> None:
    assert folder_vocabulary(tmp_path) == (WORDS, [])


def test_a_folder_adds_its_terms(household: Vocabulary) -> None:
    flex = household.terms["check"]["flex"]
    assert (flex.under, flex.minutes, flex.owner, flex.ok, flex.bad) == ("supply", 3.0, True, ("sound",), ("frayed", "cut"))
    assert (flex.points_to, flex.known_from) == (("flex broken",), ("lamp stays dark",))
    assert flex.only == (("machine", ("table lamp",)),)
    assert household.label("cause", "broken flex") == "flex broken"
    assert household.label("machine", "desk lamp") == "table lamp"
    assert [hazard.label for hazard in household.cautions([flex])] == ["mains voltage"]
    assert household.path("cause", "flex broken") == ("flex broken", "supply")
    reading = household.terms["check"]["fuse reading"]
    assert (reading.quantity, reading.unit, reading.minutes, reading.owner) == ("resistance", "ohm", None, False)
    assert household.terms["check"]["lamp lights with another bulb"].bad == ("yes",)
    assert not household.terms["action"]["replace flex"].owner


def test_a_folder_keeps_the_packages_terms_and_replaces_its_namesakes(household: Vocabulary) -> None:
    for kind in KINDS:
        assert set(household.terms[kind]) >= set(WORDS.terms[kind])
    assert household.terms["check"]["fuel line"] == WORDS.terms["check"]["fuel line"]
    assert household.terms["symptom"]["will not start"].said == ("kettle|toaster will not heat",)
    assert WORDS.terms["symptom"]["will not start"].said != household.terms["symptom"]["will not start"].said


def test_word_families_are_added_to(household: Vocabulary) -> None:
    assert household.words["flex"] == ("mains lead",)
    assert household.words["carburettor"] == (*WORDS.words["carburettor"], "vaporiser")
    assert "vaporiser" not in WORDS.words["carburettor"]
    assert household.ambiguous["lead"] == ("flex", "test lead")


def test_a_byte_order_mark_and_windows_line_ends_are_no_mistake(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"\xef\xbb\xbf" + HOUSEHOLD.replace("\n", "\r\n").encode())
    words, problems = folder_vocabulary(tmp_path)
    assert problems == []
    assert "flex" in words.terms["check"]


def problems_of(folder: Path, text: str) -> list[Problem]:
    (folder / FILE_NAME).write_text(text, encoding="utf-8")
    words, problems = folder_vocabulary(folder)
    assert set(words.terms["symptom"]) >= set(WORDS.terms["symptom"])  # a mistake costs nobody the package's words
    return problems


# Each kind of mistake: (the text, code, line, column, field, and a part of what is said).
MISTAKES = [
    ("symtoms: {}\n", "unknown-key", 1, 1, "symtoms", 'did you mean "symptoms"?'),
    ("symptoms:\n  dim:\n    sayd: [x]\n", "unknown-key", 3, 5, "symptoms.dim.sayd", 'did you mean "said"?'),
    ("symptoms:\n  dim:\n", "shape", 2, 7, "symptoms.dim", "write them as name: value"),
    ("symptoms: [dim]\n", "shape", 1, 11, "symptoms", "must hold named values"),
    ("symptoms:\n  dim: {said: {a: b}}\n", "shape", 2, 15, "symptoms.dim.said", "must be a list of texts"),
    ("symptoms:\n  dim: {group: [a]}\n", "shape", 2, 16, "symptoms.dim.group", "must be a single text"),
    ("symptoms:\n  dim: {also: [x]}\n  dim: {}\n", "duplicate-key", 3, 3, "dim", "first at line 2"),
    ("causes:\n  a: {under: fule}\n", "unknown-term", 2, 14, "causes.a.under", 'no cause "fule"; did you mean "fuel"?'),
    ("causes:\n  a: {under: b}\n  b: {under: a}\n", "loop", 2, 14, "causes.a.under", "stands under itself"),
    ("machines:\n  a: {under: wheelled}\n", "unknown-term", 2, 14, "machines.a.under", 'did you mean "wheeled"?'),
    ("machines:\n  a:\n    engine: two-strok\n", "unknown-term", 3, 13, "machines.a.engine", 'did you mean "two-stroke"?'),
    ("machines:\n  a:\n    carburettor: flaot\n", "unknown-term", 3, 18, "machines.a.carburettor", 'did you mean "float"?'),
    ("checks:\n  a: {hazards: [], points to: [stale fuel, stale fule]}\n", "unknown-term", 2, 44, "checks.a.points to[1]",
     'no cause "stale fule"; did you mean "stale fuel"?'),
    ("checks:\n  a: {known from: [wil not start]}\n", "unknown-term", 2, 20, "checks.a.known from[0]",
     'did you mean "will not start"?'),
    ("checks:\n  a: {only: {engine: [four-strok]}}\n", "unknown-term", 2, 23, "checks.a.only.engine[0]",
     'no engine "four-strok"; did you mean "four-stroke"?'),
    ("checks:\n  a: {only: {engines: [x]}}\n", "unknown-key", 2, 14, "checks.a.only.engines", 'did you mean "engine"?'),
    ("checks:\n  a: {result: {yes is: good}}\n", "choice", 2, 24, "checks.a.result.yes is", "is not ok or bad"),
    ("checks:\n  a: {result: {choises: {}}}\n", "unknown-key", 2, 16, "checks.a.result.choises", 'did you mean "choices"?'),
    ("checks:\n  a: {result: {choices: {good: [x]}}}\n", "unknown-key", 2, 26, "checks.a.result.choices.good", "allowed: ok"),
    ("checks:\n  a: {minutes: five}\n", "number", 2, 16, "checks.a.minutes", "write minutes as a number"),
    ("checks:\n  a: {owner: yes}\n", "choice", 2, 14, "checks.a.owner", "is not true or false"),
    ("actions:\n  a: {hazards: fuel vapor}\n", "unknown-term", 2, 16, "actions.a.hazards[0]",
     'no hazard "fuel vapor"; did you mean "fuel vapour"?'),
    ("actions:\n  a:\n    cures:\n      - stale fule\n", "unknown-term", 4, 9, "actions.a.cures[0]", 'did you mean "stale fuel"?'),
    ("hazards:\n  mains: {}\n", "missing", 2, 10, "hazards.mains", "has no caution"),
    ("words:\n  lamp: {a: b}\n", "shape", 2, 9, "words.lamp", "must be a list of texts"),
    ("words: lamp\n", "shape", 1, 8, "words", "must hold named values"),
    ("- symptoms\n", "shape", 1, 1, "", "begin with one of: symptoms, checks"),
    ("hello\n", "shape", 1, 1, "", "holds no named sections"),
    ("symptoms: *x\n", "yaml-alias", 1, 11, "", "aliases are not followed"),
    ("symptoms: [\n", "yaml", 2, 1, "", "cannot be read as YAML"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "code", "line", "column", "field", "said"), MISTAKES)
def test_each_mistake_is_named_with_its_place(tmp_path: Path, text: str, code: str, line: int, column: int, field: str,
                                              said: str) -> None:
    problem = next(problem for problem in problems_of(tmp_path, text) if problem.code == code)
    assert (problem.place.line, problem.place.column, problem.field) == (line, column, field)
    assert said in str(problem)
    assert problem.file == str(tmp_path / FILE_NAME)
    assert str(problem).startswith(f"{problem.file}:{line}:{column}")


def test_a_mistake_hides_no_other_and_spares_the_rest(tmp_path: Path) -> None:
    text = "symptoms:\n  dim:\n    sayd: [x]\n    hazards: [fyre]\nchekcs: {}\ncauses:\n  a: {under: fuel}\n"
    problems = problems_of(tmp_path, text)
    assert sorted(problem.code for problem in problems) == ["unknown-key", "unknown-key", "unknown-term"]
    words, _problems = folder_vocabulary(tmp_path)
    assert {"dim"} <= set(words.terms["symptom"])
    assert {"a"} <= set(words.terms["cause"])


@pytest.mark.parametrize(("data", "code"), [(b"symptoms: \xff\n", "encoding"), (b"", None), (b"# nothing yet\n", None)])
def test_odd_files(tmp_path: Path, data: bytes, code: str | None) -> None:
    (tmp_path / FILE_NAME).write_bytes(data)
    words, problems = folder_vocabulary(tmp_path)
    assert [problem.code for problem in problems] == ([code] if code else [])
    assert set(words.terms["symptom"]) == set(WORDS.terms["symptom"])


def test_a_folder_in_the_place_of_the_file(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).mkdir()
    words, problems = folder_vocabulary(tmp_path)
    assert words is WORDS
    assert [problem.file for problem in problems] == [str(tmp_path / FILE_NAME)]


def test_group_and_under_may_both_stand(tmp_path: Path) -> None:
    assert problems_of(tmp_path, "symptoms:\n  dim: {group: light, under: lamp}\n") == []


def test_the_keys_in_use_are_known() -> None:
    """A key that no entry of the package uses, and a key an entry uses but the reader does not know, are both slips."""
    used = {name.text for kind in KINDS for node in entries(kind).values() for name, _value in node.entries}
    assert used == set(_KEYS)
