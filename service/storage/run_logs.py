"""Logs of thermal runs: any table of text with a time column, of any length, in any state.

What is damaged is mended where it is clear what was meant, and said; what is not clear is refused
with its line.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples
from service.errors import DocumentError
from service.storage.log_cells import Cells, OddLine, numbers_in, split_lines, trimmed_cells
from service.storage.log_columns import ColumnUse, LogColumns, columns_of
from service.storage.log_layout import TableLayout, split_text
from service.storage.log_repairs import TimeGoesBack, repair_times
from service.storage.log_stamps import day_comes_first, stamps_in
from service.storage.log_texts import read_layout, text_blocks

__all__ = ["ReadLog", "read_run_log"]

_MOST_ODD: Final = 0.05
"""A table with more lines that are no rows is refused."""
_MOST_TEXT: Final = 0.5
_MOST_HEADERS: Final = 1000


@dataclass(frozen=True, slots=True, eq=False)
class ReadLog:
    """What was read of a log; all arrays of shape ``(rows,)``."""

    time_s: Samples
    """Seconds since 1970 if `dated`, else since whenever; rising."""
    dated: bool
    """Whether the time is one of a calendar."""
    columns: Mapping[str, Samples]
    """Values by the names that a run's log has them under; NaN where one is missing."""
    used: LogColumns
    """Which column was taken for what."""
    remarks: tuple[str, ...]
    """What was mended or left out, as parts of sentences."""


def read_run_log(path: Path, said: Mapping[str, str]) -> ReadLog:
    """Read a log.

    Parameters
    ----------
    path : Path
        The log.
    said : mapping of str to str
        Which columns a person says are what, as for `columns_of`.

    Returns
    -------
    ReadLog
        What is in it.

    Raises
    ------
    DocumentError
        If it cannot be read or is damaged beyond mending.
    SettingsError
        If what was said fits no column.
    """
    layout = read_layout(path)
    used = columns_of(layout, said)
    if not used.time:
        raise DocumentError(
            f"The log {path} has no time column that can be told; name it with --column time=NAME. "
            f"Its columns are {', '.join(layout.names)}."
        )
    reading = _Reading(path, layout, used)
    try:
        with path.open("rb") as file:
            for block, first_line in text_blocks(file, layout.first_line):
                reading.add(block, first_line)
    except OSError as error:
        raise DocumentError(f"The log {path} cannot be read: {error.strerror or error}.") from error
    return reading.finished()


