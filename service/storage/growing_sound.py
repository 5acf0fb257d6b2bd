"""Sound files that can be read while they grow, and after whatever ends their growing.

A library's own way of writing is not enough for that: it brings the number of frames into the
head of a FLAC or RF64 file only when it closes it. A program that is killed leaves a FLAC file
that says nothing of its length, which some readers take for endless, and an RF64 file of length
zero. Here the head is brought up to date in between, in place, by a few bytes.
"""

import io
import struct
from typing import Final

import numpy as np
import soundfile

from acoustic.signals import Samples
from service.storage.unfailing_file import UnfailingFile

__all__ = ["COMMENT_BYTES", "FlacFile", "WavFile"]

COMMENT_BYTES: Final = 32_768
"""Room for text in a file's head, which is filled again at the end."""
_FULL_24_BIT: Final = 2**23
_SPARE_BITS: Final = 8  # a 24-bit value sits in the upper bits of the 32 that the library takes
_FLAC_BLOCK_OFFSET: Final = 8
"""Where the first piece of a FLAC file's head says how many frames a block has (RFC 9639, 8.2)."""
_FLAC_TOTAL_OFFSET: Final = 21
"""Where it says how many frames there are: the lower half of this byte, and four more."""
_FLAC_SYNC: Final = b"\xff\xf8"
"""How a block of a FLAC file begins where all have the same length."""
_RF64_FROM: Final = 2**32 - 2**20
"""Bytes of sound from which the sizes of a WAV file do not fit its head any more."""


class FlacFile:
    """A FLAC file of 24 bits that grows.

    Parameters
    ----------
    file : RawIOBase
        An open, empty file without a buffer.
    rate_hz, channels : int
        Sampling rate in hertz, and number of channels: 8 at most.
    comment : str
        Text for its head, at most `COMMENT_BYTES` long.
    """

    loudest: Final[float] = 1.0
    """Largest magnitude that can be stored."""

    def __init__(self, file: io.RawIOBase, *, rate_hz: int, channels: int, comment: str) -> None:
        self.disk = UnfailingFile(file, self._look_at)
        self._whole_blocks = 0
        self._block_frames = 0
        self._comment_place: int | None = None
        self._file = soundfile.SoundFile(self.disk, "w", rate_hz, channels, "PCM_24", format="FLAC")
        self._file.comment = _filled(comment).decode()

    @property
    def frames(self) -> int:
        """How many frames are in the file, as whole blocks."""
        return self._whole_blocks * self._block_frames

    def write(self, samples: Samples) -> None:
        """Append sound; what is beyond full scale is cut off.

        Parameters
        ----------
        samples : ndarray of shape (frames, channels)
            Samples re full scale; a value of exactly 1.0 becomes the highest of 24 bits.
        """
        # As whole numbers: the library would scale floating-point samples by one step less.
        steps = np.clip(np.rint(samples * _FULL_24_BIT), -_FULL_24_BIT, _FULL_24_BIT - 1)
        self._file.write(steps.astype(np.int32) << _SPARE_BITS)

    def secure(self) -> None:
        """Bring the head up to date, so that a reader finds all whole blocks."""
        if self._comment_place is None:
            return  # there is no head yet
        bits = (24 - 1) & 0xF
        total = (bits << 36) | self.frames
        self.disk.patch(_FLAC_TOTAL_OFFSET, total.to_bytes(5, "big"))

    def finish(self, comment: str) -> None:
        """Write what is left, replace the text in the head, and close the file.

        Parameters
        ----------
        comment : str
            The text, at most `COMMENT_BYTES` long.
        """
        self._file.close()
        if self.disk.failure is not None:
            self.secure()
        if self._comment_place is not None:
            self.disk.patch(self._comment_place, _filled(comment))
        self.disk.sync()
        self.disk.close()

    def _look_at(self, place: int, data: bytes) -> None:
        """Count what the library appends: first the pieces of the head, then a block a call."""
        if data.startswith(_FLAC_SYNC):
            self._whole_blocks += 1
        elif b"comment=" in data:
            self._comment_place = place + data.index(b"comment=") + len(b"comment=")
        elif place <= _FLAC_BLOCK_OFFSET < place + len(data) - 1:
            first = _FLAC_BLOCK_OFFSET - place
            self._block_frames = int.from_bytes(data[first : first + 2], "big")


