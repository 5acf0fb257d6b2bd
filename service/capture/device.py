"""An audio device as a sound input.

A device can vanish or fall silent without any error from the audio library, and a sound server can
lose sound without saying so. So the library's callback only hands blocks over, a wait for them has
a limit, and their frames are counted against the clock.
"""

import threading
import time
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from service.capture.arrivals import Arrivals, FrameCount
from service.capture.blocks import sound_block
from service.errors import CaptureStalled, DeviceNotFound, SettingsError, SoundEnded
from service.ports import SoundBlock

__all__ = ["DeviceSource", "choose_device", "input_devices"]

_BLOCK_S: Final = 0.1
"""Length of the blocks the device delivers, in seconds."""
_WAITING_BLOCKS: Final = 10
"""Most blocks that wait to be read: as much delay as hearing a speed may have, and no more."""
_CLOSE_S: Final = 2.0
"""How long closing may take before it is left to itself; a hung sound server never lets go."""


class DeviceSource:
    """An input of this machine's audio system.

    Parameters
    ----------
    name_part : str
        A part of the device's name that no other input has, in any case.
    rate_hz : int
        Sampling rate in hertz.
    channels : int
        Number of channels.
    stall_s : float, optional
        How long the device may deliver nothing, in seconds.
    clock : callable, optional
        Monotonic time in seconds, which the frames are counted against.

    Raises
    ------
    DeviceNotFound
        If there is no such device or more than one, or no library to reach it.
    SettingsError
        If the device does not offer the rate or the channels, or cannot be opened.
    """

    def __init__(
        self,
        name_part: str,
        *,
        rate_hz: int,
        channels: int,
        stall_s: float = 2.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        audio = _audio_library()
        index, label = choose_device(name_part, input_devices())
        self.name = f"device:{name_part}"
        """What the user called it."""
        self.rate_hz = rate_hz
        """Sampling rate in hertz."""
        self.channels = channels
        """Number of channels."""
        self._label = label
        self._stall_s = stall_s
        self._clock = clock
        self._arrivals = Arrivals(_WAITING_BLOCKS)
        self._count = FrameCount(rate_hz)
        self._closed = False
        try:
            self._stream = audio.InputStream(
                device=index,
                samplerate=rate_hz,
                channels=channels,
                dtype="float32",
                blocksize=round(_BLOCK_S * rate_hz),
                callback=self._arrive,
                finished_callback=self._arrivals.finish,
            )
            self._stream.start()
        except (audio.PortAudioError, ValueError) as error:
            raise SettingsError(
                f"The device {label!r} cannot be opened with {channels} channel(s) at {rate_hz} Hz "
                f"({_reason(error)}); use what it offers."
            ) from error

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames.

        Parameters
        ----------
        frames : int
            How many.

        Returns
        -------
        SoundBlock
            The sound, with what the audio library and the clock say against it.

        Raises
        ------
        SoundEnded
            If the source was closed.
        CaptureStalled
            If the device delivers nothing any more.
        """
        if self._closed:
            raise SoundEnded(f"The input {self.name} was closed; open it again to go on.")
        heard = self._arrivals.take(frames, self._stall_s)
        if heard is None:
            how = (
                "has stopped, as if it was unplugged or its sound server ended"
                if self._arrivals.finished
                else f"has delivered nothing for {self._stall_s:g} s"
            )
            raise CaptureStalled(f"The device {self._label!r} {how}; check it and start again.")
        return sound_block(heard.samples, self.rate_hz, heard.faults)

    def close(self) -> None:
        """Give the device back; harmless when done twice."""
        if self._closed:
            return
        self._closed = True
        # With a sound server that hangs, this would hang as well, and for ever.
        closing = threading.Thread(
            target=self._stream.close, name="evenhush-device-close", daemon=True
        )
        closing.start()
        closing.join(_CLOSE_S)

    def _arrive(
        self, samples: npt.NDArray[np.float32], frames: int, _times: object, status: object
    ) -> None:
        """Take a block from the audio library's own thread: copy, count, hand over."""
        faults = [f"the audio library says {status}"] if status else []
        if not self._count.in_step(frames, self._clock()):
            faults.append("it came late, and sound may be missing")
        self._arrivals.put(samples.copy(), tuple(faults))


def input_devices() -> list[tuple[int, str]]:
    """List the inputs of this machine.

    Returns
    -------
    list of (int, str)
        Number and label of each; a label is the device's name and that of its audio system.

    Raises
    ------
    DeviceNotFound
        If there is no library to ask.
    """
    audio = _audio_library()
    systems = audio.query_hostapis()
    return [
        (index, f"{device['name']}, {systems[device['hostapi']]['name']}")
        for index, device in enumerate(audio.query_devices())
        if device["max_input_channels"] > 0
    ]


def choose_device(name_part: str, devices: list[tuple[int, str]]) -> tuple[int, str]:
    """Find the one input that is meant; never another.

    Parameters
    ----------
    name_part : str
        A part of its label, in any case; the whole name counts more than a part.
    devices : list of (int, str)
        Number and label of each input.

    Returns
    -------
    (int, str)
        Number and label of the one that is meant.

    Raises
    ------
    DeviceNotFound
        If there is none or more than one; the text lists them.

    Examples
    --------
    >>> choose_device("usb", [(0, "Line, ALSA"), (3, "USB microphone, ALSA")])
    (3, 'USB microphone, ALSA')
    """
    wanted = name_part.strip().casefold()
    whole = [
        (index, label)
        for index, label in devices
        if wanted in {label.casefold(), label.rpartition(",")[0].casefold()}
    ]
    found = whole or [(index, label) for index, label in devices if wanted in label.casefold()]
    if len(found) == 1:
        return found[0]
    listed = "; ".join(label for _, label in (found or devices)) or "no input at all"
    if found:
        raise DeviceNotFound(
            f"{name_part!r} means more than one input: give a part of the name that only one "
            f"has of {listed}."
        )
    raise DeviceNotFound(f"There is no input {name_part!r}; this machine has {listed}.")


def _audio_library() -> Any:
    """Load the audio library, or say what to install."""
    try:
        import sounddevice  # noqa: PLC0415 - it raises where its native part is missing
    except OSError as error:
        raise DeviceNotFound(
            "Audio devices need the PortAudio library, which is not installed; install it "
            "(on Debian and Ubuntu the package libportaudio2) and start again."
        ) from error
    return sounddevice


def _reason(error: Exception) -> str:
    """Return what the audio library says, on one line and without a full stop."""
    return " ".join(str(error).split()).rstrip(".")
