"""What is asked of the process that holds an audio device, and what it tells."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acoustic.errors import EvenhushError
from service.capture.audio_devices import InputDevice

__all__ = [
    "Alive",
    "Failed",
    "Finished",
    "ListOrder",
    "Listed",
    "Message",
    "Opened",
    "Order",
    "RecordOrder",
    "Sound",
]


@dataclass(frozen=True, slots=True)
class RecordOrder:
    """Record from a device until nobody listens."""

    name_part: str
    """What it is called by the user."""
    rate_hz: int
    """Sampling rate in hertz."""
    channels: int
    """Number of channels."""
    known: "Opened | None" = None
    """The device as it was in use before, if it is to be that one again."""


@dataclass(frozen=True, slots=True)
class ListOrder:
    """List the inputs."""


Order = RecordOrder | ListOrder
"""What may be asked."""


@dataclass(frozen=True, slots=True)
class Opened:
    """The device is open and its sound will come."""

    device: InputDevice
    """Which one it is."""
    only_one: bool
    """Whether no other has its name."""


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A block of sound."""

    samples: npt.NDArray[np.float32]
    """Samples re full scale, shape ``(frames, channels)``."""
    time_s: float
    """When its last frame arrived, on the monotonic clock of the machine."""
    faults: tuple[str, ...]
    """What the audio library says against it, and what was lost right before."""


@dataclass(frozen=True, slots=True)
class Alive:
    """Nothing but that somebody is there; shows the process whether anybody listens."""


@dataclass(frozen=True, slots=True)
class Finished:
    """The audio library let go of the device."""


@dataclass(frozen=True, slots=True)
class Failed:
    """It cannot be done."""

    error: EvenhushError
    """Why."""


@dataclass(frozen=True, slots=True)
class Listed:
    """The inputs of this machine."""

    devices: tuple[InputDevice, ...]
    """All of them, with their rates."""


Message = Opened | Sound | Alive | Finished | Failed | Listed
"""What may be told."""
