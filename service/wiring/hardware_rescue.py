"""Putting hardware back from a process that did not own it: the rescuer, a new start, a command."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acoustic.errors import EvenhushError
from service.bench.hardware.putting_back import put_back, run_at_full_speed
from service.errors import BenchError, HardwareFault, StorageError
from service.storage.saved_hardware import SavedHardwareFile, saved_hardware_files

__all__ = ["HardwareRescue", "claimed", "put_back_what_is_left"]

_PATIENCE_S: Final = 5.0
"""How long to wait for another process that is just putting things back."""
_RESCUER_PATIENCE_S: Final = 1.0

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class HardwareRescue:
    """Brings a bench's hardware to safety after its process has failed; can be pickled."""

    data_folder: Path
    """The data folder."""
    bench: str
    """Name of the bench."""

    def __call__(self, *, full_speed: bool) -> None:
        """Put back what the bench has left changed, or run it at full speed and leave it so.

        Parameters
        ----------
        full_speed : bool
            Whether it has to run at full speed, as it was too hot or otherwise not well.

        Raises
        ------
        EvenhushError
            If something cannot be done.
        """
        memory = SavedHardwareFile(self.data_folder, self.bench)
        # A bench process that cannot hand back still has the claim, and safety comes first.
        with suppress(BenchError, StorageError):
            memory.claim(_RESCUER_PATIENCE_S)
        try:
            if full_speed:
                run_at_full_speed(memory)
            else:
                put_back(memory)
        finally:
            memory.release()


@contextmanager
def claimed(memory: SavedHardwareFile) -> Iterator[None]:
    """Be the only process that deals with a bench's hardware.

    Parameters
    ----------
    memory : SavedHardwareFile
        What the bench has to put back.

    Yields
    ------
    None

    Raises
    ------
    BenchError
        If another process has it.
    StorageError
        If the data folder cannot be written to.
    """
    memory.claim(_PATIENCE_S)
    try:
        yield
    finally:
        memory.release()


def put_back_what_is_left(data_folder: Path, own: SavedHardwareFile) -> dict[str, tuple[str, ...]]:
    """Put back what earlier runs have left changed: this bench, and others that do not run now.

    Another bench may be this one before it was given a new name.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    own : SavedHardwareFile
        What this bench has to put back; claimed.

    Returns
    -------
    dict of str to tuple of str
        The actuators that were put back, by bench.

    Raises
    ------
    HardwareFault
        If this bench cannot be put back.
    EvenhushError
        If its file cannot be read.
    """
    done: dict[str, tuple[str, ...]] = {}
    try:
        done[own.bench] = put_back(own)
    except HardwareFault as fault:
        raise HardwareFault(f"{fault} If it is gone for good, delete {own.path}.") from fault
    for other in saved_hardware_files(data_folder):
        if other.path == own.path:
            continue
        try:
            other.claim(0.0)
        except BenchError:
            continue  # it runs, and so keeps its fans
        try:
            done[other.bench] = put_back(other)
        except EvenhushError as error:
            logger.warning("%s If it is gone for good, delete %s.", error, other.path)
        finally:
            other.release()
    return {bench: names for bench, names in done.items() if names}
