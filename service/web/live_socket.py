"""Live frames for pages: binary, the newest only, and one credit.

A page answers with one byte after it has drawn a frame; only then the newest one goes out. So a
slow page is never behind, a stuck one gets nothing, and neither costs anybody else anything. Each
frame is put into bytes once, by the thread that made it.

The bytes, little endian: the magic ``EVH1``, the number of the frame (uint32), its time in seconds
since 1970 (float64), flags (uint16; 1 calibrated, 2 valid), the count of levels (uint16) and as
many float32: level F, LAeq of a second, running LAeq, its seconds, floor, target (NaN where there
is none), then the one-third octaves; the count of points of the spectrum (uint16, 0 for none) and
as many float32; the length of what follows (uint32), and JSON in UTF-8 with `faults`, `bench` and
`job`.
"""

import asyncio
import contextlib
import struct
import threading
from collections.abc import Awaitable, Callable
from typing import Final

import anyio
import numpy as np
from pydantic import TypeAdapter
from starlette.websockets import WebSocket, WebSocketDisconnect

from service.live.bench_view import BenchView
from service.live.feed import LiveFeed
from service.live.frames import LiveFrame, LiveJob

__all__ = ["FrameBytes", "serve_live"]

MAGIC: Final = b"EVH1"
_CALIBRATED: Final = 1
_VALID: Final = 2
_FAULTS: Final = TypeAdapter(tuple[str, ...])
_BENCH: Final = TypeAdapter(BenchView | None)
_JOB: Final = TypeAdapter(LiveJob | None)


def encoded(frame: LiveFrame) -> bytes:
    """Put a frame into bytes."""
    levels = np.array(
        [
            frame.LAF_db,
            frame.LAeq_1s_db,
            frame.LAeq_db,
            frame.LAeq_s,
            np.nan if frame.floor_db is None else frame.floor_db,
            np.nan if frame.target_db is None else frame.target_db,
            *frame.third_octaves_db,
        ],
        dtype="<f4",
    )
    spectrum = np.zeros(0) if frame.spectrum_db is None else frame.spectrum_db
    flags = _CALIBRATED * frame.calibrated + _VALID * frame.valid
    text = b'{"faults":%s,"bench":%s,"job":%s}' % (
        _FAULTS.dump_json(frame.faults),
        _BENCH.dump_json(frame.bench),
        _JOB.dump_json(frame.job),
    )
    return b"".join(
        (
            MAGIC,
            struct.pack("<IdHH", frame.number, frame.time.timestamp(), flags, len(levels)),
            levels.tobytes(),
            struct.pack("<H", len(spectrum)),
            np.asarray(spectrum, dtype="<f4").tobytes(),
            struct.pack("<I", len(text)),
            text,
        )
    )


class FrameBytes:
    """The newest frame in bytes, made once for all who look.

    Parameters
    ----------
    feed : LiveFeed
        Where frames come from.
    """

    def __init__(self, feed: LiveFeed) -> None:
        self._feed = feed
        self._lock = threading.Lock()
        self._number = -1
        self._bytes = b""

    def newest(self) -> tuple[int, bytes] | None:
        """Return number and bytes of the newest frame; None before the first."""
        frame = self._feed.newest
        if frame is None:
            return None
        with self._lock:
            if frame.number != self._number:
                self._bytes = encoded(frame)
                self._number = frame.number
            return self._number, self._bytes


async def serve_live(socket: WebSocket, feed: LiveFeed, frames: FrameBytes) -> None:
    """Send frames to one page until it goes or the lab ends.

    Parameters
    ----------
    socket : WebSocket
        The page.
    feed : LiveFeed
        Tells when there is a new frame.
    frames : FrameBytes
        The newest one.
    """
    await socket.accept()
    viewer = _Viewer(socket, feed, frames)
    with viewer.reader:
        async with anyio.create_task_group() as both:

            async def until_it_goes(work: Callable[[], Awaitable[None]]) -> None:
                """Do one half of the talk; its end ends the other half."""
                # It went, or sent something else than its credit: its end, and nobody else's.
                with contextlib.suppress(WebSocketDisconnect, KeyError, RuntimeError):
                    await work()
                both.cancel_scope.cancel()

            both.start_soon(until_it_goes, viewer.send)
            both.start_soon(until_it_goes, viewer.take_credits)


class _Viewer:
    """One page: what it was sent, and whether it wants more."""

    def __init__(self, socket: WebSocket, feed: LiveFeed, frames: FrameBytes) -> None:
        self._socket = socket
        self._feed = feed
        self._frames = frames
        self._loop = asyncio.get_running_loop()
        self._fresh = asyncio.Event()
        self._credit = asyncio.Event()
        self._ready: tuple[int, bytes] = (-1, b"")
        self.reader = feed.subscribe(self.told)
        """Its place among those that read; closed when the page goes."""
        self.told()

    def told(self) -> None:
        """Have the newest frame at hand; called by the thread that made it."""
        self._ready = self._frames.newest() or self._ready
        with contextlib.suppress(RuntimeError):  # the server has ended meanwhile
            self._loop.call_soon_threadsafe(self._fresh.set)

    async def send(self) -> None:
        """Send the newest frame for each credit, until the lab ends."""
        sent = -1
        while True:
            await self._credit.wait()
            self._credit.clear()
            while self._ready[0] <= sent:
                if self._feed.closed:
                    await self._socket.close(1001)
                    return
                self._fresh.clear()
                self.reader.expect()
                await self._fresh.wait()
            sent, data = self._ready
            await self._socket.send_bytes(data)

    async def take_credits(self) -> None:
        """Take what the page says, until it goes."""
        while True:
            await self._socket.receive_bytes()
            self._credit.set()
