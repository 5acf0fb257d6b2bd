"""The audio library, PortAudio by way of sounddevice.

Each of these calls may hang for ever when a sound server does, and the library's list of devices is
made once, when it is loaded. So all of this runs in a process that can be killed
(`service.capture.device_child`), a new one for each try.
"""

from collections.abc import Callable
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from service.capture.audio_devices import InputDevice
from service.errors import CaptureError, DeviceNotFound, SettingsError

__all__ = ["Callback", "input_devices", "start_stream", "supported_rates_hz"]

_USUAL_RATES_HZ: Final = (
    8000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000,
)  # fmt: skip
_REFUSED: Final = frozenset({-9997, -9998})
"""PortAudio's codes for a rate and for a number of channels that a device does not take."""
_LATENCY_S: Final = 0.2
"""How much the audio system may hold: a late process loses nothing, and hearing is not late."""


class Callback(Protocol):
    """Takes sound in the audio library's own thread: samples, frames, times, status."""

    def __call__(
        self, samples: npt.NDArray[np.float32], frames: int, times: object, status: object, /
    ) -> None:
        """Take a piece of sound, whose memory is used again afterwards."""
        ...


def input_devices() -> tuple[InputDevice, ...]:
    """List the inputs of this machine, as they were when the library was loaded.

    Returns
    -------
    tuple of InputDevice
        All inputs.

    Raises
    ------
    DeviceNotFound
        If there is no library to ask.
    """
    audio = _audio_library()
    systems = audio.query_hostapis()
    try:
        usual = audio.query_devices(kind="input")["index"]
    except (audio.PortAudioError, ValueError):
        usual = None  # a machine without an input has no usual one
    return tuple(
        InputDevice(
            index=index,
            name=device["name"],
            interface=systems[device["hostapi"]]["name"],
            channels=device["max_input_channels"],
            default_rate_hz=device["default_samplerate"],
            default=index == usual,
        )
        for index, device in enumerate(audio.query_devices())
        if device["max_input_channels"] > 0
    )


def supported_rates_hz(device: InputDevice) -> tuple[int, ...]:
    """Ask a device which of the usual sampling rates it takes.

    Parameters
    ----------
    device : InputDevice
        The device.

    Returns
    -------
    tuple of int
        Rates in hertz; none of a device that another program has to itself.
    """
    audio = _audio_library()

    def takes(rate_hz: int) -> bool:
        try:
            audio.check_input_settings(
                device=device.index, channels=1, dtype="float32", samplerate=rate_hz
            )
        except (audio.PortAudioError, ValueError):
            return False
        return True

    return tuple(rate_hz for rate_hz in _USUAL_RATES_HZ if takes(rate_hz))


def start_stream(
    device: InputDevice,
    *,
    rate_hz: int,
    channels: int,
    arrive: Callback,
    finished: Callable[[], None],
) -> Any:
    """Open a device and let its sound come.

    Parameters
    ----------
    device : InputDevice
        The device.
    rate_hz, channels : int
        Sampling rate in hertz, and number of channels.
    arrive : Callback
        Given the sound.
    finished : callable
        Called when no more comes, as the device is gone.

    Returns
    -------
    object
        The stream, with a method ``close``.

    Raises
    ------
    SettingsError
        If the device does not take the rate or the channels.
    CaptureError
        If it cannot be opened for another reason.
    """
    audio = _audio_library()
    try:
        stream = audio.InputStream(
            device=device.index,
            samplerate=rate_hz,
            channels=channels,
            dtype="float32",
            # As it comes: in blocks of another length than the audio system's own, most of its
            # signs of lost sound are lost themselves.
            blocksize=0,
            latency=_LATENCY_S,
            callback=arrive,
            finished_callback=finished,
        )
        stream.start()
    except (audio.PortAudioError, ValueError) as error:
        what = (
            f"The device {device.label!r} cannot be opened with {channels} channel(s) at "
            f"{rate_hz} Hz ({_reason(error)}); "
        )
        if isinstance(error, ValueError) or _code(error) in _REFUSED:
            raise SettingsError(what + "use what it offers, see 'evenhush inputs'.") from error
        raise CaptureError(what + "see whether another program has it.") from error
    return stream


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


def _code(error: Exception) -> int | None:
    """Return PortAudio's number for an error, where there is one."""
    codes = [argument for argument in error.args if isinstance(argument, int)]
    return codes[0] if codes else None


def _reason(error: Exception) -> str:
    """Return what the audio library says, on one line and without a full stop."""
    text = str(error.args[0]) if error.args else str(error)
    return " ".join(text.split()).rstrip(".")
