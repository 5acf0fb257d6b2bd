"""Reading pipes with threads: the only way to wait for a pipe with a limit on every platform."""

import threading
from typing import IO, Final

__all__ = ["LastLine", "PipeReader"]

_CHUNK_BYTES: Final = 65_536
_TAIL_BYTES: Final = 4096


class PipeReader:
    """Reads from a pipe what is asked for, and no byte more.

    Parameters
    ----------
    stream : binary file
        Unbuffered read end; closed when the reader stops.
    name : str
        Name of the thread.
    """

    def __init__(self, stream: IO[bytes], name: str) -> None:
        self._stream = stream
        self._changed = threading.Condition()
        self._wanted = 0
        self._got = bytearray()
        self._reading = False
        self._ended = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def take(self, count: int, patience_s: float) -> bytes | None:
        """Wait for bytes.

        Parameters
        ----------
        count : int
            How many.
        patience_s : float
            How long to wait without any byte coming, in seconds.

        Returns
        -------
        bytes or None
            `count` bytes, or all that was left if the pipe ended before; None if nothing came for
            too long, and then what came before is kept for the next time.
        """
        with self._changed:
            self._wanted = count
            self._changed.notify_all()
            while len(self._got) < count and not self._ended:
                # Woken for nothing else than bytes or the end.
                if not self._changed.wait(patience_s):
                    return None
            data = bytes(self._got[:count])
            del self._got[:count]
            self._wanted = 0
            return data

    def stop(self) -> bool:
        """Stop reading; return whether the pipe is being closed, or False if a read hangs in it."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
            return not self._reading

    def join(self, timeout_s: float) -> None:
        """Wait until the pipe is closed."""
        self._thread.join(timeout_s)

    def _run(self) -> None:
        """Read on demand, then close the pipe, as nobody else may while this reads from it."""
        with self._stream:
            while (count := self._next()) > 0:
                try:
                    chunk = self._stream.read(count)
                except OSError:
                    chunk = b""
                with self._changed:
                    self._reading = False
                    self._got += chunk or b""
                    self._ended = self._ended or not chunk
                    self._changed.notify_all()

    def _next(self) -> int:
        """Wait until bytes are wanted; return how many, or 0 for no more."""
        with self._changed:
            self._changed.wait_for(lambda: self._ended or self._wanted > len(self._got))
            if self._ended:
                return 0
            self._reading = True
            return min(self._wanted - len(self._got), _CHUNK_BYTES)


class LastLine:
    """Drains a pipe, so that who writes to it never waits, and keeps the last line.

    Parameters
    ----------
    stream : binary file
        Unbuffered read end; closed at its end.
    name : str
        Name of the thread.
    """

    def __init__(self, stream: IO[bytes], name: str) -> None:
        self._stream = stream
        self._tail = b""
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    @property
    def text(self) -> str:
        """The last line that was not empty, fit to be shown; empty for none."""
        lines = self._tail.decode(errors="replace").split("\n")
        shown = ("".join(c if c.isprintable() else " " for c in line).strip() for line in lines)
        return next((line[:200] for line in reversed(list(shown)) if line), "")

    def join(self, timeout_s: float) -> None:
        """Wait until the pipe is at its end."""
        self._thread.join(timeout_s)

    def _run(self) -> None:
        """Read to the end."""
        with self._stream:
            while chunk := self._stream.read(_CHUNK_BYTES):
                self._tail = (self._tail + chunk)[-_TAIL_BYTES:]
