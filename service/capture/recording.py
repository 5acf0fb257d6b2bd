"""Recordings as a sound input, read on demand."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import soundfile

from service.capture.blocks import sound_block
from service.errors import CaptureError, RecordingError, SoundEnded
from service.ports import SoundBlock

__all__ = ["RecordingFormat", "RecordingSource", "inspect_recording"]

_TOO_COARSE: Final = frozenset(
    {
        "PCM_S8",
        "PCM_U8",
        "DPCM_8",
        "ULAW",
        "ALAW",
        "IMA_ADPCM",
        "MS_ADPCM",
        "VOX_ADPCM",
        "G721_32",
        "G723_24",
        "G723_40",
        "GSM610",
        "NMS_ADPCM_16",
        "NMS_ADPCM_24",
        "NMS_ADPCM_32",
    }
)
"""Codings with 8 bits a sample or fewer: their noise hides a quiet room."""

_RATES_HZ: Final = (8000, 192_000)
"""Lowest and highest sampling rate that levels are made from."""


@dataclass(frozen=True, slots=True)
class RecordingFormat:
    """How a recording is stored."""

    container: str
    """Kind of file, such as ``WAV`` or ``FLAC``."""
    coding: str
    """Coding of the samples, such as ``PCM_24`` or ``FLOAT``."""
    rate_hz: int
    """Sampling rate in hertz."""
    channels: int
    """Number of channels."""
    frames: int
    """Number of frames."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz


def inspect_recording(path: Path) -> RecordingFormat:
    """Say how a recording is stored, without reading its sound.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    RecordingFormat
        Its format.

    Raises
    ------
    RecordingError
        If it cannot be used; the text says why.
    """
    with _open(path) as file:
        return _format_of(file)


class RecordingSource:
    """A recording, from its beginning to its end.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    RecordingError
        If it cannot be used; the text says why.
    """

    def __init__(self, path: Path) -> None:
        self._file = _open(path)
        self.name = f"file:{path}"
        """What the user called it."""
        self.format = _format_of(self._file)
        """How it is stored."""
        # As they are stored they are read four times as fast.
        self._dtype = "float32" if self.format.coding == "FLOAT" else "float64"

    @property
    def rate_hz(self) -> int:
        """Sampling rate in hertz."""
        return self.format.rate_hz

    @property
    def channels(self) -> int:
        """Number of channels."""
        return self.format.channels

    @property
    def frames(self) -> int:
        """Number of frames in the file."""
        return self.format.frames

    @property
    def frames_left(self) -> int:
        """Number of frames after those that were read."""
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
            raise SoundEnded(self._ended())
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
            The sound.

        Raises
        ------
        SoundEnded
            If fewer frames are left.
        CaptureError
            If the file is damaged here.
        """
        if self._file.closed or frames > self.frames_left:
            raise SoundEnded(self._ended())
        start_s = self._file.tell() / self.rate_hz
        try:
            samples = self._file.read(frames, dtype=self._dtype, always_2d=True)
        except soundfile.SoundFileError as error:
            raise CaptureError(
                f"{self.name} is damaged {start_s:.1f} s from its beginning ({_reason(error)}); "
                "use an undamaged copy."
            ) from error
        if len(samples) < frames:
            raise CaptureError(
                f"{self.name} breaks off {start_s:.1f} s from its beginning, before the end that "
                "it promises; use an undamaged copy."
            )
        return sound_block(samples, self.rate_hz)

    def close(self) -> None:
        """Close the file; harmless when done twice."""
        self._file.close()

    def _ended(self) -> str:
        """Say where it ends."""
        return (
            f"{self.name} ends after {self.format.duration_s:.1f} s, before enough was heard; "
            "give a longer recording."
        )


def _open(path: Path) -> soundfile.SoundFile:
    """Open a recording that can be used, or raise."""
    if not path.exists():
        raise RecordingError(f"There is no file {path}; check the name.")
    if not path.is_file():
        raise RecordingError(f"{path} is not a file; name a recording.")
    try:
        if path.stat().st_size == 0:
            raise RecordingError(f"{path} is empty; record again.")
        file = soundfile.SoundFile(path)
    except OSError as error:
        raise RecordingError(
            f"{path} cannot be opened ({error.strerror or error}); check its permissions."
        ) from error
    except (soundfile.SoundFileError, TypeError) as error:
        # TypeError: a name that ends in .raw is taken for samples without any header.
        raise RecordingError(
            f"{path} cannot be read as a recording ({_reason(error)}); give WAV or FLAC."
        ) from error
    problem = None
    if file.subtype in _TOO_COARSE:
        problem = (
            f"{path} has 8 bits a sample or fewer ({file.subtype}), whose noise is louder than "
            "a quiet cooler; record with 24 bits."
        )
    elif file.frames == 0:
        problem = f"{path} holds no sound; record again."
    elif not _RATES_HZ[0] <= file.samplerate <= _RATES_HZ[1]:
        problem = (
            f"{path} has a sampling rate of {file.samplerate} Hz; "
            f"{_RATES_HZ[0]} to {_RATES_HZ[1]} Hz can be used."
        )
    if problem is not None:
        file.close()
        raise RecordingError(problem)
    return file


def _format_of(file: soundfile.SoundFile) -> RecordingFormat:
    """Describe an open recording."""
    return RecordingFormat(file.format, file.subtype, file.samplerate, file.channels, file.frames)


def _reason(error: Exception) -> str:
    """Return what the audio file library says, without a full stop."""
    return str(getattr(error, "error_string", error)).rstrip(".")
