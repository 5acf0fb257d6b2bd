"""A file for writers that must not be disturbed by a full disk."""

import contextlib
import errno
import io
import os
from collections.abc import Callable

__all__ = ["UnfailingFile"]


class UnfailingFile:
    """A file for one who must not be disturbed: writing never raises, the failure is remembered.

    After a failure everything is taken as before but goes nowhere. What was being appended is
    taken back, so that the file ends with the last piece that was written whole.

    Parameters
    ----------
    file : RawIOBase
        An open, empty file without a buffer; closed by `close`.
    appended : callable, optional
        Told the place and the content of everything that was appended.
    """

    def __init__(
        self, file: io.RawIOBase, appended: Callable[[int, bytes], None] = lambda _, __: None
    ) -> None:
        self._file = file
        self._appended = appended
        self._position = 0
        self._size = 0
        self.failure: OSError | None = None
        """What ended the writing."""

    def tell(self) -> int:
        """Return the position, as a file does."""
        return self._position

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to a position, as a file does."""
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._size}[whence]
        self._position = start + offset
        return self._position

    def write(self, data: bytes) -> int:
        """Write at the position, as a file does."""
        place = self._position
        self._position += len(data)
        if self.failure is not None:
            return len(data)
        appending = place == self._size
        if self.patch(place, data) and appending:
            self._size += len(data)
            self._appended(place, data)
        elif appending:
            with contextlib.suppress(OSError):
                self._file.truncate(self._size)
        return len(data)

    def patch(self, place: int, data: bytes) -> bool:
        """Write somewhere, also after a failure, as what is there already may take other bytes.

        Parameters
        ----------
        place : int
            Where, in bytes from the beginning.
        data : bytes
            What.

        Returns
        -------
        bool
            Whether it was written.
        """
        left = memoryview(data)
        try:
            self._file.seek(place)
            while left and (written := self._file.write(left)):
                left = left[written:]
        except OSError as error:
            self.failure = self.failure or error
        if left:
            self.failure = self.failure or OSError(errno.EIO, os.strerror(errno.EIO))
        return not left

    def sync(self) -> None:
        """Bring what was written through a power cut."""
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            self.failure = self.failure or error

    def close(self) -> None:
        """Close the file."""
        try:
            self._file.close()
        except OSError as error:
            self.failure = self.failure or error
