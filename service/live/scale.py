"""What the samples of the input mean: which channels count, and how many pascals a unit is."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from acoustic.decibels import REFERENCE_PRESSURE_PA
from acoustic.microphone_response import MicrophoneResponse
from acoustic.signals import Samples

__all__ = ["InputScale", "uncalibrated"]


@dataclass(frozen=True, slots=True, eq=False)
class InputScale:
    """How samples become sound pressure."""

    channels: tuple[int, ...]
    """Channels that count, counted from 0."""
    pascal_per_unit: Samples
    """Factor of each, shape ``(channels,)``."""
    calibrated: bool
    """Whether that is a calibration; otherwise levels come out in dB re full scale."""
    response: MicrophoneResponse | None = None
    """Response of the microphone, to be taken out."""
    calibration_time: datetime | None = None
    """When it was calibrated."""


def uncalibrated(channels: tuple[int, ...]) -> InputScale:
    """Take samples as they are.

    Parameters
    ----------
    channels : tuple of int
        Channels that count, counted from 0.

    Returns
    -------
    InputScale
        With it a level in dB re 20 uPa is the number of dB re full scale, of which a root mean
        square of 1.0 is 0.
    """
    return InputScale(channels, np.full(len(channels), REFERENCE_PRESSURE_PA), calibrated=False)
