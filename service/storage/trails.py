"""Trails of matches as files that grow line by line and are readable after a crash."""

import json
import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from service.documents.base import Document
from service.documents.trail import TrailHeader, TrailStep, parse_step
from service.errors import DocumentError, StorageError
from service.storage.document_files import make_folder

__all__ = ["TRAIL_ENDING", "TrailFile", "newest_trail", "read_trail", "trail_stamp"]

TRAIL_ENDING: Final = ".trail.jsonl"
"""How the name of every trail ends."""


class TrailFile:
    """A trail being written; a context manager that leaves it whole on the disk.

    Parameters
    ----------
    path : Path
        Where it shall stand.
    header : Document
        Its first line: what was asked of which bench.

    Raises
    ------
    StorageError
        If it cannot be written.
    """

    def __init__(self, path: Path, header: Document) -> None:
        self.path = path
        """Where it stands."""
        make_folder(path.parent)
        try:
            self._file = path.open("w", encoding="utf-8", newline="\n")
        except OSError as error:
            raise StorageError(
                f"The trail {path} cannot be written ({error.strerror}); choose another folder."
            ) from error
        self.add(header.model_dump_json(by_alias=True))

    def add(self, line: str) -> None:
        """Append one line and hand it to the system, so that a crash keeps it.

        Raises
        ------
        StorageError
            If the disk takes no more.
        """
        try:
            self._file.write(line + "\n")
            self._file.flush()
        except OSError as error:
            raise StorageError(
                f"The trail {self.path} cannot be continued ({error.strerror}); make room."
            ) from error

    def __enter__(self) -> Self:
        """Return the trail itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Bring what was written to the disk and close the file.

        Raises
        ------
        StorageError
            If the disk does not take it; where something failed before, that is told instead.
        """
        try:
            try:
                os.fsync(self._file.fileno())
            finally:
                self._file.close()  # tries once more to write what could not be written before
        except OSError as failure:
            if error is None:
                raise StorageError(
                    f"The trail {self.path} cannot be finished ({failure.strerror}); make room."
                ) from failure


def read_trail(path: Path) -> tuple[TrailHeader, Iterator[TrailStep], dict[str, object] | None]:
    """Read a trail.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    TrailHeader
        What was asked of which bench.
    iterator of TrailStep
        Its steps, checked as they are taken.
    dict or None
        The result on its last line; None when the match was interrupted.

    Raises
    ------
    DocumentError
        If it cannot be read or is no trail.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DocumentError(f"The trail {path} cannot be read: {error}.") from error
    # A line without its end was being written when the machine or the program stopped.
    lines = text[: text.rfind("\n") + 1].splitlines()
    if not lines:
        raise DocumentError(f"The trail {path} is empty.")
    header = TrailHeader.from_json(lines[0], f"The first line of {path}")
    result = None
    steps = lines[1:]
    if steps and steps[-1].startswith('{"result"'):
        result = _result_of(steps.pop(), path)
    numbered = enumerate(steps, start=2)
    return header, (parse_step(line, f"Line {n} of {path}") for n, line in numbered), result


def newest_trail(folder: Path, since: datetime, fits: Callable[[TrailHeader], bool]) -> Path | None:
    """Find the newest trail of a kind.

    Parameters
    ----------
    folder : Path
        Where trails stand.
    since : datetime
        When it began at the earliest.
    fits : callable
        Tells by a trail's first line whether it is of that kind.

    Returns
    -------
    Path or None
        Its file; None where there is none.
    """
    earliest = trail_stamp(since)
    # Their names begin with their time, so that old ones need not be opened.
    recent = (path for path in folder.glob(f"*{TRAIL_ENDING}") if path.name >= earliest)
    for path in sorted(recent, reverse=True):
        try:
            header = read_trail(path)[0]
        except DocumentError:
            continue
        if fits(header):
            return path
    return None


def trail_stamp(time: datetime) -> str:
    """Return how the name of a trail that begins at a time begins."""
    utc = time.astimezone(UTC)
    return f"{utc:%Y%m%dT%H%M%S}{utc.microsecond // 1000:03d}Z"


def _result_of(line: str, path: Path) -> dict[str, object]:
    """Read the last line of a finished trail."""
    try:
        result = json.loads(line)["result"]
    except (ValueError, KeyError) as error:
        raise DocumentError(f"The last line of {path} is damaged.") from error
    if not isinstance(result, dict):
        raise DocumentError(f"The last line of {path} is damaged.")
    return result
