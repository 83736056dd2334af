"""YAML text to a tree of plain text with exact places, refusing what would hide something."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import yaml
from helpers import spots, within
from hypothesis import given
from hypothesis import settings as run
from hypothesis import strategies as st

from casebase.problems import Place, Problem
from casebase.record import yamltree
from casebase.record.yamltree import MAX_DEPTH, Items, Mapping, Node, Scalar, parse


def tree(text: str) -> Node:
    node, problems = parse(text)
    assert node is not None, problems
    assert problems == []
    return node


def mapping(text: str) -> Mapping:
    node = tree(text)
    assert isinstance(node, Mapping)
    return node


def only_problem(text: str, first_line: int = 1) -> Problem:
    node, problems = parse(text, first_line=first_line)
    assert node is None
    assert len(problems) == 1, problems
    return problems[0]


def nodes(node: Node) -> Iterator[Node]:
    yield node
    if isinstance(node, Items):
        for item in node.items:
            yield from nodes(item)
    elif isinstance(node, Mapping):
        for name, value in node.entries:
            yield name
            yield from nodes(value)


@pytest.mark.parametrize(
    "typed",
    [
        "no", "on", "yes", "012", "0x1F", "0o17", "12:30", "1.10", "1e3", "~", "null", "true", ".inf", "=", "9" * 5000,
        "2026-02-31", "2026-04-18", "7/8 turn", "1_000", "<<",
    ],
)  # fmt: skip
def test_a_value_stays_the_text_that_was_typed(typed: str) -> None:
    value = mapping(f"key: {typed}").get("key")
    assert isinstance(value, Scalar)
    assert value.text == typed
    assert not value.quoted


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ("'no'", "no"),
        ('"a: b"', "a: b"),
        ('"\\u0007"', "\x07"),
        ("'it''s'", "it's"),
        ("|\n  a\n  b", "a\nb"),
        (">\n  a\n  b", "a b"),
    ],
)
def test_quoted_and_block_texts_are_marked_as_such(written: str, text: str) -> None:
    value = mapping(f"key: {written}").get("key")
    assert isinstance(value, Scalar)
    assert (value.text, value.quoted) == (text, True)


def test_every_node_knows_its_line_column_and_span() -> None:
    text = "é: ünd\nb:\n  - [x, \"ö\"]\n  - {k: 'v'}\n"
    root = tree(text)
    found = [(text[node.start : node.end], node.place) for node in nodes(root) if isinstance(node, Scalar)]
    assert found == [
        ("é", Place(1, 1)),
        ("ünd", Place(1, 4)),
        ("b", Place(2, 1)),
        ("x", Place(3, 6)),
        ('"ö"', Place(3, 9)),
        ("k", Place(4, 6)),
        ("'v'", Place(4, 9)),
    ]
    groups = [node for node in nodes(root) if not isinstance(node, Scalar)]
    assert [node.place for node in groups] == [Place(1, 1), Place(3, 3), Place(3, 5), Place(4, 5)]
    assert [text[node.start : node.end] for node in groups[2:]] == ['[x, "ö"]', "{k: 'v'}"]


def test_places_count_from_the_line_the_text_starts_on() -> None:
    node, _problems = parse("a: b\nc: d", first_line=10)
    assert isinstance(node, Mapping)
    assert [name.place for name, _value in node.entries] == [Place(10, 1), Place(11, 1)]
    assert only_problem("a: b\nc: *d", first_line=10).place == Place(11, 4)


def test_get_finds_a_value_by_its_key() -> None:
    found = mapping("a: 1\nb: 2").get("b")
    assert isinstance(found, Scalar)
    assert found.text == "2"
    assert mapping("a: 1").get("c") is None


@pytest.mark.parametrize("text", ["", "\n\n", "# only a remark\n"])
def test_no_text_is_no_tree_and_no_problem(text: str) -> None:
    assert parse(text) == (None, [])


REFUSED = [
    ("a: &x b", "yaml-alias", 1, 4, "put the text in quotes"),
    ("a: b\nc: *x", "yaml-alias", 2, 4, "write the value out"),
    ("a: &x [b]\nc: *x", "yaml-alias", 1, 4, "remove it"),
    ("a: &x [*x]", "yaml-alias", 1, 4, "remove it"),
    ("<<: *x", "yaml-alias", 1, 5, "write the value out"),
    ("a: !!python/object:os.system b", "yaml-tag", 1, 4, "knows the type"),
    ("a: !!int 7", "yaml-tag", 1, 4, "knows the type"),
    ("a: !mine {b: c}", "yaml-tag", 1, 4, "knows the type"),
    ("? [a, b]\n: c", "yaml-key", 1, 3, "single word or phrase"),
    ("? {a: b}\n: c", "yaml-key", 1, 3, "single word or phrase"),
    ("a: b\n--- c", "yaml-documents", 2, 1, "one block"),
    ("a: " + "[" * 17 + "]" * 17, "yaml-depth", 1, 20, "flatten"),
    ("{a: " * 100_000, "yaml-depth", 1, 66, "flatten"),
    ("a: b: c", "yaml", 1, 5, "must stand in quotes"),
    ("title:Saw dies\ndate: x", "yaml", 1, 6, "space after the colon"),
    ("a: b\ntitle:dies", "yaml", 2, 1, "space after the colon"),
    ("a: b\n\tc: d", "yaml", 2, 1, "spaces, not tabs"),
    ("a:\n\t- d", "yaml", 2, 1, "spaces, not tabs"),
    ('a: b\nc: "d\ne: f\n', "yaml", 2, 4, "quotation mark is not closed"),
    ("a: b\nc: 'd\ne: f\n", "yaml", 2, 4, "quotation mark is not closed"),
    ('c: "d\n---\n', "yaml", 1, 4, "quotation mark is not closed"),
    ("a: [b, c\nd: e\n", "yaml", 1, 4, "bracket or comma"),
    ("a: [b, c\n", "yaml", 1, 4, "bracket or comma"),
    ("a: {b: c\nd: e\n", "yaml", 1, 4, "bracket or comma"),
    ('a: [b,\n  "c" d]\n', "yaml", 2, 7, "bracket or comma"),
    ("a: @b", "yaml", 1, 4, "special character"),
    ("a: %b", "yaml", 1, 4, "special character"),
    ("a: `b", "yaml", 1, 4, "special character"),
    ("a: b\n...\nc: d", "yaml", 3, 1, "remove the line that begins with ..."),
    ("a: b\n- c", "yaml", 2, 1, "check indentation"),
    ("a: 'it's'", "yaml", 1, 8, "check indentation"),
    ("a: é\nbé\x07: c", "yaml", 2, 3, "remove it"),
    ("a: \x7f", "yaml", 1, 4, "remove it"),
    ("a: b\x00", "yaml", 1, 5, "remove it"),
    ("a: \ufffe", "yaml", 1, 4, "remove it"),
]


@pytest.mark.parametrize(("text", "code", "line", "column", "hint"), REFUSED)
def test_what_would_hide_something_is_refused_with_place_and_remedy(
    text: str, code: str, line: int, column: int, hint: str
) -> None:
    with within(10):
        problem = only_problem(text)
    assert (problem.code, problem.place) == (code, Place(line, column))
    assert hint in problem.hint


def test_a_character_yaml_does_not_allow_is_named_by_its_number() -> None:
    assert "U+0007" in only_problem("a: \x07").message


def test_nesting_is_allowed_to_its_limit() -> None:
    assert tree("[" * MAX_DEPTH + "]" * MAX_DEPTH)
    assert only_problem("[" * (MAX_DEPTH + 2) + "]" * (MAX_DEPTH + 2)).code == "yaml-depth"


@pytest.mark.parametrize("depth", [18, 900, 1_100, 100_000])
def test_any_depth_is_refused_at_once(depth: int) -> None:
    with within(2):
        assert only_problem("a: " + "[" * depth).hint == "flatten it"


def test_an_alias_bomb_is_refused_before_it_grows() -> None:
    bomb = "a0: &a0 [x]\n" + "".join(f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]\n" for n in range(1, 20))
    with within(2):
        assert only_problem(bomb).place == Place(1, 5)


def test_a_merge_key_is_an_ordinary_key() -> None:
    assert [name.text for name, _value in mapping("<<: {a: b}").entries] == ["<<"]


def test_a_repeated_key_is_named_and_the_rest_still_read() -> None:
    node, problems = parse("a: 1\nb: {c: 1, c: 2}\na: [x]\nd: 3\na: 4")
    assert isinstance(node, Mapping)
    assert [name.text for name, _value in node.entries] == ["a", "b", "d"]
    first = node.get("a")
    assert isinstance(first, Scalar)
    assert first.text == "1"
    assert spots(problems) == [("duplicate-key", 2, 11), ("duplicate-key", 3, 1), ("duplicate-key", 5, 1)]
    assert [problem.field for problem in problems] == ["c", "a", "a"]
    assert "(first at line 1)" in problems[1].message
    assert problems[1].hint == "keep one of the two"


def test_what_was_found_before_the_text_breaks_is_kept() -> None:
    _node, problems = parse("a: 1\na: 2\nb: *x")
    assert spots(problems) == [("duplicate-key", 2, 1), ("yaml-alias", 3, 4)]


def test_the_slower_parser_gives_the_same_tree(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "a: [b, {c: 'd'}]\ne:\n  - f\n"
    quick = tree(text)
    monkeypatch.setattr(yamltree, "_Loader", yaml.SafeLoader)
    assert tree(text) == quick
    with within(10):
        for text, code, _line, _column, _hint in REFUSED:
            assert [problem.code for problem in parse(text)[1]] == [code], text


CHUNKS = st.sampled_from(
    [
        "a", ": ", ":", "- ", "\n", "  ", "[", "]", "{", "}", ",", "'", '"', "&a ", "*a", "!t ", "? ", "|", ">", "#",
        "%", "---", "...", "\t", "é", "\x07", "\\", "\ufeff", "<<", "@", "`", "~",
    ]
)  # fmt: skip


@run(max_examples=300)
@given(st.lists(CHUNKS, max_size=25).map("".join) | st.text(max_size=40))
def test_no_text_makes_the_parser_raise_and_every_problem_has_a_place_in_it(text: str) -> None:
    with within(10):
        node, problems = parse(text.encode(errors="replace").decode())
    lines = text.count("\n") + text.count("\r") + text.count("\x85") + text.count("\u2028") + text.count("\u2029") + 1
    assert all(1 <= problem.place.line <= lines + 1 and problem.place.column >= 1 for problem in problems)
    assert all(problem.hint for problem in problems)
    assert node is None or all(node.place.line >= 1 for node in nodes(node))
