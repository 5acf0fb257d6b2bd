"""Invented inputs for the live sound: made of a function of time, lost and found by hand."""

import threading

import numpy as np

from acoustic.signals import DigitalSignal
from service.errors import CaptureError
from service.ports import SoundBlock

WAIT_S = 10.0
"""Longest wait of a test for another thread; much longer than any of them takes."""


def tone(rms, frequency_hz=1000.0):
    """Make the samples of a steady tone."""

    def samples(time_s):
        return np.sqrt(2.0) * rms * np.sin(2.0 * np.pi * frequency_hz * time_s)

    return samples


class InventedInput:
    """One channel, whose sound is a function of time, and whose faults tests switch on."""

    def __init__(self, samples=None, *, rate_hz=48_000, name="invented:input"):
        self.samples = samples or tone(0.1)
        self.rate_hz, self.channels, self.name = rate_hz, 1, name
        self.taken = 0
        self.faults = ()
        self.lost = False
        self.closed = 0
        self.blocks_left = None
        self.empty = threading.Event()

    def read(self, frames):
        """Make the next frames, or fail."""
        if self.lost:
            raise CaptureError("The cable was pulled.")
        if self.blocks_left == 0:
            self.empty.set()
            raise CaptureError("That was all.")
        if self.blocks_left is not None:
            self.blocks_left -= 1
        time_s = np.arange(self.taken, self.taken + frames) / self.rate_hz
        self.taken += frames
        return SoundBlock(
            DigitalSignal(self.samples(time_s)[:, None], self.rate_hz), tuple(self.faults)
        )

    def close(self):
        """Count it."""
        self.closed += 1
