"""A page that needs nothing beside it: HTML with its pictures inside, for a screen and paper."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

__all__ = ["Block", "Figure", "Heading", "Notes", "Page", "Table", "Text", "written_page"]


@dataclass(frozen=True, slots=True)
class Heading:
    """A line above what follows."""

    text: str
    """What it says."""
    level: int = 2
    """2 for a part of the page, 3 for a part of that."""


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    text: str
    """What it says."""


@dataclass(frozen=True, slots=True)
class Notes:
    """Sentences one below the other."""

    texts: Sequence[str]
    """What they say."""
    warning: bool = False
    """Whether a reader should not miss them."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table."""

    head: Sequence[str]
    """Names of its columns."""
    rows: Sequence[Sequence[str]]
    """Its cells; those that begin with a digit or a sign stand to the right."""
    caption: str = ""
    """What it shows."""
    strong: Sequence[bool] = ()
    """Which rows stand out; none where it is empty."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture."""

    svg: bytes
    """The picture."""
    caption: str
    """What it shows, also for those who cannot see it."""


Block = Heading | Text | Notes | Table | Figure
"""What a page consists of."""


@dataclass(frozen=True, slots=True)
class Page:
    """A whole page."""

    title: str
    """What stands above."""
    below: str
    """The line below it."""
    blocks: Sequence[Block]
    """What it consists of."""


_STYLE: Final = """
:root{color-scheme:light}
body{font:15px/1.5 system-ui,sans-serif;color:#22313a;background:#fff;max-width:62rem;
margin:2rem auto;padding:0 1.2rem}
h1{font-size:1.7rem;margin:0}
.below{color:#5b6a74;margin:.2rem 0 1.6rem}
h2{font-size:1.25rem;margin:2.2rem 0 .5rem;border-bottom:2px solid #0c6b75;padding-bottom:.2rem}
h3{font-size:1.02rem;margin:1.4rem 0 .3rem}
p{margin:.5rem 0;max-width:48rem}
ul{margin:.5rem 0;padding-left:1.2rem;max-width:48rem}
ul.warning{list-style:none;padding:.5rem .9rem;border-left:4px solid #e8b64c;background:#fdf7e8}
figure{margin:1rem 0}
figure svg{width:100%;height:auto;display:block}
figcaption,caption{font-size:.86rem;color:#5b6a74;text-align:left}
caption{caption-side:bottom;padding-top:.3rem}
.wide{overflow-x:auto}
table{border-collapse:collapse;margin:.8rem 0;font-size:.88rem;font-variant-numeric:tabular-nums}
th,td{padding:.22rem .7rem .22rem 0;text-align:left;vertical-align:top;
border-bottom:1px solid #dfe5e8}
th{font-weight:600;border-bottom:1.5px solid #22313a}
td.n{text-align:right}
tr.strong td{font-weight:600;background:#f1f7f8}
@page{size:A4;margin:16mm 14mm}
@media print{body{font-size:10.5pt;margin:0;max-width:none;padding:0}
h2,h3{break-after:avoid}figure,tr,ul.warning{break-inside:avoid}thead{display:table-header-group}
tr.strong td,ul.warning{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
"""
_NUMBER: Final = re.compile(r"[-+±]{0,2}\d[\d.]*( to [-+]?\d[\d.]*)?$")
_IDS: Final = re.compile(rb'\bid="([^"]+)"')


def written_page(page: Page) -> str:
    """Write a page.

    Parameters
    ----------
    page : Page
        The page.

    Returns
    -------
    str
        One HTML document that loads nothing; the same page gives the same text.
    """
    parts = [_block(block, number) for number, block in enumerate(page.blocks)]
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width">\n'
        f"<title>{_words(page.title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f'<h1>{_words(page.title)}</h1>\n<p class="below">{_words(page.below)}</p>\n'
        + "\n".join(parts)
        + "\n</body>\n</html>\n"
    )


def _words(text: str) -> str:
    """Write words, with the sign of an interval that print has."""
    return escape(text.replace("+-", "±"))


def _block(block: Block, number: int) -> str:
    """Write one part."""
    match block:
        case Heading(text, level):
            return f"<h{level}>{_words(text)}</h{level}>"
        case Text(text):
            return f"<p>{_words(text)}</p>"
        case Notes(texts, warning):
            kind = ' class="warning"' if warning else ""
            return f"<ul{kind}>" + "".join(f"<li>{_words(text)}</li>" for text in texts) + "</ul>"
        case Table():
            return _table(block)
        case Figure(svg, caption):
            inside = _inside(svg, number, caption)
            return f"<figure>{inside}<figcaption>{_words(caption)}</figcaption></figure>"


def _table(table: Table) -> str:
    """Write a table."""
    head = "".join(f'<th scope="col">{_words(name)}</th>' for name in table.head)
    strong = table.strong or [False] * len(table.rows)
    rows = "".join(
        f"<tr{' class=strong' if stands_out else ''}>{''.join(map(_cell, row))}</tr>"
        for row, stands_out in zip(table.rows, strong, strict=True)
    )
    caption = f"<caption>{_words(table.caption)}</caption>" if table.caption else ""
    return (
        f'<div class="wide"><table>{caption}<thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _cell(text: str) -> str:
    """Write a cell, a number to the right."""
    right = ' class="n"' if _NUMBER.match(text) else ""
    return f"<td{right}>{_words(text)}</td>"


def _inside(svg: bytes, number: int, caption: str) -> str:
    """Return a picture as a part of a page, its names made its own."""
    start = svg.index(b"<svg")
    drawn = svg[start:]
    names = sorted(set(_IDS.findall(drawn)), key=len, reverse=True)
    for name in names:
        own = b"f%d-%s" % (number, name)
        drawn = drawn.replace(b'id="' + name + b'"', b'id="' + own + b'"')
        drawn = drawn.replace(b'"#' + name + b'"', b'"#' + own + b'"')
        drawn = drawn.replace(b"url(#" + name + b")", b"url(#" + own + b")")
    labelled = f'<svg role="img" aria-label="{_words(caption)}"'
    return labelled + drawn[len(b"<svg") :].decode()
