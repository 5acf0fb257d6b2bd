"""How a table is laid out: what stands between its cells, its decimal sign, its header."""

import csv
import re
from collections import Counter
from dataclasses import dataclass
from typing import Final

from service.storage.log_stamps import is_stamp

__all__ = ["TableLayout", "layout_of", "split_text"]

_DELIMITERS: Final = (";", "\t", "|", ",", " ")
_NUMBER: Final = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?\s*(°|[A-Za-z%/]){0,6}\Z")
_UNIT_CELL: Final = re.compile(
    r"[\[(]?\s*(°?[CFK]|deg ?[CF]|[mk]?W|rpm|1/min|m?s|min|h|dB\(?A?\)?|%|V|A|[MG]?Hz|-)\s*[\])]?\Z"
)
_LINES: Final = 400


@dataclass(frozen=True, slots=True)
class TableLayout:
    """The layout of a table."""

    delimiter: str
    """What stands between cells; a blank stands for any number of them."""
    decimal: str
    """``.`` or ``,``."""
    names: tuple[str, ...]
    """Name of each column as it stands there; "column 1" and so on without a header."""
    units: tuple[str, ...]
    """Unit of each column from a line of units; empty where there is none."""
    named: int
    """How many cells the line above the rows has; 0 where there is none."""
    header: str
    """The header as it stands there; empty without one."""
    first_line: int
    """Line of the first row, counted from 1."""
    samples: tuple[tuple[str, ...], ...]
    """Some rows."""


def split_text(line: str, delimiter: str) -> list[str]:
    """Cut one line into cells without blanks and quotes around them."""
    if delimiter == " ":
        return line.split()
    # A damaged line may hold line ends and zeros, at which the reader stops.
    plain = line.replace("\r", " ").replace("\n", " ").replace("\0", " ")
    try:
        cells = next(csv.reader([plain], delimiter=delimiter), [])
    except csv.Error:
        cells = plain.split(delimiter)
    return [cell.strip().strip('"').strip() for cell in cells]


def _is_value(cell: str) -> bool:
    """Whether a cell is a number or a time."""
    return bool(_NUMBER.match(cell)) or is_stamp(cell)


def _share_of_values(cells: list[str]) -> float:
    """Share of the cells with something in them that are values."""
    there = [cell for cell in cells if cell]
    return sum(map(_is_value, there)) / len(there) if there else 0.0


def layout_of(text: str) -> TableLayout | None:
    """Recognise the layout of a table by its first lines.

    Parameters
    ----------
    text : str
        Begin of the table, whole lines.

    Returns
    -------
    TableLayout or None
        Its layout; None where it is no table of numbers with two columns and more.
    """
    lines = text.splitlines()[:_LINES]
    best: tuple[float, str, int] | None = None
    for delimiter in _DELIMITERS:
        split = [split_text(line, delimiter) for line in lines if line.strip()]
        values = [cells for cells in split if len(cells) > 1 and _share_of_values(cells) > 0.5]
        if not values:
            continue
        count, often = Counter(len(cells) for cells in values).most_common(1)[0]
        alike = [cells for cells in values if len(cells) == count]
        share = sum(map(_share_of_values, alike)) / len(alike) * often / len(split)
        if best is None or share > best[0] + 0.02:
            best = (share, delimiter, count)
    if best is None:
        return None
    return _with_header(lines, best[1], best[2])


def _with_header(lines: list[str], delimiter: str, count: int) -> TableLayout:
    """Find the header and the decimal sign."""
    split = [split_text(line, delimiter) for line in lines]
    first = next(
        place
        for place, cells in enumerate(split)
        if len(cells) == count and _share_of_values(cells) > 0.5
    )
    above = [place for place in range(first) if lines[place].strip(" \t;,|\r")]
    texts = [place for place in above[-3:] if abs(len(split[place]) - count) <= 1]
    begin = texts[-1] + 1 if texts else first
    units: list[str] = []
    if len(texts) > 1 and sum(bool(_UNIT_CELL.match(c)) for c in split[texts[-1]] if c) * 2 >= len(
        [cell for cell in split[texts[-1]] if cell]
    ):
        units = split[texts.pop()]
    names = split[texts[-1]] if texts and texts[-1] >= above[-1] - 1 else []
    header = lines[texts[-1]] if names else ""
    if header.startswith("#"):
        names[0] = names[0].lstrip("# ")
    names = [*names, *[""] * count][:count]
    rows = [cells for cells in split[first:] if len(cells) == count]
    pointed = Counter(
        cell[found.start(1)]
        for cells in rows
        for cell in cells
        if (found := _NUMBER.match(cell)) and found.start(1) >= 0
    )
    return TableLayout(
        delimiter=delimiter,
        decimal="," if pointed[","] > pointed["."] else ".",
        names=tuple(name or f"column {place}" for place, name in enumerate(names, 1)),
        units=tuple([*(unit.strip("[]() ") for unit in units), *[""] * count][:count]),
        named=len(split[above[-1]]) if above else 0,
        header=header.strip(),
        first_line=begin + 1,
        samples=tuple(map(tuple, rows)),
    )
