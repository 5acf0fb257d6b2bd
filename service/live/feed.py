"""The newest live frame, for any number of viewers; whoever is slow misses frames, nobody waits."""

import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from service.live.frames import LiveFrame

__all__ = ["LiveFeed", "LiveReader"]


class LiveFeed:
    """Where live frames come out; used from any thread."""

    def __init__(self) -> None:
        self.on_wait: Callable[[], None] = lambda: None
        """Called when somebody begins to wait for a frame."""
        self._waiting = 0
        self._expecting: set[LiveReader] = set()
        self._changed = threading.Condition()
        self._newest: LiveFrame | None = None
        self._readers: list[LiveReader] = []
        self._closed = False

    @property
    def newest(self) -> LiveFrame | None:
        """The newest frame; None before the first."""
        return self._newest

    @property
    def readers(self) -> int:
        """How many read."""
        return len(self._readers)

    @property
    def wanted(self) -> bool:
        """Whether somebody waits for a frame."""
        return self._waiting > 0 or bool(self._expecting)

    def subscribe(self, on_frame: Callable[[], None] | None = None) -> "LiveReader":
        """Begin to read.

        Parameters
        ----------
        on_frame : callable, optional
            Called in another thread whenever there is something to take, and at the end; it must
            return at once, such as ``loop.call_soon_threadsafe(event.set)``.

        Returns
        -------
        LiveReader
            A reader; close it when done, or use it as a context manager.
        """
        reader = LiveReader(self, on_frame)
        with self._changed:
            self._readers.append(reader)
        return reader

    def publish(self, frame: LiveFrame) -> None:
        """Show a frame."""
        with self._changed:
            self._newest = frame
            self._expecting.clear()
            self._changed.notify_all()
            readers = list(self._readers)
        for reader in readers:
            reader.tell()

    def close(self) -> None:
        """End all reading; harmless when done twice."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
            readers, self._readers = self._readers, []
        for reader in readers:
            reader.tell()

    @property
    def closed(self) -> bool:
        """Whether no frame will come any more."""
        return self._closed

    def take(self, after: int | None, timeout_s: float) -> LiveFrame | None:
        """Wait for a frame newer than the one with a number; None if none came in time."""
        with self._changed:
            self._waiting += 1
        self.on_wait()
        with self._changed:
            try:
                self._changed.wait_for(lambda: self._closed or self._is_newer(after), timeout_s)
                return self._newest if self._is_newer(after) and not self._closed else None
            finally:
                self._waiting -= 1

    def _is_newer(self, after: int | None) -> bool:
        return self._newest is not None and (after is None or self._newest.number > after)

    def expect(self, reader: "LiveReader") -> None:
        """Count a reader among those that wait, until there is a frame."""
        with self._changed:
            self._expecting.add(reader)
        self.on_wait()

    def forget(self, reader: "LiveReader") -> None:
        """Tell a reader no more."""
        with self._changed:
            self._expecting.discard(reader)
            if reader in self._readers:
                self._readers.remove(reader)


class LiveReader:
    """One viewer's place in a feed; a context manager. Made by `LiveFeed.subscribe`."""

    def __init__(self, feed: LiveFeed, on_frame: Callable[[], None] | None) -> None:
        self._feed = feed
        self._on_frame = on_frame
        self._seen: int | None = None

    def take(self, timeout_s: float) -> LiveFrame | None:
        """Take the newest frame that was not taken yet.

        Parameters
        ----------
        timeout_s : float
            How long to wait for one, in seconds; 0 does not wait.

        Returns
        -------
        LiveFrame or None
            The frame; None where none came in time or none will come any more.
        """
        frame = self._feed.take(self._seen, timeout_s)
        if frame is not None:
            self._seen = frame.number
        return frame

    @property
    def ended(self) -> bool:
        """Whether no frame will come any more."""
        return self._feed.closed

    def expect(self) -> None:
        """Wait for the next frame without standing still: it is told when it is there."""
        self._feed.expect(self)

    def tell(self) -> None:
        """Say that there is something to take."""
        if self._on_frame is not None:
            self._on_frame()

    def close(self) -> None:
        """Stop reading; harmless when done twice."""
        self._feed.forget(self)

    def __enter__(self) -> Self:
        """Return the reader itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop reading."""
        self.close()
