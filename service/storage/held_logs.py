"""The log of a held run: a table that grows second by second and is whole up to a kill."""

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from calibration.bench_state import BenchDescription, BenchState
from service.clock import utc_text
from service.documents.held_run import HeldRunDocument
from service.errors import DocumentError, StorageError
from service.records.held import HeldSecond
from service.storage.document_files import make_folder
from service.storage.unfailing_file import UnfailingFile

__all__ = ["HeldLog", "held_beside"]

_SYNC_ROWS: Final = 30
"""After so many rows they are brought through a power cut."""


class HeldLog:
    """A log being written; a context manager. Running out of disk does not disturb the run.

    Its columns are recognised by ``evenhush compare``: time, duty and speed of each actuator,
    every temperature, and the level if somebody listens.

    Parameters
    ----------
    path : Path
        Where it shall stand; nothing may stand there yet.
    bench : BenchDescription
        The bench.
    state : BenchState
        What it reads now, which tells its temperatures.
    with_level : bool
        Whether somebody listens.

    Raises
    ------
    StorageError
        If it cannot be begun.
    """

    def __init__(
        self, path: Path, bench: BenchDescription, state: BenchState, *, with_level: bool
    ) -> None:
        self.path = path
        """Where it stands."""
        self._actuators = list(bench.actuators)
        self._temperatures = list(state.temperatures_c)
        self._with_level = with_level
        self._rows = 0
        make_folder(path.parent)
        try:
            raw = path.open("xb", buffering=0)
        except FileExistsError as error:
            raise StorageError(
                f"There is a {path} already, and nothing is overwritten; name another --log."
            ) from error
        except OSError as error:
            raise StorageError(
                f"The log {path} cannot be written ({error.strerror}); name another --log."
            ) from error
        self._file = UnfailingFile(raw)
        names = ["time"]
        for name in self._actuators:
            role = bench.actuators[name].role
            told = name if role in re.split(r"[\W_\d]+", name.lower()) else f"{role} {name}"
            names += [f"{told} duty [%]", f"{told} [rpm]"]
        names += [f"{name} [C]" for name in self._temperatures]
        self._write([*names, "LAeq [dB]"] if with_level else names)

    @property
    def failure(self) -> str | None:
        """Why it cannot be continued; None while it can."""
        failure = self._file.failure
        return None if failure is None else failure.strerror or str(failure)

    def add(self, second: HeldSecond) -> None:
        """Append a second and hand it to the system, so that a crash keeps it; never raises."""
        cells = [utc_text(second.time)]
        for name in self._actuators:
            actuator = second.state.actuators.get(name)
            cells.append("" if actuator is None else f"{actuator.duty_percent:.2f}")
            cells.append(_cell(None if actuator is None else actuator.rpm, 1))
        cells += [_cell(second.state.temperatures_c.get(name), 2) for name in self._temperatures]
        if self._with_level:
            cells.append(_cell(second.level_db, 2))
        self._write(cells)
        self._rows += 1
        if self._rows % _SYNC_ROWS == 0:
            self._file.sync()

    def _write(self, cells: Sequence[str]) -> None:
        """Write one line in one piece."""
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow(cells)
        self._file.write(text.getvalue().encode())

    def __enter__(self) -> Self:
        """Return the log itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Bring what was written to the disk and close the file."""
        if self.failure is None:
            self._file.sync()
        self._file.close()


def held_beside(log: Path) -> HeldRunDocument | None:
    """Read the record that stands beside a log.

    Parameters
    ----------
    log : Path
        The log.

    Returns
    -------
    HeldRunDocument or None
        Its record; None where there is none.
    """
    path = log.with_suffix(".json")
    try:
        document = HeldRunDocument.from_json(path.read_text(encoding="utf-8"), str(path))
    except (OSError, UnicodeDecodeError, DocumentError):
        # Something else may well stand there.
        return None
    return document if document.log == log.name else None


def _cell(value: float | None, digits: int) -> str:
    """A number, or nothing."""
    return "" if value is None else f"{value:.{digits}f}"
