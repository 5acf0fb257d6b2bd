"""Signals whose unit is in their type: samples re full scale, or sound pressure in pascals.

Mixing the two up gives a plausible wrong level, so they are different classes and one function,
`PressureSignal.from_digital`, leads from one to the other.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from acoustic.errors import SignalError

__all__ = ["DigitalSignal", "PressureSignal", "Samples"]

Samples = npt.NDArray[np.float64]
"""Double-precision samples or numbers; the shape stands in the docstring that uses it."""


def _checked(samples: Samples, rate_hz: float) -> Samples:
    """Return a read-only view of `samples` as float64 ``(frames, channels)``, or raise."""
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        raise SignalError(f"The sampling rate must be a positive number of hertz, not {rate_hz}.")
    array = np.asarray(samples, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] == 0:
        raise SignalError(
            f"Samples must have the shape (frames, channels), not {array.shape}; "
            "give one column for one channel."
        )
    if not np.isfinite(array).all():
        frame = int(np.argmin(np.isfinite(array).all(axis=1)))
        raise SignalError(
            f"The sample {frame / rate_hz:.3f} s into this signal is not a finite number; "
            "repair the recording or leave that part out."
        )
    # A view, so that the caller's own array stays writable.
    view = array.view()
    view.setflags(write=False)
    return view


@dataclass(frozen=True, slots=True, eq=False)
class _Signal:
    """What signals of either unit have in common."""

    samples: Samples
    """Samples in the unit of the class, shape ``(frames, channels)``; read-only."""
    rate_hz: float
    """Sampling rate in hertz."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", _checked(self.samples, self.rate_hz))

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.rate_hz

    def must_go_on(self, what: str, rate_hz: float, channels: int) -> None:
        """Make sure that a block goes on with what came before it.

        Parameters
        ----------
        what : str
            What the blocks are heard for, for the sentence.
        rate_hz : float
            Sampling rate of the blocks before.
        channels : int
            Their number of channels.

        Raises
        ------
        SignalError
            If rate or channels are others.
        """
        if self.rate_hz != rate_hz or self.samples.shape[1] != channels:
            raise SignalError(
                f"The block has {self.samples.shape[1]} channels at {self.rate_hz:g} Hz, but the "
                f"{what} began with {channels} at {rate_hz:g} Hz; start a new one."
            )


@dataclass(frozen=True, slots=True, eq=False)
class DigitalSignal(_Signal):
    """Samples as a converter or a file gives them, with 1.0 as full scale.

    Raises
    ------
    SignalError
        If the shape, the rate or a value is unusable.
    """


@dataclass(frozen=True, slots=True, eq=False)
class PressureSignal(_Signal):
    """Sound pressure at the microphone in pascals.

    Raises
    ------
    SignalError
        If the shape, the rate or a value is unusable.
    """

    @classmethod
    def from_digital(cls, signal: DigitalSignal, pascal_per_unit: float | Samples) -> Self:
        """Turn samples into sound pressure with a calibration factor.

        Parameters
        ----------
        signal : DigitalSignal
            Samples re full scale.
        pascal_per_unit : float or ndarray of shape (channels,)
            Sound pressure in pascals of a sample of value 1.0, for all or for each channel.

        Returns
        -------
        PressureSignal
            The same frames in pascals.

        Raises
        ------
        SignalError
            If a factor is not a positive finite number, or there is not one for each channel.
        """
        factor = np.asarray(pascal_per_unit, dtype=np.float64)
        if not (np.isfinite(factor).all() and (factor > 0).all()):
            raise SignalError(
                f"The calibration factor must be a positive number of pascals per unit, not "
                f"{pascal_per_unit}; calibrate the microphone again."
            )
        # Left to broadcasting, two factors would make two channels of one.
        if factor.shape not in {(), signal.samples.shape[1:]}:
            raise SignalError(
                f"{factor.size} calibration factors do not fit {signal.samples.shape[1]} "
                "channels; give one for all or one for each."
            )
        return cls(signal.samples * factor, signal.rate_hz)