class WavFile:
    """A WAV file of 32-bit floating point that grows, and becomes RF64 where it gets too large.

    Parameters
    ----------
    file : RawIOBase
        An open, empty file without a buffer.
    rate_hz, channels : int
        Sampling rate in hertz, and number of channels.
    comment : str
        Text for its head, at most `COMMENT_BYTES` long.
    rf64_from : int, optional
        Bytes of sound from which it is an RF64 file.

    Notes
    -----
    The head keeps 28 bytes free from the beginning, in which RF64 puts its 64-bit sizes (EBU Tech
    3306), so that nothing has to move.
    """

    loudest: Final[float] = float("inf")
    """Largest magnitude that can be stored."""

    def __init__(
        self,
        file: io.RawIOBase,
        *,
        rate_hz: int,
        channels: int,
        comment: str,
        rf64_from: int = _RF64_FROM,
    ) -> None:
        self.disk = UnfailingFile(file)
        self._rate_hz = rate_hz
        self._frame_bytes = 4 * channels
        self._channels = channels
        self._rf64_from = rf64_from
        self._begun = False
        self._comment = _filled(comment)
        self.frames = 0
        """How many frames are in the file."""

    def write(self, samples: Samples) -> None:
        """Append sound.

        Parameters
        ----------
        samples : ndarray of shape (frames, channels)
            Samples re full scale.
        """
        if not self._begun:
            self._begun = True
            self.disk.write(self._sizes() + self._text() + self._data_size())
        self.disk.write(samples.astype("<f4").tobytes())
        if self.disk.failure is None:
            self.frames += len(samples)

    def secure(self) -> None:
        """Bring the head up to date, so that a reader finds everything."""
        if not self.frames:
            return  # there may be no head yet
        sizes = self._sizes()
        self.disk.patch(0, sizes)
        self.disk.patch(len(sizes) + len(self._text()), self._data_size())

    def finish(self, comment: str) -> None:
        """Replace the text in the head, and close the file.

        Parameters
        ----------
        comment : str
            The text, at most `COMMENT_BYTES` long.
        """
        self.secure()
        self._comment = _filled(comment)
        if self.frames:
            self.disk.patch(len(self._sizes()), self._text())
        self.disk.sync()
        self.disk.close()

    def _sizes(self) -> bytes:
        """Build the head up to its text."""
        rate_hz, frame_bytes = self._rate_hz, self._frame_bytes
        data = self.frames * frame_bytes
        large = data >= self._rf64_from
        after = len(self._text()) + 8 + data
        fmt = struct.pack(
            "<4sIHHIIHHH", b"fmt ", 18, 3, self._channels, rate_hz, rate_hz * frame_bytes,
            frame_bytes, 32, 0,
        )  # fmt: skip
        fact = struct.pack("<4sII", b"fact", 4, min(self.frames, 2**32 - 1))
        whole = 4 + 36 + len(fmt) + len(fact) + after
        if large:
            begin = struct.pack("<4sI4s", b"RF64", 2**32 - 1, b"WAVE")
            spare = struct.pack("<4sIQQQI", b"ds64", 28, whole, data, self.frames, 0)
        else:
            begin = struct.pack("<4sI4s", b"RIFF", whole, b"WAVE")
            spare = struct.pack("<4sI28x", b"JUNK", 28)
        return begin + spare + fmt + fact

    def _text(self) -> bytes:
        """Build the piece of the head that holds the text."""
        text = self._comment[:-1] + b"\0"
        return struct.pack("<4sI4s4sI", b"LIST", len(text) + 12, b"INFO", b"ICMT", len(text)) + text

    def _data_size(self) -> bytes:
        """Build the end of the head."""
        data = self.frames * self._frame_bytes
        return struct.pack("<4sI", b"data", 2**32 - 1 if data >= self._rf64_from else data)


def _filled(comment: str) -> bytes:
    """Return a text at the length that is kept free for it."""
    return comment.encode().ljust(COMMENT_BYTES)[:COMMENT_BYTES]
