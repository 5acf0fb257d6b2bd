"""Tables of speed over time: what a tachometer said while something was recorded."""

import csv
import math
from pathlib import Path

import numpy as np

from acoustic.errors import InputError
from acoustic.speed_course import SpeedCourse
from service.errors import DocumentError
from service.storage.document_files import read_document_text

__all__ = ["read_speeds"]


def read_speeds(path: Path) -> dict[str, SpeedCourse]:
    """Read speeds over time.

    Parameters
    ----------
    path : Path
        CSV whose first line names its columns: ``time_s`` in seconds from the beginning of the
        recording, and one for each rotor, ``fan_rpm``, ``pump_rpm`` and so on. An empty cell is
        no reading.

    Returns
    -------
    dict of str to SpeedCourse
        By the names of the rotors; rotors without two readings above 0 are left out.

    Raises
    ------
    DocumentError
        If it cannot be read or is another table.
    """
    rows = csv.reader(read_document_text(path, "table of speeds").splitlines())
    names = [name.strip() for name in next(rows, [])]
    rotors = [name.removesuffix("_rpm") for name in names if name.endswith("_rpm")]
    if "time_s" not in names or not rotors or len(rotors) + 1 < len(names):
        raise DocumentError(
            f"The first line of {path} must name the columns 'time_s' and 'fan_rpm', 'pump_rpm' "
            f"or the like, not {', '.join(names)[:80]!r}."
        )
    columns: dict[str, list[float]] = {name: [] for name in names}
    for number, row in enumerate(rows, start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(names):
            raise DocumentError(
                f"Line {number} of {path} has {len(row)} columns, its first line has {len(names)}."
            )
        for name, cell in zip(names, row, strict=True):
            columns[name].append(_number(cell, name, f"line {number} of {path}"))
    found = {}
    for rotor in rotors:
        rpm = columns[f"{rotor}_rpm"]
        if sum(speed > 0.0 for speed in rpm) > 1:
            try:
                found[rotor] = SpeedCourse(np.array(columns["time_s"]), np.array(rpm))
            except InputError as error:
                raise DocumentError(f"{path}: {error}") from error
    if not found:
        raise DocumentError(
            f"{path} holds no two speeds above 0 rpm; write down the tachometer while recording."
        )
    return found


def _number(cell: str, name: str, where: str) -> float:
    """Read one cell."""
    if not cell.strip() and name != "time_s":
        return math.nan
    try:
        value = float(cell)
    except ValueError as error:
        raise DocumentError(f"In {where}, {name} is no number: {cell.strip()[:40]!r}.") from error
    if not math.isfinite(value) or (name != "time_s" and value < 0.0):
        raise DocumentError(f"In {where}, {name} cannot be {value:g}.")
    return value
