"""The archive for commands: what they measured stands in files, whatever becomes of the archive."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Self

from acoustic.errors import EvenhushError
from service.cli.at_the_bench import SeriesInput
from service.cli.runtime import Session, remark
from service.clock import utc_now
from service.storage.archive import Archive
from service.wiring.archiving import keep_match, open_archive
from service.wiring.match_series import Hearing
from service.wiring.series_progress import DoneMatch
from service.wiring.series_watch import SeriesWatch

__all__ = ["RememberedSeries", "Remembering"]


class Remembering:
    """Adds to the archive, which is opened when there is something to add; a context manager.

    What the archive does not take is said once, and the command goes on without it.

    Parameters
    ----------
    session : Session
        Settings and data folder.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
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
                self._archive = open_archive(self._session.settings, self._session.data_folder)
            to(self._archive)
        except EvenhushError as error:
            self._given_up = True
            remark(f"The archive does not take this, which stands in files only: {error}")

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


class RememberedSeries(SeriesWatch):
    """Adds each match of a series to the archive as soon as it is done.

    Parameters
    ----------
    remembering : Remembering
        The archive.
    inputs : SeriesInput
        The input of the series.
    """

    def __init__(self, remembering: Remembering, inputs: SeriesInput) -> None:
        self._remembering = remembering
        self._inputs = inputs
        self._hearing: Hearing | None = None

    @contextmanager
    def hear(self, cooler: str) -> Iterator[Hearing]:
        """Open the input for a cooler, and close it on every way out."""
        with self._inputs.open(cooler) as hearing:
            self._hearing = hearing
            yield hearing

    def has_done(self, done: DoneMatch) -> None:
        """Add a match."""
        hearing = self._hearing
        if hearing is not None:
            self._remembering.add(
                lambda archive: keep_match(archive, done, hearing, time=utc_now())
            )
