"""A page of HTML read strictly."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

VOID = {"meta", "img", "br", "hr", "link", "input"}  # elements without an end, HTML Living Standard 13.1.2


class StrictPage(HTMLParser):
    """A page read strictly: every element is closed in its order."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self.feed(path.read_text(encoding="utf-8"))
        self.close()
        assert not self.open

    def handle_starttag(self, tag, attrs) -> None:
        self.elements.append((tag, {key: value or "" for key, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        if "style" not in self.open:
            self.text += data

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]
