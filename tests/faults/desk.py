"""A desk with a cooler on it: run as ``desk.py FOLDER``.

It offers what a desk offers, and nothing of the product's inside: a folder of sensors and speed
registers as Linux shows them (``FOLDER/hwmon``), and a microphone that ``desk_microphone.py``
listens to (the port is in ``FOLDER/port``). Sound is delivered five times as fast as it sounds,
so that a match takes seconds; the sensors follow.

What is broken stands in ``FOLDER/broken.json``: ``rpm`` and ``celsius`` overrule what the sensors
would read, ``text`` gives files another content, ``gone`` takes files away, and ``stubborn`` lets
the fan's register go back to what it was.
"""

import contextlib
import json
import socketserver
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from service.simulation.catalogue import find_cooler
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource

PACE = 5.0
BLOCK_S = 0.05
RATE_HZ = 16_000
"""Low, so that the sound costs little; nothing here needs what lies above 8 kHz."""
REGISTERS = {"fan": "1", "pump": "2"}
AUTOMATIC = "2"


class Desk:
    """The cooler, and the folder that shows it."""

    def __init__(self, folder: Path, cooler: str) -> None:
        self._folder = folder
        self._chip = folder / "hwmon" / "hwmon4"
        self._chip.mkdir(parents=True)
        self._lock = threading.Lock()
        self.plant = Plant(find_cooler(cooler), seed=5, rate_hz=RATE_HZ)
        self._source = SimulatedSource(self.plant)
        self._lived_s = self._sounded_at_s = time.monotonic()
        self._stubborn: str | None = None
        self._write("name", "deskchip")
        self._write("temp1_label", "processor")
        for number in REGISTERS.values():
            self._write(f"pwm{number}_enable", AUTOMATIC)
            self._write(f"pwm{number}", "128")
        self.show()

    def _write(self, name: str, text: str) -> None:
        """Give a file its content as a whole: a reader never sees half of it."""
        if self._read(name) == text:
            return
        draft = self._folder / f"draft-{name}"
        draft.write_text(f"{text}\n", encoding="utf-8")
        draft.replace(self._chip / name)

    def _read(self, name: str) -> str:
        with contextlib.suppress(OSError):
            return (self._chip / name).read_text(encoding="utf-8").strip()
        return ""

    @property
    def broken(self) -> Mapping[str, Any]:
        """What is broken at present."""
        with contextlib.suppress(OSError, ValueError):
            found: dict[str, Any] = json.loads(
                (self._folder / "broken.json").read_text(encoding="utf-8")
            )
            return found
        return {}

    def obey(self) -> None:
        """Let the cooler follow the registers."""
        broken = self.broken
        if "stubborn" in broken:
            self._stubborn = self._stubborn or self._read("pwm1")
            self._write("pwm1", self._stubborn)
        manual = {
            actuator: 100.0 * float(self._read(f"pwm{number}") or 0) / 255.0
            for actuator, number in REGISTERS.items()
            if self._read(f"pwm{number}_enable") == "1"
        }
        self.plant.hand_back()
        self.plant.set_duty(manual)

    def show(self) -> None:
        """Show what the sensors read."""
        broken = self.broken
        reading = self.plant.read()
        shown = {"temp1_input": f"{1000 * broken.get('celsius', reading.processor_c):.0f}"}
        for actuator, number in REGISTERS.items():
            rpm = broken.get("rpm", {}).get(actuator, reading.rpm[actuator])
            shown[f"fan{number}_input"] = f"{rpm:.0f}"
        for name, text in (shown | broken.get("text", {})).items():
            if name not in broken.get("gone", []):
                self._write(name, text)
        for name in broken.get("gone", []):
            (self._chip / name).unlink(missing_ok=True)

    def sound(self, position: str) -> bytes:
        """Let a piece of time pass and return how it sounded."""
        with self._lock:
            self.obey()
            self._source.position = "calibrator" if position == "calibrator" else "room"
            block = self._source.read(round(BLOCK_S * self._source.rate_hz))
            self.show()
            self._lived_s = self._sounded_at_s = time.monotonic()
        return block.signal.samples.astype("<f4").tobytes()

    def live(self) -> None:
        """Let time pass unheard where nobody listens."""
        with self._lock:
            now_s = time.monotonic()
            if now_s - self._sounded_at_s > 1.0:
                self.obey()
                self.plant.advance(np.clip(now_s - self._lived_s, 0.05, 1.0))
                self._lived_s = now_s
            self.show()


def listen_to(desk: Desk) -> socketserver.ThreadingTCPServer:
    """Make the server through which the microphone is heard."""

    class Microphone(socketserver.StreamRequestHandler):
        """Plays to one listener at the desk's pace."""

        def handle(self) -> None:
            """Send sound until the listener goes; it says the position first."""
            position = self.rfile.readline().decode().strip()
            next_s = time.monotonic()
            pause = threading.Event()
            with contextlib.suppress(OSError):
                while True:
                    self.wfile.write(desk.sound(position))
                    next_s = max(next_s + BLOCK_S / PACE, time.monotonic() - 0.2)
                    pause.wait(max(next_s - time.monotonic(), 0.0))

    class Server(socketserver.ThreadingTCPServer):
        """Does not wait for listeners when it ends."""

        daemon_threads = True

    return Server(("127.0.0.1", 0), Microphone)


def main(folder: Path, cooler: str) -> None:
    """Run until killed."""
    desk = Desk(folder, cooler)
    server = listen_to(desk)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    (folder / "draft").write_text(str(server.server_address[1]), encoding="utf-8")
    (folder / "draft").replace(folder / "port")
    pause = threading.Event()
    while not pause.wait(0.05):
        desk.live()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
