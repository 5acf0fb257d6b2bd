"""Inputs and benches for measurements: synthetic sound of a known level, and simulated coolers."""

from datetime import UTC, datetime

import numpy as np
import pytest

from acoustic.signals import DigitalSignal
from service.documents.calibration import CalibrationDocument, CalibrationTone
from service.errors import SoundEnded
from service.ports import SoundBlock

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


class ArraySource:
    """Samples from memory behind the sound port; blocks at chosen times carry a fault.

    A fault is of all channels, or of one of them.
    """

    name = "array:test"

    def __init__(self, samples, rate_hz, *, faulty_s=(), faulty_channel=None):
        self.samples = np.atleast_2d(samples.T).T
        self.rate_hz = rate_hz
        self.channels = self.samples.shape[1]
        self.position = 0
        self.faulty_s = faulty_s
        self.faulty_channel = faulty_channel
        self.closed = False

    def read(self, frames):
        """Hand out the next frames."""
        if self.position + frames > len(self.samples):
            raise SoundEnded("The array is at its end.")
        start_s = self.position / self.rate_hz
        piece = self.samples[self.position : self.position + frames]
        self.position += frames
        end_s = self.position / self.rate_hz
        bad = any(start < end_s and start_s < end for start, end in self.faulty_s)
        faults = ("dropped",) if bad else ()
        of_channels = ()
        if self.faulty_channel is not None:
            of_channels = tuple(
                faults if n == self.faulty_channel else () for n in range(self.channels)
            )
        return SoundBlock(DigitalSignal(piece, self.rate_hz), faults, of_channels)

    def close(self):
        """Remember that it was closed."""
        self.closed = True


@pytest.fixture
def calibrated():
    """Make calibrations for a rate and a factor."""

    def make(rate_hz, pascal_per_unit=2.0, channel=1):
        tone = CalibrationTone(
            frequency_hz=1000.0,
            level_dbfs=-6.0,
            stability_db=0.01,
            distortion_percent=0.1,
            signal_to_noise_db=60.0,
        )
        return CalibrationDocument(
            accepted=True,
            pascal_per_unit=pascal_per_unit,
            rate_hz=rate_hz,
            tone=tone,
            U95_db=0.3,
            time=TIME,
            reasons=[],
            input="array:test",
            channel=channel,
        )

    return make


@pytest.fixture
def array_source():
    """Make sources from arrays."""
    return ArraySource
