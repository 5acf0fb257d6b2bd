"""SHA-256 of files and texts."""

import hashlib
from pathlib import Path

from service.errors import StorageError

__all__ = ["hash_of_bytes", "hash_of_file"]


def hash_of_bytes(data: bytes) -> str:
    """Return the SHA-256 of bytes in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def hash_of_file(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal.

    Parameters
    ----------
    path : Path
        The file, of any size.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    StorageError
        If it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise StorageError(f"{path} cannot be read ({error.strerror or error}).") from error
