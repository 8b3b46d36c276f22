"""The page of a report or a comparison: what stands on it, which `page.html.jinja` sets as one HTML file."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, TypeAlias

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

Row: TypeAlias = Sequence[str]


@dataclass(frozen=True)
class Paragraph:
    """One paragraph; what stands between ` and ` is code, as in every text of a page."""

    kind: ClassVar[str] = "paragraph"
    text: str


@dataclass(frozen=True)
class Box:
    """Paragraphs set apart from the rest."""

    kind: ClassVar[str] = "box"
    texts: Sequence[str]


@dataclass(frozen=True)
class PageTable:
    """A table of texts; `numbers` are the columns set to the right, `kinds` the style of each row, by its name.

    A `wordy` table ends with two columns of sentences, which stand below the others on a narrow screen.
    """

    kind: ClassVar[str] = "table"
    head: Row
    rows: Sequence[Row]
    numbers: Sequence[int] = ()
    kinds: Sequence[str] = ()
    wordy: bool = False


@dataclass(frozen=True)
class TableColumns:
    """Tables beside each other, as many as the page is wide."""

    kind: ClassVar[str] = "columns"
    tables: Sequence[PageTable]


@dataclass(frozen=True)
class PageImage:
    """A picture within the page; `alt` says what it shows to a reader who does not see it."""

    kind: ClassVar[str] = "image"
    png: bytes
    alt: str

    @property
    def base64(self) -> str:
        return b64encode(self.png).decode()


Block: TypeAlias = Paragraph | Box | PageTable | TableColumns | PageImage


@dataclass(frozen=True)
class Section:
    """A part of the page: its anchor, its heading, and what stands in it."""

    anchor: str
    heading: str
    blocks: Sequence[Block]


def page(title: str, about: str, opening: Sequence[str], sections: Sequence[Section]) -> str:
    """Return the whole page as HTML; `about` is a line below the title, `opening` paragraphs before the contents."""
    environment = Environment(
        loader=PackageLoader("quadleg.report", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["with_code"] = _with_code
    template = environment.get_template("page.html.jinja")
    return template.render(title=title, about=about, opening=opening, sections=sections).lstrip() + "\n"


def _with_code(text: str) -> Markup:
    """Return a text as HTML in which what stands between ` and ` is code."""
    parts = text.split("`")
    return Markup("").join(Markup("<code>{}</code>").format(p) if k % 2 else escape(p) for k, p in enumerate(parts))
