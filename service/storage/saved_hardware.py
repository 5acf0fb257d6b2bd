"""What each bench has to put back, one small file in the data folder, there while it is needed."""

import threading
from pathlib import Path
from typing import Final

from service.documents.saved_hardware import SavedHardware
from service.errors import BenchError, DocumentError, StorageError
from service.storage.claims import Claim
from service.storage.document_files import read_document_text, save_text
from service.storage.names import file_stem

__all__ = ["SavedHardwareFile", "saved_hardware_files"]

_FOLDER: Final = "hardware"
_BETWEEN_TRIES_S: Final = 0.1


class SavedHardwareFile:
    """The file of one bench, and the claim that only one process at a time can have on it.

    The claim is the system's, so it ends with the process however that ends.

    Parameters
    ----------
    data_folder : Path
        The data folder.
    bench : str
        Name of the bench.
    """

    def __init__(self, data_folder: Path, bench: str) -> None:
        self.bench = bench
        """Name of the bench."""
        self.path = data_folder / _FOLDER / f"{file_stem(bench)}.json"
        """Where it stands."""
        self._claim = Claim(self.path.with_suffix(".lock"))

    def claim(self, patience_s: float) -> None:
        """Keep every other process from it until `release`.

        Parameters
        ----------
        patience_s : float
            How long to wait for another process to be done, in seconds.

        Raises
        ------
        BenchError
            If another process has it.
        StorageError
            If the data folder cannot be written to.
        """
        for _ in range(round(patience_s / _BETWEEN_TRIES_S)):
            if self._claim.take():
                return
            threading.Event().wait(_BETWEEN_TRIES_S)
        if not self._claim.take():
            raise BenchError(
                f"The bench {self.bench} is running already with this data folder; stop it "
                "first, which hands its fans back."
            )

    def release(self) -> None:
        """Let others have it; harmless when done twice."""
        self._claim.release()

    def read(self) -> SavedHardware | None:
        """Return what has to be put back; None for nothing.

        Raises
        ------
        DocumentError
            If the file cannot be read.
        """
        if not self.path.exists():
            return None
        try:
            text = read_document_text(self.path, SavedHardware.kind)
            return SavedHardware.from_json(text, str(self.path))
        except DocumentError as error:
            raise DocumentError(
                f"{error} So nobody knows what to put back: switch the machine off and on, which "
                "gives its fans back to its firmware, then delete the file."
            ) from error

    def save(self, saved: SavedHardware) -> None:
        """Write it whole, so that it lasts through a power cut.

        Parameters
        ----------
        saved : SavedHardware
            What has to be put back.

        Raises
        ------
        StorageError
            If it cannot be written.
        """
        save_text(self.path, saved.to_json())

    def remove(self) -> None:
        """Forget it; harmless when there is none.

        Raises
        ------
        StorageError
            If the file cannot be removed.
        """
        try:
            self.path.unlink(missing_ok=True)
        except OSError as error:
            raise StorageError(
                f"{self.path} cannot be removed ({error.strerror or error}); remove it by hand."
            ) from error


def saved_hardware_files(data_folder: Path) -> list[SavedHardwareFile]:
    """List every bench that has something to put back.

    Parameters
    ----------
    data_folder : Path
        The data folder.

    Returns
    -------
    list of SavedHardwareFile
        Their files, by name.
    """
    found = sorted((data_folder / _FOLDER).glob("*.json"))
    return [SavedHardwareFile(data_folder, path.stem) for path in found]
