"""Files that are there whole or not at all."""

import contextlib
import os
import secrets
from pathlib import Path

from service.errors import StorageError

__all__ = ["write_atomically"]


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file so that a reader, or a power cut, finds the old one or the new one whole.

    The bytes go into a new file beside `path`, reach the disk, and only then take its name. A
    symbolic link is followed: the file it leads to is replaced, the link stays.

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
    target = Path(os.path.realpath(path))
    if target.exists() and not target.is_file():
        # A rename would put a file in the place of a folder or of a device such as /dev/null.
        raise StorageError(f"{path} is not a file; choose another name to write to.")
    # The target's own name is no part of this one: it may have the greatest length already.
    beside = target.parent / f".evenhush-{secrets.token_hex(8)}.part"
    try:
        try:
            with beside.open("xb") as file:
                file.write(data)
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
