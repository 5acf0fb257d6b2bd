"""Memory and time of ``evenhush analyse`` on a recording of a whole day.

Run as ``python tests/benchmarks/whole_day.py [--hours 24]``. The recording is a FLAC of one channel
at 48 kHz, in a temporary folder: noise of a few steps of 24 bits, so that a day takes 1.9 GB. Time
is that of the processor, memory as Linux counts it. Nothing is asserted.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000
_SPARE_BITS = 8  # a 24-bit value sits in the upper bits of the 32 that the library takes


def write_recording(path: Path, hours: float) -> None:
    """Write a minute again and again, beginning elsewhere each time."""
    steps = np.random.default_rng(1).integers(-2, 3, RATE_HZ * 60, np.int32) << _SPARE_BITS
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_24", compression_level=0.0) as file:
        for minute in range(round(60 * hours)):
            file.write(np.roll(steps, 1237 * minute))


def main() -> None:
    """Write a recording, analyse it and print what that took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24.0, help="length of the recording")
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "day.flac"
        write_recording(path, hours)
        command = [Path(sys.executable).with_name("evenhush"), "analyse", "--json", path]
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    seconds, megabytes = used.ru_utime + used.ru_stime, used.ru_maxrss / 2**10
    sys.stdout.write(f"{hours:g} h: peak {megabytes:.0f} MB, {seconds:.0f} s of one core\n")


if __name__ == "__main__":
    main()
