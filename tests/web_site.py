"""The pages without a network: a browser's requests, and a look at what came back."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from casebase.web.app import make_app
from casebase.web.held import Held

HOST = "127.0.0.1:8017"
ORIGIN = f"http://{HOST}"


def visitor(folder: Path, token: str = "", **headers: str) -> TestClient:
    """A browser on the pages of a folder; it follows no redirect, so that tests see it."""
    app = make_app(Held(folder), frozenset([HOST, "localhost:8017"]), token)
    return TestClient(app, base_url=ORIGIN, headers={"origin": ORIGIN, **headers}, follow_redirects=False,
                      raise_server_exceptions=True)


class Seen(HTMLParser):
    """A page taken apart: its elements with their attributes, the fields of its forms, and all its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.fields: dict[str, str] = {}
        self.words: list[str] = []
        self._area = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, Any]]) -> None:
        named = {name: value or "" for name, value in attrs}
        self.elements.append((tag, named))
        if tag == "input" and "name" in named:
            self.fields[named["name"]] = named.get("value", "")
        if tag == "textarea":
            self._area = named.get("name", named.get("id", ""))
            self.fields[self._area] = ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self.fields[self._area] += data
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def links(self) -> list[str]:
        return [attributes["href"] for attributes in self.all("a") if "href" in attributes]
