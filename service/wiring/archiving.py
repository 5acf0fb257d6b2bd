"""Opening the archive, and adding to it where that must not disturb a measurement."""

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from acoustic.errors import EvenhushError
from service.settings import Settings
from service.storage.archive import Archive

__all__ = ["Remembering", "open_archive"]


def open_archive(settings: Settings, data_folder: Path) -> Archive:
    """Open the archive that the configuration names.

    Parameters
    ----------
    settings : Settings
        The configuration.
    data_folder : Path
        The data folder.

    Returns
    -------
    Archive
        The archive; the caller closes it.

    Raises
    ------
    SettingsError
        If the address of the database is none.
    StorageError
        If the database cannot be used.
    """
    return Archive(data_folder, settings.database_url, level_log_days=settings.level_log_days)


class Remembering:
    """The archive for a measurement, whose results are in files already; a context manager.

    It is opened when there is something to add. What it does not take is said once, and the
    measurement goes on without it.

    Parameters
    ----------
    open_it : callable
        Opens the archive.
    tell : callable
        Given the remark that it does not take what was measured.
    """

    def __init__(self, open_it: Callable[[], Archive], tell: Callable[[str], None]) -> None:
        self._open_it = open_it
        self._tell = tell
        self._archive: Archive | None = None
        self._given_up = False

    def add(self, to: Callable[[Archive], object]) -> None:
        """Add something.

        Parameters
        ----------
        to : callable
            Given the archive; adds to it.
        """
        if self._given_up:
            return
        try:
            if self._archive is None:
                self._archive = self._open_it()
            to(self._archive)
        except EvenhushError as error:
            self._given_up = True
            self._tell(f"not in the archive, and only in files: {error}")

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the archive."""
        if self._archive is not None:
            self._archive.close()