@dataclass(slots=True)
class _Reading:
    """A log while it is read."""

    path: Path
    layout: TableLayout
    used: LogColumns
    times: list[Samples] = field(default_factory=list)
    values: dict[str, list[Samples]] = field(default_factory=dict)
    lines: list[npt.NDArray[np.int32]] = field(default_factory=list)
    odd: list[OddLine] = field(default_factory=list)
    texts: dict[str, list[tuple[int, str]]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    dated: bool = False
    local: bool = False
    mended: bool = False

    def _wanted(self) -> dict[str, tuple[ColumnUse, ...]]:
        """Columns by the names that a run's log has them under."""
        wanted = {
            "processor_c": self.used.processor,
            "ambient_c": self.used.ambient,
            "power_w": self.used.power,
            "level_db": self.used.level,
        }
        for role in ("fan", "pump"):
            for number, each in enumerate(getattr(self.used, role), 1):
                wanted[f"rpm {role}" + (f" {number}" if number > 1 else "")] = (each,)
        return {name: uses for name, uses in wanted.items() if uses}

    def add(self, block: bytes, first_line: int) -> None:
        """Read some more lines."""
        cells, odd = split_lines(
            block, self.layout.delimiter.encode(), len(self.layout.names), first_line
        )
        self._read(cells)
        for line in odd:
            self._add_odd(line)

    def _add_odd(self, line: OddLine) -> None:
        """Read a line that is no row, if another delimiter makes it one."""
        text = line.text.decode("utf-8", errors="replace")
        if text.startswith("#") or text.strip() == self.layout.header:
            return
        columns = len(self.layout.names)
        for delimiter in (";", "\t", "|", ","):
            cells = split_text(text, delimiter)
            if delimiter != self.layout.delimiter and len(cells) == columns:
                row = "\x1f".join(cells) + "\n"
                again, _ = split_lines(row.encode(), b"\x1f", columns, line.line)
                self._read(again)
                self.mended = True
                self.counts["delimiter"] = self.counts.get("delimiter", 0) + 1
                self.texts.setdefault("delimiter", [(line.line, text)])
                return
        self.odd.append(line)

    def _read(self, cells: Cells) -> None:
        """Read the columns that are used."""
        if not cells.lines.size:
            return
        wanted = self._wanted()
        places = sorted({e.place for uses in (self.used.time, *wanted.values()) for e in uses})
        trimmed = trimmed_cells(cells, places)
        times = self._times(trimmed, places)
        again = self._headers_among(cells, np.flatnonzero(np.isnan(times)))
        if again.size:
            kept = np.delete(np.arange(times.size), again)
            times = times[kept]
            cells, trimmed = cells.of_rows(kept), trimmed.of_rows(kept)
        self.lines.append(cells.lines)
        self.times.append(times)
        for name, uses in wanted.items():
            total = np.zeros(cells.lines.size)
            for use in uses:
                values = self._numbers(trimmed, places.index(use.place), use)
                total = total + (values * use.factor + use.offset)
            self.values.setdefault(name, []).append(total)

    def _headers_among(self, cells: Cells, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Rows that repeat the header."""
        again = []
        for row in rows[:_MOST_HEADERS].tolist():
            text = cells.data[cells.starts[0, row] : cells.ends[-1, row]].tobytes()
            line = text.decode("utf-8", errors="replace").strip()
            words = [cell for cell in split_text(line, self.layout.delimiter) if cell]
            if line == self.layout.header:
                again.append(row)
                self.counts["header"] = self.counts.get("header", 0) + 1
                self.texts.setdefault("header", [(int(cells.lines[row]), line)])
            elif self.layout.header and len(words) > 1 and set(words) <= set(self.layout.names):
                raise DocumentError(
                    f"Line {cells.lines[row]} of {self.path} is another header, {line[:60]!r}, so "
                    "the columns change there; split the log there."
                )
        return np.array(again, dtype=np.int64)

    def _numbers(self, cells: Cells, column: int, use: ColumnUse) -> Samples:
        """Read a column of numbers and remember what is none."""
        values, text = numbers_in(cells, column, self.layout.decimal)
        rows = np.flatnonzero(text)
        if rows.size:
            self.counts[use.name] = self.counts.get(use.name, 0) + int(rows.size)
            first = int(rows[0])
            self.texts.setdefault(use.name, []).append(
                (int(cells.lines[first]), cells.text(column, first))
            )
        return values

    def _times(self, cells: Cells, places: list[int]) -> Samples:
        """Read the time."""
        total = np.zeros(cells.lines.size)
        for use in self.used.time:
            column = places.index(use.place)
            samples = [row[use.place] for row in self.layout.samples]
            if any(
                ":" in text or text.count(".") + text.count("/") + text.count("-") > 1
                for text in samples[:5]
            ):
                first = day_comes_first(samples)
                stamps = stamps_in(cells, column, day_first=first is not False)
                total = total + stamps.seconds
                self.dated |= stamps.dated
                self.local |= not stamps.zoned
            else:
                total = total + _in_seconds(self._numbers(cells, column, use), use)
                self.dated |= bool(np.nanmax(total, initial=0.0) > 1e9)
        return total

    def finished(self) -> ReadLog:
        """Put together what was read."""
        rows = sum(map(len, self.lines))
        if self.odd and len(self.odd) > max(_MOST_ODD * rows, 3):
            first = self.odd[0]
            raise DocumentError(
                f"Line {first.line} of {self.path} and {len(self.odd) - 1} others do not have the "
                f"{len(self.layout.names)} cells of the rows above: "
                f"{first.text[:60].decode('utf-8', errors='replace')!r}; export the log again."
            )
        if rows < 2:
            raise DocumentError(f"The log {self.path} has fewer than two rows.")
        times, lines = np.concatenate(self.times), np.concatenate(self.lines)
        self.times.clear()
        columns: dict[str, Samples] = {}
        for name in list(self.values):
            columns[name] = np.concatenate(self.values.pop(name))
        if self.mended:
            order = np.argsort(lines, kind="stable")
            times, lines = times[order], lines[order]
            columns = {name: values[order] for name, values in columns.items()}
        remarks = self._cell_remarks(times, lines, columns)
        try:
            repaired = repair_times(times, lines, dated=self.dated, local=self.local)
        except TimeGoesBack as error:
            raise DocumentError(
                f"Line {error.line} of {self.path} goes back in time by {error.back_s:g} s, as "
                "where another run begins; split the log there."
            ) from error
        if repaired.rows.size < times.size or repaired.rows[0] > repaired.rows[-1]:
            columns = {name: values[repaired.rows] for name, values in columns.items()}
        if repaired.rows.size < 2:
            raise DocumentError(f"The log {self.path} has fewer than two rows with a time.")
        return ReadLog(
            repaired.seconds, self.dated, columns, self.used, (*remarks, *repaired.remarks)
        )

    def _cell_remarks(
        self, times: Samples, lines: npt.NDArray[np.int32], columns: dict[str, Samples]
    ) -> list[str]:
        """Say what is wrong with cells, and leave out columns that are empty."""
        remarks = self._row_remarks(times, lines)
        remarks += self._empty_columns(columns)
        return remarks + self._text_remarks()

    def _row_remarks(self, times: Samples, lines: npt.NDArray[np.int32]) -> list[str]:
        """Say which rows are left out."""
        remarks = []
        if self.odd:
            first = self.odd[0]
            what = (
                f"line {first.line} is no row"
                if len(self.odd) == 1
                else (f"{len(self.odd)} lines are no rows, the first is line {first.line}")
            )
            remarks.append(
                f"{what} and was left out" if len(self.odd) == 1 else f"{what}; they were left out"
            )
        without = np.flatnonzero(np.isnan(times))
        if without.size > _MOST_TEXT * times.size:
            raise DocumentError(
                f"Line {lines[without[0]]} of {self.path} and {without.size - 1} others have no "
                f"time in {self.used.time[0].name!r}; name the time column with --column time=NAME."
            )
        if without.size:
            what = (
                "1 row has no time, it is"
                if without.size == 1
                else (f"{without.size} rows have no time, the first is")
            )
            remarks.append(f"{what} line {lines[without[0]]}; left out")
        return remarks

    def _empty_columns(self, columns: dict[str, Samples]) -> list[str]:
        """Leave out columns with nothing in them."""
        remarks = []
        for name in list(columns):
            known = np.isfinite(columns[name])
            if not np.any(known):
                label = self._wanted()[name][0].name
                if self.counts.get(label, 0):
                    line, text = self.texts[label][0]
                    raise DocumentError(
                        f"Column {label!r} of {self.path} holds no number, in line {line} for "
                        f"instance {text[:30]!r}; name another one with --column."
                    )
                remarks.append(f"column {label!r} is empty and was left out")
                del columns[name]
        return remarks

    def _text_remarks(self) -> list[str]:
        """Say what stands where it does not belong."""
        remarks = []
        times = {each.name for each in self.used.time}
        for label, count in self.counts.items():
            line, text = self.texts[label][0]
            one = count == 1
            if label == "header":
                remarks.append(f"the header stands again in line {line}; it was left out")
            elif label == "delimiter":
                what = (
                    "1 line has another delimiter, it"
                    if one
                    else (f"{count} lines have another delimiter, the first")
                )
                remarks.append(f"{what} is line {line}; read all the same")
            elif label not in times:
                what = (
                    f"1 cell of {label!r} holds no number,"
                    if one
                    else (f"{count} cells of {label!r} hold no number, the first")
                )
                remarks.append(f"{what} in line {line} {text[:30]!r}")
        return remarks


def _in_seconds(values: Samples, use: ColumnUse) -> Samples:
    """Numbers of time in seconds; those since 1970 may be in milli-, micro- or nanoseconds."""
    if use.unit:
        return values * use.factor
    largest = float(np.nanmax(values, initial=0.0))
    for limit, factor in ((1e17, 1e-9), (1e14, 1e-6), (1e11, 1e-3)):
        if largest > limit:
            return values * factor
    return values
