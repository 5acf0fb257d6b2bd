"""Files that are there whole or not at all."""

import contextlib
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from service.errors import StorageError

__all__ = ["replacement_of", "write_atomically"]


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file so that a reader, or a power cut, finds the old one or the new one whole.

    Parameters
    ----------
    path : Path
        Where the file shall stand; its folder must exist.
    data : bytes
        Its whole content.

    Raises
    ------
    StorageError
        If it cannot be written; then what stood at `path` before still stands there.
    """
    with replacement_of(path) as file:
        file.write(data)


@contextmanager
def replacement_of(path: Path) -> Iterator[BinaryIO]:
    """Open a file that takes the place of another when it is complete.

    What is written goes into a new file beside `path`, reaches the disk, and only at the end of
    the ``with`` block takes its name; if the block is left by an exception, nothing has changed.
    A symbolic link is followed: the file it leads to is replaced, the link stays.

    Parameters
    ----------
    path : Path
        Where the file shall stand; its folder must exist.

    Yields
    ------
    BinaryIO
        The new file, to be written to.

    Raises
    ------
    StorageError
        If it cannot be written; then what stood at `path` before still stands there.
    """
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():
        # A rename would put a file in the place of a folder or of a device such as /dev/null.
        raise StorageError(f"{path} is not a file; choose another name to write to.")
    # The target's own name is no part of this one: it may have the greatest length already.
    beside = target.parent / f".evenhush-{secrets.token_hex(8)}.part"
    try:
        try:
            with beside.open("xb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            beside.replace(target)
        except BaseException:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
            raise
        _sync_folder(target.parent)
    except OSError as error:
        raise StorageError(
            f"{path} cannot be written ({error.strerror or error}); "
            "check that its folder exists, may be written to and has room."
        ) from error


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where folders can be synchronised at all."""
    if os.name == "nt":  # a folder cannot be opened there; the rename is journalled
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        # Some network file systems refuse this; the file itself is whole on the disk already.
        with contextlib.suppress(OSError):
            os.fsync(descriptor)
    finally:
        os.close(descriptor)
