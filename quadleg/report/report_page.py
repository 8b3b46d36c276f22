"""The page of a report or a comparison: one HTML file with its pictures inside, that needs nothing else, no script."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import zip_longest

_STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 "DejaVu Sans", "Noto Sans", system-ui, sans-serif; color: #27313d; background: #fff;
  max-width: 66rem; margin: 0 auto; padding: 1rem 1.2rem 4rem; }
h1 { font-size: 1.7rem; line-height: 1.25; margin: .6rem 0 .2rem; }
h2 { font-size: 1.25rem; margin: 2.6rem 0 .3rem; border-top: 1px solid #b9c1ca; padding-top: .8rem; }
p, li { max-width: 46rem; }
.quiet, figcaption { color: #55606d; }
nav ul { list-style: none; padding: 0; display: flex; flex-wrap: wrap; gap: .2rem 1.4rem; }
a { color: #005a8c; }
figure { margin: 1rem 0; overflow-x: auto; }
figure img { width: 100%; min-width: 40rem; height: auto; display: block; }
table { border-collapse: collapse; width: 100%; margin: .8rem 0; }
th, td { text-align: left; vertical-align: top; padding: .3rem .9rem .3rem 0; border-bottom: 1px solid #e2e6ea; }
thead th { border-bottom: 2px solid #b9c1ca; }
td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
.scroll { overflow-x: auto; }
.beside { columns: 26rem; column-gap: 2.5rem; }
.beside > div { break-inside: avoid; }
tr.trouble td:first-child, tr.fault td:first-child { font-weight: bold; }
tr.trouble { background: #fdf6e3; }
tr.fault { background: #fbe9e7; }
.box { border-left: 4px solid #b9c1ca; padding: .1rem 0 .1rem 1rem; margin: 1rem 0; }
q { quotes: "“" "”"; }
code { font-family: "DejaVu Sans Mono", monospace; font-size: .92em; }
.wordy td:nth-last-child(2) { min-width: 11rem; }
@media screen and (max-width: 45rem) {
  .wordy thead { display: none; }
  .wordy tr { display: block; padding: .5rem 0; border-bottom: 1px solid #e2e6ea; }
  .wordy td { display: inline; border: 0; }
  .wordy td:nth-last-child(-n+2) { display: block; }
}
@media print {
  @page { margin: 14mm; }
  body { font-size: 10pt; max-width: none; padding: 0; }
  nav { display: none; }
  figure { overflow: visible; break-inside: avoid; }
  figure img { min-width: 0; }
  section, p { break-inside: avoid; }
  section:has(.wordy) { break-inside: auto; }
  h2, section > p { break-after: avoid; }
  .beside { columns: 2; column-gap: 1.5rem; }
  tr, .box { break-inside: avoid; }
  a { color: inherit; text-decoration: none; }
  tr.trouble, tr.fault { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""


# No script is run, whatever a recording's texts say.
_NOTHING_FROM_ELSEWHERE = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


@dataclass(frozen=True)
class Section:
    """A part of the page: its anchor, its heading, and its HTML."""

    anchor: str
    heading: str
    html: str


def page(title: str, about: str, opening: str, sections: Sequence[Section]) -> str:
    """The whole page; `about` is a line of text below the title, `opening` HTML before the table of contents."""
    contents = "".join(f'<li><a href="#{s.anchor}">{escape(s.heading)}</a></li>' for s in sections)
    parts = "".join(f'<section id="{s.anchor}"><h2>{escape(s.heading)}</h2>\n{s.html}</section>\n' for s in sections)
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_NOTHING_FROM_ELSEWHERE}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style></head>\n<body>\n"
        f'<header><h1>{escape(title)}</h1><p class="quiet">{escape(about)}</p></header>\n'
        f"{opening}\n<nav><ul>{contents}</ul></nav>\n<main>\n{parts}</main>\n</body>\n</html>\n"
    )


def paragraph(text: str) -> str:
    """One paragraph; what stands between ` and ` is code."""
    return f"<p>{marked(text)}</p>\n"


def paragraphs(texts: Iterable[str]) -> str:
    return "".join(map(paragraph, texts))


def box(texts: Iterable[str]) -> str:
    """Paragraphs set apart from the rest; nothing where there are none."""
    inner = paragraphs(texts)
    return f'<div class="box">{inner}</div>\n' if inner else ""


def beside(tables: Iterable[str]) -> str:
    """Tables beside each other, as many as the page is wide."""
    return f'<div class="beside">{"".join(tables)}</div>\n'


def marked(text: str) -> str:
    """Text as HTML; what stands between ` and ` is code."""
    parts = escape(text).split("`")
    return "".join(f"<code>{part}</code>" if number % 2 else part for number, part in enumerate(parts))


def picture(png: bytes, words: str) -> str:
    """A picture within the page; `words` say what it shows to whoever does not see it."""
    return f'<figure><img alt="{escape(words)}" src="data:image/png;base64,{b64encode(png).decode()}"></figure>\n'


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Sequence[int] = (),
    kinds: Sequence[str] = (),
    wordy: bool = False,
) -> str:
    """A table of texts; `numbers` are the columns that are set to the right, `kinds` a class for each row.

    A `wordy` one ends with two columns of sentences, which stand below the others where the screen is narrow.
    """

    def cell(tag: str, column: int, text: str) -> str:
        return f"<{tag}{_class('number' if column in numbers else '')}>{marked(text)}</{tag}>"

    def cells(tag: str, row: Sequence[str]) -> str:
        return "".join(cell(tag, column, text) for column, text in enumerate(row))

    lines = (f"<tr{_class(kind)}>{cells('td', row)}</tr>" for row, kind in zip_longest(rows, kinds, fillvalue=""))
    top = f"<thead><tr>{cells('th', head)}</tr></thead>" if head else ""
    whole = f"<table{_class('wordy' if wordy else '')}>{top}<tbody>{''.join(lines)}</tbody></table>"
    return f'<div class="scroll">{whole}</div>\n'


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""
