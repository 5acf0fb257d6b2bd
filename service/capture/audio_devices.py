"""The inputs of an audio system: which one is meant, and what stands between it and the sound."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.errors import DeviceNotFound

__all__ = [
    "InputDevice",
    "choose_device",
    "doubt_about",
    "find_again",
    "is_only_one",
]

_HARDWARE: Final = re.compile(r"\s*\(hw:\d+,\d+\)$")
"""How ALSA ends the name of a device itself; the numbers change when it is plugged in again."""

_SERVER: Final = (
    "A sound server or plug-in stands in between and may change the rate, mix channels or apply a "
    "volume without a word; use the device itself, whose name ends in (hw:...)."
)
_WINDOWS_MIXER: Final = (
    "The system may change the rate and apply a volume or effects here without a word; use the "
    "same device through Windows WDM-KS, or through Windows WASAPI."
)
_DOUBTS: Final = {
    "ALSA": _SERVER,
    "PulseAudio": _SERVER,
    "sndio": _SERVER,
    "MME": _WINDOWS_MIXER,
    "Windows DirectSound": _WINDOWS_MIXER,
    "Windows WASAPI": (
        "The system applies the volume and the enhancements of this input: set the one and do not "
        "touch it again, and switch the others off."
    ),
    "Core Audio": (
        "The system applies the volume of this input and converts to any rate: set both in its "
        "audio settings, the rate to the one that is used here."
    ),
}
"""What may change the sound on its way through an audio system, and what to do about it."""


@dataclass(frozen=True, slots=True)
class InputDevice:
    """An input as the audio library lists it."""

    index: int
    """Its number, which holds for one start of the library only."""
    name: str
    """Its name."""
    interface: str
    """The audio system that it is reached through."""
    channels: int
    """Most channels it gives."""
    default_rate_hz: float
    """Sampling rate it has by itself, as far as the audio system tells."""
    default: bool = False
    """Whether it is what the audio system takes when nothing is named."""
    rates_hz: tuple[int, ...] = ()
    """Sampling rates it was found to take; empty when it was not asked or is taken."""

    @property
    def label(self) -> str:
        """Its name with that of its audio system, as the same device may be in several."""
        return f"{self.name}, {self.interface}"


def choose_device(name_part: str, devices: Sequence[InputDevice]) -> InputDevice:
    """Find the one input that is meant; never another.

    Parameters
    ----------
    name_part : str
        A part of its label, in any case; the whole name counts more than a part.
    devices : sequence of InputDevice
        All inputs.

    Returns
    -------
    InputDevice
        The one that is meant.

    Raises
    ------
    DeviceNotFound
        If there is none or more than one; the text lists them.

    Examples
    --------
    >>> line = InputDevice(0, "Line", "ALSA", 2, 48000)
    >>> usb = InputDevice(3, "USB microphone (hw:1,0)", "ALSA", 1, 48000)
    >>> choose_device("usb", [line, usb]).label
    'USB microphone (hw:1,0), ALSA'
    """
    wanted = name_part.strip().casefold()
    whole = [d for d in devices if wanted in {d.label.casefold(), d.name.casefold()}]
    found = whole or [d for d in devices if wanted in d.label.casefold()]
    if len(found) == 1:
        return found[0]
    listed = "; ".join(d.label for d in (found or devices)) or "no input at all"
    if found:
        raise DeviceNotFound(
            f"{name_part!r} means more than one input: give a part of the name that only one "
            f"has of {listed}."
        )
    raise DeviceNotFound(f"There is no input {name_part!r}; this machine has {listed}.")


def is_only_one(device: InputDevice, devices: Sequence[InputDevice]) -> bool:
    """Tell whether no other input would have the same name were it plugged in elsewhere.

    Parameters
    ----------
    device : InputDevice
        One of them.
    devices : sequence of InputDevice
        All inputs.

    Returns
    -------
    bool
        False for one of two microphones of the same model.
    """
    return sum(_lasting(other) == _lasting(device) for other in devices) == 1


def find_again(
    known: InputDevice, devices: Sequence[InputDevice], *, only_one: bool
) -> InputDevice:
    """Find a device that was in use before; never another.

    Parameters
    ----------
    known : InputDevice
        The device as it was.
    devices : sequence of InputDevice
        All inputs there are now.
    only_one : bool
        Whether it was the only one of its name; then it is known by it in another place, too.

    Returns
    -------
    InputDevice
        The device as it is now.

    Raises
    ------
    DeviceNotFound
        If it is not there, or it cannot be told which one it is.
    """
    found = [other for other in devices if other.label == known.label]
    if not found and only_one:
        found = [other for other in devices if _lasting(other) == _lasting(known)]
    if len(found) != 1:
        raise DeviceNotFound(f"The device {known.label!r} is not there.")
    return found[0]


def _lasting(device: InputDevice) -> tuple[str, str]:
    """Return what of a device's label stays the same wherever it is plugged in."""
    return _HARDWARE.sub("", device.name), device.interface


def doubt_about(device: InputDevice) -> str | None:
    """Say what may change the sound of an input on its way, where something may.

    Parameters
    ----------
    device : InputDevice
        The input.

    Returns
    -------
    str or None
        One sentence that says what to do about it; None for the hardware itself.
    """
    if device.interface == "ALSA" and _HARDWARE.search(device.name):
        return None
    if device.interface == "JACK Audio Connection Kit" and device.name != "system":
        return "This is what another program gives out, and no microphone."
    return _DOUBTS.get(device.interface)
