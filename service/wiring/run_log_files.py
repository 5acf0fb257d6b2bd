"""The logs of one run as one: read, told what their columns are, brought to one clock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples
from calibration.log_alignment import align_logs, taken_over
from calibration.run_log import RunLog
from service.errors import DocumentError, SettingsError
from service.storage.column_memory import ColumnMemory
from service.storage.log_columns import columns_of
from service.storage.log_texts import read_layout
from service.storage.run_logs import ReadLog, read_run_log

__all__ = ["LoggedRun", "read_logs", "unconfirmed_columns"]


@dataclass(frozen=True, slots=True, eq=False)
class LoggedRun:
    """What the logs of a run come to."""

    log: RunLog
    """All of it on one clock."""
    columns: str
    """Which column was taken for what, in words."""
    remarks: tuple[str, ...]
    """What was mended or done, as parts of sentences."""


def read_logs(
    paths: Sequence[Path],
    said: Mapping[str, str],
    ambient_c: float | None,
    memory: ColumnMemory | None,
) -> LoggedRun:
    """Read the logs of one run.

    Parameters
    ----------
    paths : sequence of Path
        Its logs, at least one.
    said : mapping of str to str
        Which columns a person says are what, as for `columns_of`.
    ambient_c : float or None
        Temperature of the air where it was not logged.
    memory : ColumnMemory or None
        What was said of columns before.

    Returns
    -------
    LoggedRun
        All of it.

    Raises
    ------
    DocumentError
        If one cannot be used, or something that is needed is in none of them.
    SettingsError
        If what was said fits no column.
    """
    read, remarks = _read_each(paths, said, memory)
    first = next((place for place, one in enumerate(read) if "processor_c" in one.columns), None)
    where = " + ".join(map(str, paths))
    if first is None:
        raise DocumentError(
            f"{where} has no column that can be told to be the processor's temperature; name it "
            "with --column processor=NAME."
        )
    columns = dict(read[first].columns)
    for place, one in enumerate(read):
        if place != first:
            remarks += _join(columns, read[first], one, paths[place])
    if ambient_c is not None:
        columns["ambient_c"] = np.full(read[first].time_s.size, ambient_c)
    if "ambient_c" not in columns:
        raise DocumentError(
            f"{where} has no column that can be told to be the temperature of the air; name it "
            "with --column ambient=NAME, or say what it was with --ambient-c."
        )
    return LoggedRun(
        log=_log_of(read[first].time_s, columns),
        columns="; ".join(one.used.words() for one in read),
        remarks=tuple(remarks),
    )


def _read_each(
    paths: Sequence[Path], said: Mapping[str, str], memory: ColumnMemory | None
) -> tuple[list[ReadLog], list[str]]:
    """Read every log, with what was said now and before, and remember it."""
    read: list[ReadLog] = []
    remarks: list[str] = []
    applied: set[str] = set()
    for path in paths:
        names = read_layout(path).names
        here = dict(said) if len(paths) == 1 else _fitting(said, names)
        applied |= set(here)
        before = None if memory is None else memory.said_of(names)
        one = read_run_log(path, {**(before or {}), **here})
        if before and not set(before) <= set(here):
            remarks.append("its columns are what was said of a log with this header before")
        if memory is not None and here:
            memory.remember(names, {**(before or {}), **here})
        read.append(one)
        of = f"{path.name}: " if len(paths) > 1 else ""
        remarks += [of + text for text in one.remarks]
        for role, others in one.used.others.items():
            remarks.append(f"{of}for {role}, {', '.join(map(repr, others))} would also do")
    if missing := set(said) - applied:
        role = min(missing)
        raise SettingsError(
            f"--column {role}={said[role]} names no column of {' or '.join(map(str, paths))}."
        )
    return read, remarks


def _fitting(said: Mapping[str, str], names: Sequence[str]) -> dict[str, str]:
    """What of that which was said names columns of this log."""
    return {
        role: text
        for role, text in said.items()
        if text.strip() == "-"
        or text in names
        or all(part.strip().partition(" [")[0] in names for part in text.split("+"))
    }


def _log_of(time_s: Samples, columns: Mapping[str, Samples]) -> RunLog:
    """Put columns together; a processor that is missing is unknown at every moment."""
    processor = columns.get("processor_c")
    return RunLog(
        time_s=time_s - time_s[0],
        processor_c=np.full(time_s.size, np.nan) if processor is None else processor,
        ambient_c=columns.get("ambient_c"),
        power_w=columns.get("power_w"),
        level_db=columns.get("level_db"),
        rpm={name[4:]: values for name, values in columns.items() if name.startswith("rpm ")},
    )


def _join(columns: dict[str, Samples], base: ReadLog, other: ReadLog, path: Path) -> list[str]:
    """Take what a log has and the first one has not, on the first one's clock."""
    new = [name for name in other.columns if name not in columns]
    if not new:
        return [f"{path.name} has nothing that the other logs have not"]
    begin_s = float(other.time_s[0] - base.time_s[0])
    try:
        found = align_logs(
            _log_of(base.time_s, base.columns),
            _log_of(other.time_s, other.columns),
            begin_s if base.dated and other.dated else None,
        )
    except InputError as error:
        raise DocumentError(f"{path} cannot be used: {error}") from error
    if found is None:
        raise DocumentError(
            f"{path} has no time of day, and nothing in it shows when the load went on, so it "
            "cannot be brought to the clock of the other log; log the date and time as well."
        )
    at_s = other.time_s - other.time_s[0] + found.offset_s
    for name in new:
        columns[name] = taken_over(base.time_s - base.time_s[0], at_s, other.columns[name])
    if found.by is None:
        return [f"the clock of {path.name} was believed, as nothing in both logs tells"]
    if not (base.dated and other.dated):
        return [f"{path.name} was brought to the clock of the first log by {found.by}"]
    off_s = found.offset_s - begin_s
    way = "behind" if off_s > 0.0 else "ahead of"
    cycles = ", or whole cycles of the load more," if found.alike else ""
    return [
        f"the clock of {path.name} is about {abs(off_s):.0f} s{cycles} {way} the first one's, by "
        f"{found.by}; that was taken out"
    ]


def unconfirmed_columns(
    paths: Sequence[Path], said: Mapping[str, str], memory: ColumnMemory
) -> dict[tuple[str, ...], str]:
    """Find headers that nobody has seen yet.

    Parameters
    ----------
    paths : sequence of Path
        Logs.
    said : mapping of str to str
        Which columns a person says are what.
    memory : ColumnMemory
        What was said before.

    Returns
    -------
    dict of tuple of str to str
        For each such header, which log has it and which column is taken for what, in words.

    Raises
    ------
    DocumentError
        If a log cannot be read.
    """
    found: dict[tuple[str, ...], str] = {}
    for path in paths:
        layout = read_layout(path)
        here = _fitting(said, layout.names)
        if memory.said_of(layout.names) is None and not here:
            found.setdefault(layout.names, f"{path}: {columns_of(layout, here).words()}")
    return found
