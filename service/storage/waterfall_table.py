"""Spectra over time as a table, written whole or not at all."""

from pathlib import Path

from acoustic.waterfall import Waterfall
from service.storage.files import replacement_of
from service.storage.level_log import LevelUnit

__all__ = ["save_waterfall"]


def save_waterfall(path: Path, waterfall: Waterfall, unit: LevelUnit, start_s: float) -> None:
    """Write a waterfall of one channel as CSV.

    A line holds one spectrum: ``time_s``, its middle from the beginning of the recording, and for
    each line of the spectrum ``LZ_…Hz_db``, the level that a tone on it would have. Silence is an
    empty cell.

    Parameters
    ----------
    path : Path
        Where it shall stand; its folder must exist.
    waterfall : Waterfall
        Spectra of one channel.
    unit : {"db", "dbfs"}
        What the levels are in, for the names of the columns.
    start_s : float
        Where in the recording the waterfall begins.

    Raises
    ------
    StorageError
        If it cannot be written; then what stood there before still does.
    """
    names = [f"LZ_{hz:.6g}Hz_{unit}" for hz in waterfall.frequency_hz]
    with replacement_of(path) as file:
        file.write((",".join(["time_s", *names]) + "\n").encode())
        for time_s, levels_db in zip(waterfall.time_s, waterfall.power_level_db, strict=True):
            cells = [f"{level:.2f}" if level > -1e9 else "" for level in levels_db[:, 0].tolist()]
            file.write(f"{start_s + time_s:.3f},{','.join(cells)}\n".encode())
