"""A page that leaves the shop: headed blocks of lines, as plain text, Markdown or HTML. One look for all of them."""

from __future__ import annotations

import html
import re
import textwrap
from typing import Literal, NamedTuple

from casebase.problems import visible

Form = Literal["text", "markdown", "html"]
FORMS: tuple[Form, ...] = ("text", "markdown", "html")
WIDTH = 78

# What Markdown would take for its own in a person's words.
_SPECIAL = re.compile(r"[\\`*_<>|~]|(?<=\])\(|^(?=\s*(?:[#+-]|\d+[.)]))|&(?=\S+;)")


class Block(NamedTuple):
    """Lines under a heading ("" for none): running text, a list, or numbered steps."""

    heading: str
    lines: tuple[str, ...]
    kind: Literal["text", "list", "steps"] = "text"


class Page(NamedTuple):
    """A title and its blocks; a block without lines is not shown."""

    title: str
    blocks: tuple[Block, ...]

    @property
    def filled(self) -> tuple[Block, ...]:
        return tuple(block for block in self.blocks if block.lines)


def render(page: Page, form: Form) -> str:
    return {"text": to_text, "markdown": to_markdown, "html": to_html}[form](page)


def to_text(page: Page, width: int = WIDTH) -> str:
    """Plain text of at most `width` columns; 0 leaves every line whole."""
    parts = [page.title] if page.title else []
    for block in page.filled:
        lines = [block.heading] if block.heading else []
        for number, line in enumerate(block.lines, 1):
            mark = {"text": "", "list": "- ", "steps": f"{number}. "}[block.kind]
            lines += textwrap.wrap(mark + line, width or len(mark + line) + 1, subsequent_indent=" " * len(mark), break_on_hyphens=False,
                                   break_long_words=False)
        parts.append("\n".join(lines))
    return "\n\n".join(parts) + "\n"


def to_markdown(page: Page) -> str:
    """CommonMark; nothing in a person's words can become markup."""
    parts = [f"# {escaped(page.title)}"] if page.title else []
    for block in page.filled:
        lines = [f"## {escaped(block.heading)}\n"] if block.heading else []
        for number, line in enumerate(block.lines, 1):
            mark = {"text": "", "list": "- ", "steps": f"{number}. "}[block.kind]
            lines.append(mark + escaped(line) + ("\n" if block.kind == "text" else ""))
        parts.append("\n".join(lines).rstrip())
    return "\n\n".join(parts) + "\n"


def escaped(text: str) -> str:
    """Words as Markdown that shows just these words."""
    return _SPECIAL.sub(lambda found: "\\" + found[0], " ".join(text.split()))


def to_html(page: Page) -> str:
    """A whole HTML page that asks for nothing else; made to be printed on one sheet."""
    from markdown_it import MarkdownIt

    body = MarkdownIt("commonmark", {"html": False}).render(to_markdown(page))
    return (f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
            f'<meta name="viewport" content="width=device-width">\n<title>{html.escape(page.title or "Answer")}</title>\n'
            f"<style>{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n")


def story_html(text: str) -> str:
    """What a case tells, as a piece of HTML that runs nothing and fetches nothing.

    Markup stays text, pictures too; only addresses of the web are links, and headings begin at the third level.
    """
    from markdown_it import MarkdownIt

    reader = MarkdownIt("js-default", {"html": False, "linkify": False, "typographer": False}).disable("image")
    reader.validateLink = lambda url: url.lower().startswith(("http://", "https://"))  # type: ignore[method-assign]
    parts = reader.parse(visible(text, keep_newlines=True))
    for part in parts:
        if part.type in ("heading_open", "heading_close"):
            part.tag = f"h{min(6, int(part.tag[1]) + 2)}"
    return str(reader.renderer.render(parts, reader.options, {}))


STYLE = """
body { font: 11pt/1.45 "Charter", "Georgia", serif; max-width: 44em; margin: 2em auto; padding: 0 1em;
  color: #1b1b18; background: #fffdf8 }
h1 { font-size: 1.5em; margin: 0 0 .6em; border-bottom: 3px solid #1b1b18; padding-bottom: .2em }
h2 { font-size: 1em; margin: 1.1em 0 .2em; letter-spacing: .02em }
p, ul, ol { margin: .2em 0 .5em } li { margin: .15em 0 }
@page { margin: 14mm } @media print { body { margin: 0; padding: 0; background: none; font-size: 10pt } h2 { break-after: avoid } }
@media (prefers-color-scheme: dark) and (not print) { body { background: #1c1b18; color: #f0ede4 } h1 { border-color: #f0ede4 } }
"""
