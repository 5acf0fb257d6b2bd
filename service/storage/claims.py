"""A claim that only one process at a time can have, and that ends with it however that ends."""

import sys
from contextlib import suppress
from pathlib import Path
from typing import IO

from service.errors import StorageError
from service.storage.document_files import make_folder

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["Claim"]


class Claim:
    """A claim on what a file stands for; the system keeps it.

    Parameters
    ----------
    path : Path
        The file, which stays when the claim ends.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: IO[bytes] | None = None

    def take(self) -> bool:
        """Try to have it until `release`; return whether it worked.

        Raises
        ------
        StorageError
            If its folder cannot be written to.
        """
        make_folder(self._path.parent)
        try:
            file = self._path.open("ab")
        except OSError as error:
            raise StorageError(
                f"The folder {self._path.parent} cannot be written to "
                f"({error.strerror or error}); choose another data folder."
            ) from error
        if not _lock(file):
            file.close()
            return False
        self._file = file
        return True

    def release(self) -> None:
        """Let others have it; harmless when done twice."""
        if self._file is not None:
            self._file.close()
            self._file = None


def _lock(file: IO[bytes]) -> bool:
    """Try to be the only one; return whether it worked."""
    with suppress(OSError):
        if sys.platform == "win32":
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    return False
