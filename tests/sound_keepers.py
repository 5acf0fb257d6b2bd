"""Sound to keep, disks that fail, and a program that keeps sound until it is killed."""

import errno
import io
import os
import sys
import threading
from pathlib import Path

import numpy as np

from acoustic.signals import DigitalSignal
from service.capture.blocks import sound_block
from service.errors import SoundEnded
from service.ports import SoundBlock
from service.storage.kept_sound import KeptSound


class GivenSound:
    """Samples behind the sound port; the blocks whose numbers are named carry a fault.

    On demand blocks also carry the faults that their samples show.
    """

    name = "device:given"

    def __init__(self, samples, rate_hz=48_000, *, faulty=(), judge=False):
        self.judge = judge
        self.samples, self.rate_hz = samples, rate_hz
        self.channels = samples.shape[1]
        self.faulty = set(faulty)
        self.taken = self.blocks = self.closed = 0

    def read(self, frames):
        """Take the next frames."""
        if self.taken + frames > len(self.samples):
            raise SoundEnded("The given sound is at its end.")
        samples = self.samples[self.taken : self.taken + frames]
        faults = ("sound was dropped",) if self.blocks in self.faulty else ()
        self.taken += frames
        self.blocks += 1
        if self.judge:
            return sound_block(samples, self.rate_hz, faults)
        return SoundBlock(DigitalSignal(samples, self.rate_hz), faults)

    def close(self):
        """Count."""
        self.closed += 1


class SmallDisk(io.FileIO):
    """A file on a disk with room for so many bytes; as on a real one, the last write is short."""

    def __init__(self, path, room):
        super().__init__(path, "xb")
        self.room = room

    def write(self, data):
        """Write what there is room for."""
        left = max(self.room - self.tell(), 0)
        if not left:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().write(bytes(data)[:left])


def on_grid(frames, channels=1, seed=1):
    """Noise whose samples 24 bits and single precision hold exactly."""
    steps = np.random.default_rng(seed).integers(-(2**22), 2**22, (frames, channels))
    return steps / 2.0**23


def keep_until_killed(folder, form, seconds):
    """Keep so much sound, tell when it was handed over, and go on more slowly until killed."""
    never = threading.Event()
    source = GivenSound(on_grid(48_000 * seconds), faulty={3, 4})
    kept = KeptSound(
        source,
        Path(folder),
        form,
        stem="killed",
        command="floor",
        tell=print,
    )
    for _ in range(10 * seconds):
        kept.read(4800)
    # Whoever writes is a few milliseconds behind whoever hears.
    kept.warnings()
    sys.stdout.write("heard\n")
    sys.stdout.flush()
    while not never.wait(0.002):
        source.taken %= 48_000 * seconds
        kept.read(4800)


if __name__ == "__main__":
    keep_until_killed(sys.argv[1], sys.argv[2], int(sys.argv[3]))
