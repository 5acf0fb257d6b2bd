"""The lab: sound, bench, archive and queue as one object with plain methods, for web and tests."""

from pathlib import Path
from types import TracebackType
from typing import Any, Self

from service.jobs.queue import JobQueue
from service.live.feed import LiveFeed
from service.settings import Settings
from service.wiring.lab_status import LabStatus

__all__ = ["Lab", "open_demo_lab", "open_lab"]


class Lab:
    """Everything that one bench PC measures, remembers and shows; a context manager.

    All methods may be called from any thread. Made by `open_lab` or `open_demo_lab`.
    """

    settings: Settings
    """The configuration."""
    data_folder: Path
    """Where everything is kept."""
    live: LiveFeed
    """Live frames: ``lab.live.subscribe()`` gives a reader, ``lab.live.newest`` the last frame."""
    queue: JobQueue
    """Measurements: what waits, what runs, what was done."""
    archive: Any
    """What was measured."""

    def status(self) -> LabStatus:
        """Return the state of everything now; takes well under a millisecond, asks nobody."""
        raise NotImplementedError

    def reset_live(self) -> None:
        """Begin the running LAeq of the live frames anew, with the next frame."""
        raise NotImplementedError

    def close(self) -> None:
        """End everything in order: measurements, lease, sound, archive; harmless when done twice.

        A measurement that runs is stopped within a tenth of a second of sound, gives the bench
        back, and stands as interrupted. Every wait is bounded.
        """
        raise NotImplementedError

    def __enter__(self) -> Self:
        """Return the lab itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        self.close()


def open_lab(settings: Settings, data_folder: Path) -> Lab:
    """Open the lab that a configuration describes.

    An input or a bench that cannot be reached is no error: it is a problem in the status, and
    tried again.

    Parameters
    ----------
    settings : Settings
        The configuration: input, bench, calibration, response, database, times.
    data_folder : Path
        The data folder.

    Returns
    -------
    Lab
        The lab, at work; close it.

    Raises
    ------
    EvenhushError
        If no input is named, or the archive or a file that is named cannot be used.
    """
    raise NotImplementedError


def open_demo_lab(
    settings: Settings, data_folder: Path, *, seed: int = 1, speed: float | None = 4.0
) -> Lab:
    """Open a lab with a simulated room, microphone and bench; what is mounted can be changed.

    Parameters
    ----------
    settings : Settings
        The configuration; what it says of input and bench is left aside.
    data_folder : Path
        The data folder.
    seed : int, optional
        Seed of everything random in the room.
    speed : float or None, optional
        How many times faster than real time it goes; None for as fast as it is asked for.

    Returns
    -------
    Lab
        The lab, at work; close it.

    Raises
    ------
    EvenhushError
        If the archive cannot be used.
    """
    raise NotImplementedError
