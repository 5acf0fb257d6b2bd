"""Sound files as a source, read as far as they are listened to."""

from pathlib import Path
from typing import Final

import numpy as np
import soundfile

from acoustic.errors import SignalError
from acoustic.signals import DigitalSignal
from acoustic.soundness import faults_in
from service.errors import RecordingError, SoundEnded
from service.ports import SoundBlock

__all__ = ["RecordingSource"]

_COARSE_SUBTYPES: Final = frozenset({"PCM_S8", "PCM_U8", "ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM"})
"""Formats of 8 bit and less: their own noise drowns a quiet cooler."""
_LOWEST_RATE_HZ: Final = 8000
_HIGHEST_RATE_HZ: Final = 192_000


class RecordingSource:
    """A sound file, from its beginning.

    Parameters
    ----------
    path : Path
        WAV, RF64, FLAC, OGG, AIFF or whatever else the sound library reads.

    Raises
    ------
    RecordingError
        If it is missing, unreadable, empty, too coarse, or at an unusable rate.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        if not path.exists():
            raise RecordingError(f"There is no recording {path}; check the name.")
        if path.is_dir():
            raise RecordingError(f"{path} is a folder; name one of the recordings in it.")
        try:
            self._file = soundfile.SoundFile(path)
        except (soundfile.SoundFileError, OSError, TypeError) as error:
            # The library asks for the rate of raw files with a TypeError.
            raise RecordingError(
                f"{path} is no recording that can be read; give WAV, FLAC, OGG or AIFF."
            ) from error
        try:
            self._check()
        except RecordingError:
            self._file.close()
            raise

    def _check(self) -> None:
        """Refuse what no level should be made from."""
        if self._file.frames == 0:
            raise RecordingError(f"{self._path} is empty: it holds no sound at all.")
        if self._file.subtype in _COARSE_SUBTYPES:
            raise RecordingError(
                f"{self._path} has 8 bits a sample or less, too coarse for a quiet cooler; record "
                "with 24 bits."
            )
        if not _LOWEST_RATE_HZ <= self._file.samplerate <= _HIGHEST_RATE_HZ:
            raise RecordingError(
                f"{self._path} has a rate of {self._file.samplerate} Hz; "
                f"{_LOWEST_RATE_HZ} to {_HIGHEST_RATE_HZ} Hz can be used."
            )

    @property
    def name(self) -> str:
        """What it is called, ``file:`` and its path."""
        return f"file:{self._path}"

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return int(self._file.samplerate)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self._file.channels)

    @property
    def frames(self) -> int:
        """Number of frames in the file."""
        return int(self._file.frames)

    @property
    def frames_left(self) -> int:
        """Number of frames after those read."""
        return self.frames - int(self._file.tell())

    def skip(self, frames: int) -> None:
        """Go forward without reading.

        Parameters
        ----------
        frames : int
            How many frames.

        Raises
        ------
        SoundEnded
            If fewer are left.
        """
        if frames > self.frames_left:
            raise self._ended()
        self._file.seek(frames, soundfile.SEEK_CUR)

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The samples; clipped or still parts are named as faults.

        Raises
        ------
        SoundEnded
            If fewer are left.
        RecordingError
            If the file is damaged there.
        """
        if frames > self.frames_left:
            raise self._ended()
        start_s = self._file.tell() / self.rate_hz
        try:
            samples = self._file.read(frames, dtype="float64", always_2d=True)
            signal = DigitalSignal(np.asarray(samples), self.rate_hz)
        except (soundfile.SoundFileError, SignalError) as error:
            raise RecordingError(
                f"{self._path} is damaged {start_s:.1f} s from its start: {error}"
            ) from error
        if len(signal.samples) < frames:
            raise RecordingError(f"{self._path} breaks off {start_s:.1f} s from its start.")
        return SoundBlock(signal, faults_in(signal))

    def close(self) -> None:
        """Close the file; harmless when done twice."""
        self._file.close()

    def _ended(self) -> SoundEnded:
        return SoundEnded(
            f"{self._path} ends after {self.frames / self.rate_hz:.1f} s, before enough was "
            "heard; give a longer recording."
        )
