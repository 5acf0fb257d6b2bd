"""The cells of a delimited table, many rows at once.

A week of ten rows a second is six million rows. Python needs minutes to split them one by one;
here a block of text is cut by the places of its delimiters, and a column of numbers is read digit
by digit, all rows in step.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples

__all__ = ["Cells", "OddLine", "numbers_in", "split_lines"]

_Places = npt.NDArray[np.int64]

_NEWLINE: Final = 10
_QUOTE: Final = 34
_BLANKS: Final = (9, 13, 32, _QUOTE)
_LONGEST: Final = 18
"""Digits that an integer of 64 bits holds."""
_PADDING: Final = bytes(64)
_LOOSE: Final = re.compile(
    r"\s*([+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*(?:°|[A-Za-z%/]|\xb0)*\s*\Z"
)
"""A number with its unit behind it."""


@dataclass(frozen=True, slots=True)
class OddLine:
    """A line with another number of cells than the table has columns."""

    line: int
    """Its number, counted from 1."""
    text: bytes
    """What it says, without its end."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Rows of a table as places in its text."""

    data: npt.NDArray[np.uint8]
    """The text, with some more behind it."""
    starts: _Places
    """Where each cell begins, shape ``(columns, rows)``."""
    ends: _Places
    """Where it ends, blanks and quotes left out, same shape."""
    lines: npt.NDArray[np.int32]
    """Line of each row, counted from 1."""

    def text(self, column: int, row: int) -> str:
        """Return one cell."""
        part = self.data[self.starts[column, row] : self.ends[column, row]]
        return part.tobytes().decode("utf-8", errors="replace")

    def of_rows(self, rows: _Places) -> "Cells":
        """Return some of the rows."""
        return Cells(self.data, self.starts[:, rows], self.ends[:, rows], self.lines[rows])


def split_lines(
    block: bytes, delimiter: bytes, columns: int, first_line: int
) -> tuple[Cells, list[OddLine]]:
    """Cut whole lines into cells.

    Parameters
    ----------
    block : bytes
        Whole lines, the last one with its end.
    delimiter : bytes
        One byte; a blank stands for any number of them.
    columns : int
        How many cells a row has.
    first_line : int
        Number of the first line.

    Returns
    -------
    tuple of Cells and list of OddLine
        The rows, and the lines that are none; empty lines are left out.
    """
    if delimiter == b" ":
        block = re.sub(rb"[ \t]*(\r?\n)", rb"\1", re.sub(rb"[ \t]+", b" ", block))
        block = re.sub(rb"(?m)^ ", b"", block)
    data = np.frombuffer(block + _PADDING, dtype=np.uint8)
    text = data[: len(block)]
    line_ends = np.flatnonzero(text == _NEWLINE)
    marks = np.flatnonzero(text == delimiter[0])
    if b'"' in block:
        marks = _outside_quotes(text, marks, line_ends)
    of_line = np.searchsorted(line_ends, marks)
    regular = np.bincount(of_line, minlength=line_ends.size) == columns - 1
    line_starts = np.concatenate([[0], line_ends[:-1] + 1])
    inner = marks[regular[of_line]].reshape(-1, columns - 1).T
    starts = np.vstack([line_starts[regular][None], inner + 1])
    ends = np.vstack([inner, line_ends[regular][None]])
    odd = [
        OddLine(first_line + int(number), line)
        for number in np.flatnonzero(~regular).tolist()
        if (line := block[line_starts[number] : line_ends[number]].strip())
    ]
    lines = (first_line + np.flatnonzero(regular)).astype(np.int32)
    if columns == 1:
        there = ends[0] > starts[0]
        starts, ends, lines = starts[:, there], ends[:, there], lines[there]
    return Cells(data, starts, ends, lines), odd


def _outside_quotes(text: npt.NDArray[np.uint8], marks: _Places, line_ends: _Places) -> _Places:
    """Leave out delimiters within quotes; a line with an odd number of quotes has none."""
    quotes = np.flatnonzero(text == _QUOTE)
    of_line = np.searchsorted(line_ends, quotes)
    paired = np.bincount(of_line, minlength=line_ends.size) % 2 == 0
    quotes = quotes[paired[of_line]]
    return np.asarray(marks[np.searchsorted(quotes, marks) % 2 == 0])


def _trimmed(cells: Cells, column: int) -> tuple[_Places, _Places]:
    """Begin and end of the cells of a column without blanks and quotes around them."""
    starts, ends = cells.starts[column].copy(), cells.ends[column].copy()
    for _ in range(8):
        blank = (starts < ends) & np.isin(cells.data[starts], _BLANKS)
        if not np.any(blank):
            break
        starts += blank
    for _ in range(8):
        blank = (starts < ends) & np.isin(cells.data[ends - 1], _BLANKS)
        if not np.any(blank):
            break
        ends -= blank
    return starts, ends


def trimmed_cells(cells: Cells, columns: Sequence[int]) -> Cells:
    """Return the cells of some columns without blanks and quotes around them."""
    parts = [_trimmed(cells, column) for column in columns]
    return Cells(
        cells.data,
        np.array([starts for starts, _ in parts]),
        np.array([ends for _, ends in parts]),
        cells.lines,
    )


def numbers_in(cells: Cells, column: int, decimal: str) -> tuple[Samples, npt.NDArray[np.bool_]]:
    """Read a column of numbers.

    Parameters
    ----------
    cells : Cells
        Trimmed cells.
    column : int
        Which column.
    decimal : str
        ``.`` or ``,``.

    Returns
    -------
    tuple of two ndarrays of shape (rows,)
        The numbers, NaN where there is none, and whether something else stands there.
    """
    starts, lengths = cells.starts[column], cells.ends[column] - cells.starts[column]
    width = int(min(lengths.max(initial=0), _LONGEST + 2))
    mantissa = np.zeros(starts.size, dtype=np.int64)
    behind = np.zeros(starts.size, dtype=np.int8)
    digits = np.zeros(starts.size, dtype=np.int8)
    pointed = np.zeros(starts.size, dtype=bool)
    bad = lengths > _LONGEST
    first = cells.data[starts]
    negative = first == ord("-")
    signed = negative | (first == ord("+"))
    for place in range(width):
        character = cells.data[starts + place]
        inside = place < lengths
        digit = character - np.uint8(48)
        is_digit = inside & (digit < 10)
        mantissa = np.where(is_digit, mantissa * 10 + digit, mantissa)
        digits += is_digit
        behind += is_digit & pointed
        is_point = inside & (character == ord(decimal)) & ~pointed
        pointed |= is_point
        other = inside & ~is_digit & ~is_point
        bad |= other & ~signed if place == 0 else other
    values = mantissa / 10.0 ** behind.astype(np.float64)
    values = np.where(negative, -values, values)
    empty = lengths <= 0
    bad |= (digits == 0) & ~empty
    values[bad | empty] = np.nan
    for row in np.flatnonzero(bad).tolist():
        values[row] = _loose_number(cells.text(column, row), decimal)
    return values, np.asarray(bad & np.isnan(values))


def _loose_number(text: str, decimal: str) -> float:
    """Read a number with an exponent or with its unit; NaN where there is none."""
    found = _LOOSE.match(text)
    if found is None or (found[1].count(",") and decimal == "."):
        return float("nan")
    return float(found[1].replace(",", "."))
