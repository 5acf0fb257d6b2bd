"""A bench process whose hardware another process can save; run as ``rescued_bench.py FOLDER``.

The hardware's state is the file ``duty`` in the folder. A file ``hang`` there lets the driver hang,
a file ``hot`` lets the processor be too hot, a file ``locked`` keeps the hardware from being
handed back, and a file ``busy`` lets the first rescue fail.
"""

import os
import sys
import threading
from collections.abc import Mapping
from pathlib import Path

from bench_doubles import InventedHardware

from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer, serve_until_stopped
from service.errors import HardwareFault
from service.ports import HardwareReading


class FileHardware(InventedHardware):
    """Writes what it does into files, as hardware keeps it beyond the process."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._folder = folder

    def read(self) -> HardwareReading:
        """Read, hang or be hot."""
        if (self._folder / "hang").exists():
            threading.Event().wait()
        self.temperatures_c["processor"] = 95.0 if (self._folder / "hot").exists() else 50.0
        return super().read()

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Set and note the duty."""
        super().write_duty(duty_percent)
        (self._folder / "duty").write_text(f"{self.manual['fan']:g}", encoding="utf-8")

    def hand_back(self) -> None:
        """Hand back, unless that is forbidden."""
        if (self._folder / "locked").exists():
            raise HardwareFault("It is locked.")
        super().hand_back()
        (self._folder / "duty").write_text("own", encoding="utf-8")


class FileRescue:
    """Saves the hardware from another process."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __call__(self, *, full_speed: bool) -> None:
        """Note what was done, but not at the first attempt where the hardware is busy then."""
        busy = self._folder / "busy"
        if busy.exists():
            busy.unlink()
            raise HardwareFault("It is busy.")
        done = self._folder / "done"
        done.write_text("full speed" if full_speed else "own control", encoding="utf-8")
        done.replace(self._folder / "rescued")


def main(folder: Path) -> None:
    """Serve until told to stop, with the fan turned down under a lease that outlasts the test."""
    guard = BenchGuard(FileHardware(folder))
    server = BenchServer(guard, rescue=FileRescue(folder))

    def ready(_: str) -> None:
        """Turn the fan down and say so."""
        guard.set_duty(guard.grant("test", 60).lease, {"fan": 20})
        sys.stdout.write(f"{os.getpid()}\n")
        sys.stdout.flush()

    serve_until_stopped(server, ready=ready)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
