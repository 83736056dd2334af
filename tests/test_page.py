"""Pages that leave the shop: the same words in every form, and a person's words never become markup."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from casebase.reuse.page import FORMS, WIDTH, Block, Page, escaped, render, to_html, to_markdown, to_text

SAMPLE = Page("Job 26-001", (
    Block("", ("Some running text. " * 8,)), Block("Found", ("a split line", "wet plug"), "list"),
    Block("Look", ("first this", "then that"), "steps"), Block("Nothing here", ()),
))


class Words(HTMLParser):
    """The visible words of a page and its tags."""

    def __init__(self) -> None:
        super().__init__()
        self.words, self.tags, self.hidden = "", [], 0

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)
        self.hidden += tag in ("style", "title")

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in ("style", "title")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.words += data


def read(page: str) -> Words:
    words = Words()
    words.feed(page)
    return words


@pytest.mark.parametrize("form", FORMS)
def test_every_form_holds_the_same_words_in_the_same_order(form: str) -> None:
    text = render(SAMPLE, form)  # type: ignore[arg-type]
    told = read(text).words if form == "html" else text
    places = [told.index(word) for word in ("Job 26-001", "running", "split", "wet plug", "first this", "then that")]
    assert places == sorted(places) and "Nothing here" not in told


def test_plain_text_is_wrapped_and_steps_are_numbered() -> None:
    text = to_text(SAMPLE)
    assert max(map(len, text.splitlines())) <= WIDTH
    assert "1. first this" in text and "2. then that" in text and "- wet plug" in text


def test_html_asks_for_nothing_else() -> None:
    page = to_html(SAMPLE)
    assert not re.search(r"src=|href=|url\(|@import|<script", page)


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=60))
def test_words_never_become_markup(text: str) -> None:
    """CommonMark (0.31, through markdown-it) shows exactly the words, as one paragraph without any other tag."""
    words = " ".join(text.split())
    if not words:
        return
    shown = read(MarkdownIt("commonmark", {"html": False}).render(f"- {escaped(text)}"))
    assert set(shown.tags) <= {"ul", "li"}
    assert " ".join(shown.words.split()) == words


def test_markdown_of_a_hostile_line() -> None:
    page = to_html(Page("<b>x</b>", (Block("# *h*", ("<script>alert(1)</script>", "1. [a](javascript:b)", "&lt;"), "list"),)))
    assert set(read(page).tags) == {"html", "head", "meta", "title", "style", "body", "h1", "h2", "ul", "li"}
    assert "1. [a](javascript:b)" in read(page).words and "&lt;" in read(page).words
    assert to_markdown(Page("", (Block("", ("plain words [24-009]",)),))) == "plain words [24-009]\n"
