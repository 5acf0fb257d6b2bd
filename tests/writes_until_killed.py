"""A program whose children add to an archive and say so, until they are killed.

Run with the data folder. For each line on standard input a child is started, which prints its
number and goes on with what was there before. What takes long to load is loaded once for all.
"""

import os
import sys
from datetime import timedelta
from pathlib import Path

import kept_documents as draw
import numpy as np

from service.storage.archive import Archive


def main():
    """Start a child for each line, and wait until it has been killed."""
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            add_for_ever(Path(sys.argv[1]))
        os.waitpid(child, 0)
        sys.stdout.write("killed\n")
        sys.stdout.flush()


def add_for_ever(folder):
    """Add one thing after the other, and print each id once it is confirmed."""
    sys.stdout.write(f"{os.getpid()}\n")
    sys.stdout.flush()
    with Archive(folder) as archive:
        number = len(archive.matches.list(limit=10_000).items)
        rng = np.random.default_rng(number)
        while True:
            time = draw.NOON + timedelta(minutes=number)
            measured_with = draw.calibration(rng, time)
            match = archive.matches.add(
                draw.match(rng, time, cooler=f"Cooler {number}", of=measured_with),
                source=draw.INPUT,
                calibration=measured_with,
            )
            archive.levels.add(draw.level_minute(rng, time)).result()
            file = archive.sounds.folder / f"{number}.flac"
            file.parent.mkdir(exist_ok=True)
            file.write_bytes(rng.bytes(1000))
            sound = archive.sounds.add(file, draw.sound(file.name, time))
            archive.events.add(kind="added", who=match, what=sound, time=time)
            sys.stdout.write(f"{match} {sound} {time.isoformat()}\n")
            sys.stdout.flush()
            number += 1


if __name__ == "__main__":
    main()
