"""The levels of every 100 ms as a table, written row by row however long the sound is."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Final, Literal

import numpy as np

from acoustic.short_levels import ShortLevels
from acoustic.signals import Samples
from service.storage.files import replacement_of

__all__ = ["LevelUnit", "level_log"]

LevelUnit = Literal["db", "dbfs"]
"""dB re 20 uPa, or re full scale."""

_COLUMNS: Final = (
    "LAeq_db",
    "LCeq_db",
    "LZeq_db",
    "LCpeak_db",
    "LAF_db",
    "LAFmax_db",
    "LAFmin_db",
    "LASmax_db",
    "LASmin_db",
)


@contextmanager
def level_log(
    path: Path, unit: LevelUnit, start_s: float
) -> Iterator[Callable[[ShortLevels], None]]:
    """Write a table of levels as CSV, whole or not at all.

    A line holds one channel in one 100 ms: ``start_s`` from the beginning of the recording,
    ``channel`` from 1, broadband levels, and ``LZeq_…Hz_db`` of each one-third octave. Silence
    is an empty cell.

    Parameters
    ----------
    path : Path
        Where it shall stand; its folder must exist.
    unit : {"db", "dbfs"}
        What the levels are in, for the names of the columns.
    start_s : float
        Where in the recording the first row begins.

    Yields
    ------
    callable
        Takes the next rows.

    Raises
    ------
    StorageError
        If it cannot be written; then what stood there before still does.
    """
    with replacement_of(path) as file:
        table = _Table(file, unit, start_s)
        yield table.add


class _Table:
    """A table being written; the first rows tell its bands."""

    def __init__(self, file: BinaryIO, unit: LevelUnit, start_s: float) -> None:
        self._file = file
        self._unit = unit
        self._start_s = start_s
        self._begun = False

    def add(self, levels: ShortLevels) -> None:
        """Write the next rows."""
        if not self._begun:
            bands = [f"LZeq_{hz:g}Hz_db" for hz in levels.nominal_hz]
            names = [f"{name.removesuffix('_db')}_{self._unit}" for name in (*_COLUMNS, *bands)]
            self._file.write((",".join(["start_s", "channel", *names]) + "\n").encode())
            self._begun = True
        broadband: list[Samples] = [getattr(levels, name)[:, :, None] for name in _COLUMNS]
        cells = np.concatenate([*broadband, levels.band_level_db], axis=2)
        lines = []
        for start_s, channels in zip(levels.start_s + self._start_s, cells, strict=True):
            for channel, values in enumerate(channels.tolist(), start=1):
                texts = ["" if value == -np.inf else f"{value:.2f}" for value in values]
                lines.append(f"{start_s:.3f},{channel},{','.join(texts)}\n")
        self._file.write("".join(lines).encode())
