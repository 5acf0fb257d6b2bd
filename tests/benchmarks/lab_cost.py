"""What a lab at rest costs: processor time for each second of sound, with a reader of its frames.

Run it on an otherwise quiet machine; it takes as long as it listens. The sound is noise from
memory, delivered in real time like a device's.
"""

import argparse
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from acoustic.signals import DigitalSignal
from service.live.pace import Pace
from service.ports import SoundBlock
from service.settings import Settings
from service.storage.archive import Archive
from service.wiring.lab import Lab


class Noise:
    """Noise from memory."""

    name, rate_hz = "noise:memory", 48_000

    def __init__(self, channels):
        self.channels = channels
        generator = np.random.default_rng(1)
        self.samples = 0.001 * generator.standard_normal((self.rate_hz, channels))
        self.taken = 0

    def read(self, frames):
        """Hand out the next frames, over and over."""
        start = self.taken % (self.rate_hz - frames)
        self.taken += frames
        return SoundBlock(DigitalSignal(self.samples[start : start + frames], self.rate_hz))

    def close(self):
        """Do nothing."""


class Equipment:
    """Noise, and no bench."""

    demo, input_name, bench = False, Noise.name, None
    pace = Pace(speed=1.0, waits=False)

    def __init__(self, channels):
        self.noise = Noise(channels)

    def open_source(self):
        """Give the noise."""
        return self.noise

    def close(self):
        """Do nothing."""


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=float, default=20.0)
    options.add_argument("--channels", type=int, default=1)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        equipment = Equipment(given.channels)
        lab = Lab(Settings(), Path(folder), Archive(Path(folder)), equipment)
        lab.start()
        with lab, lab.live.subscribe() as reader:
            for _ in range(20):
                reader.take(1.0)
            frames, heard, began_s = 0, equipment.noise.taken, time.process_time()
            pause = threading.Event()
            until_s = time.monotonic() + given.seconds
            while time.monotonic() < until_s:
                if reader.take(1.0) is not None:
                    frames += 1
                pause.wait(0.01)
            spent_s = time.process_time() - began_s
            sound_s = (equipment.noise.taken - heard) / equipment.noise.rate_hz
    sys.stdout.write(
        f"{frames / sound_s:.1f} frames a second over {sound_s:.0f} s of sound: "
        f"{100.0 * spent_s / sound_s:.2f} % of a core\n"
    )


if __name__ == "__main__":
    main()
