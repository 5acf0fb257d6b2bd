"""From what `--input` says to a sound source, and what there is to say."""

from collections.abc import Callable
from pathlib import Path
from typing import Literal

from service.errors import SettingsError
from service.ports import SoundSource

__all__ = ["open_input"]

Position = Literal["room", "calibrator"]
"""Whether a simulated microphone hears the room or the calibrator."""


def open_input(
    text: str,
    *,
    rate_hz: int,
    channels: int,
    data_folder: Path,
    position: Position,
    device_return_s: float,
    tell: Callable[[str], None],
) -> SoundSource:
    """Open a sound input.

    Parameters
    ----------
    text : str
        ``file:PATH`` or just a path, ``exec:COMMAND``, ``device:NAME`` or ``simulated:NAME``.
    rate_hz, channels : int
        Rate and channels of a device or a program; recordings and simulated benches have their
        own.
    data_folder : Path
        Where running simulated benches are noted.
    position : {"room", "calibrator"}
        What a simulated microphone is to hear.
    device_return_s : float
        How long a device that is lost may take to come back.
    tell : callable
        Given remarks for the person at the input.

    Returns
    -------
    SoundSource
        The source; the caller closes it.

    Raises
    ------
    SettingsError
        If the text names no input.
    EvenhushError
        If there is no such input or it cannot be opened.
    """
    kind, colon, rest = text.partition(":")
    if colon and not rest.strip():
        raise SettingsError(f"The input {text!r} names nothing after the colon.")
    match kind if colon else "":
        case "exec":
            from service.capture.program import ProgramSource

            return ProgramSource(rest, rate_hz=rate_hz, channels=channels)
        case "device":
            from service.capture.device import DeviceSource

            return DeviceSource(
                rest, rate_hz=rate_hz, channels=channels, return_s=device_return_s, tell=tell
            )
        case "simulated":
            from service.capture.bench_sound import BenchSound
            from service.storage.simulated_benches import find_bench_url

            url = find_bench_url(data_folder, rest)
            return BenchSound(url, position=position, name=text)
        case "file":
            return _recording(Path(rest))
        case _:
            # A bare path, which on some platforms has a colon of its own.
            return _recording(Path(text))


def _recording(path: Path) -> SoundSource:
    """Open a recording."""
    from service.capture.recording import RecordingSource

    return RecordingSource(path)
