"""A desk, a bench process and a match process, all real, and ways to break each of them."""

import contextlib
import json
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from faults.desk import RATE_HZ

HERE = Path(__file__).parent
EVENHUSH = Path(sys.executable).with_name("evenhush")
WAIT_S = 60.0
"""Far longer than anything here takes, on a machine that is busy."""
LEASE_S = 4.0
"""Longest lease of the bench: short, so that a lapse is soon seen."""
COOLER = "Lagoon 240"


def wait_until(happened: Callable[[], bool], patience_s: float = WAIT_S) -> float:
    """Wait until something has happened in another process; return how long it took."""
    pause = threading.Event()
    began_s = time.monotonic()
    while not happened():
        assert time.monotonic() - began_s < patience_s, "It did not happen in time."
        pause.wait(0.01)
    return time.monotonic() - began_s


@dataclass
class Running:
    """A process of ours with what it says in files, so that no pipe can fill up."""

    process: subprocess.Popen[bytes]
    said: Path
    """Standard output and standard error, without `.out` and `.err`."""

    @classmethod
    def start(cls, words: list[object], folder: Path, name: str, **options: Any) -> "Running":
        """Start a program in a folder."""
        said = folder / name
        with said.with_suffix(".out").open("wb") as out, said.with_suffix(".err").open("wb") as err:
            process = subprocess.Popen(
                [str(word) for word in words],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                cwd=folder,
                **options,
            )
        return cls(process, said)

    @property
    def out(self) -> str:
        """What it wrote to standard output so far."""
        return self.said.with_suffix(".out").read_text(encoding="utf-8")

    @property
    def err(self) -> str:
        """What it wrote to standard error so far."""
        return self.said.with_suffix(".err").read_text(encoding="utf-8")

    def ended(self) -> int:
        """Wait until it ends; return its exit code."""
        return self.process.wait(WAIT_S)

    def end(self) -> None:
        """Make sure that it is gone."""
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGCONT)
        self.process.kill()
        self.process.wait(WAIT_S)


class Cable:
    """A network cable: passes connections on to a port until it is cut."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._whole = threading.Event()
        self._whole.set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._closing = False
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Let nothing through any more; connections stay open and silent, as with a real cable."""
        self._whole.clear()

    def mend(self) -> None:
        """Let everything through again."""
        self._whole.set()

    def close(self) -> None:
        """Take no more connections."""
        self._closing = True
        self._whole.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while not self._closing:
                near, _ = self._listener.accept()
                far = socket.create_connection(("127.0.0.1", self._to))
                for source, sink in ((near, far), (far, near)):
                    threading.Thread(target=self._pass_on, args=(source, sink), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError), source, sink:
            while data := source.recv(65_536):
                self._whole.wait()
                sink.sendall(data)
            sink.shutdown(socket.SHUT_WR)


@dataclass
class AtTheDesk:
    """Everything that stands on one desk."""

    folder: Path
    running: list[Running] = field(default_factory=list)
    cables: list[Cable] = field(default_factory=list)
    url: str = ""
    bench: Running | None = None

    @property
    def chip(self) -> Path:
        """The folder of sensors and registers."""
        return self.folder / "hwmon" / "hwmon4"

    def start_desk(self) -> None:
        """Put the cooler on the desk."""
        words = [sys.executable, HERE / "desk.py", self.folder, COOLER]
        self.running.append(Running.start(words, self.folder, "desk"))
        wait_until((self.folder / "port").exists)

    def start_bench(self) -> Running:
        """Serve the cooler through its registers."""
        words = [EVENHUSH, "bench", "--config", self.folder / "bench.toml"]
        # In a session of its own, so that a test can end it with its rescuer.
        self.bench = Running.start(words, self.folder, "bench", start_new_session=True)
        self.running.append(self.bench)
        wait_until(lambda: "serves at http" in self.bench.out)
        self.url = self.bench.out.split("serves at ")[1].split()[0]
        return self.bench

    def microphone(self, position: str = "room") -> str:
        """How the microphone is named as an input."""
        port = (self.folder / "port").read_text(encoding="utf-8")
        return f"exec:{sys.executable} {HERE / 'desk_microphone.py'} {port} {position}"

    def cable(self) -> Cable:
        """Put a cable between a match and the bench."""
        cable = Cable(httpx.URL(self.url).port)
        self.cables.append(cable)
        return cable

    def start_match(
        self,
        calibration: Path,
        *more: object,
        url: str | None = None,
        name: str = "match",
        program: Sequence[object] = (EVENHUSH,),
        **options: Any,
    ) -> Running:
        """Begin to match the cooler."""
        words = [
            *program,
            "match",
            "--bench",
            url or self.url,
            "--input",
            self.microphone(),
            "--rate-hz",
            RATE_HZ,
            "--calibration",
            calibration,
            "--cooler",
            COOLER,
            "--tolerance-db",
            "1",
            "--target-db",
            "36",
            "--out",
            f"{name}.json",
            *more,
        ]
        match = Running.start(words, self.folder, name, **options)
        self.running.append(match)
        return match

    def break_(self, **what: object) -> None:
        """Let something on the desk be broken, nothing else than what is named."""
        draft = self.folder / "broken.draft"
        draft.write_text(json.dumps(what), encoding="utf-8")
        draft.replace(self.folder / "broken.json")

    def register(self, name: str) -> int:
        """Read a register; -1 while it is gone or just being written."""
        with contextlib.suppress(OSError, ValueError):
            return int((self.chip / name).read_text(encoding="utf-8"))
        return -1

    def turned_down(self) -> bool:
        """Say whether a match has set the fan lower than its own control does."""
        return self.register("pwm1_enable") == 1 and 0 <= self.register("pwm1") < 120

    def wait_until_turned_down(self) -> None:
        """Wait until a match holds the fan down."""
        wait_until(self.turned_down)

    def safe(self) -> bool:
        """Say whether nobody holds a fan down: own control, or full speed."""
        return all(
            self.register(f"pwm{number}_enable") == 2 or self.register(f"pwm{number}") == 255
            for number in (1, 2)
        )

    def state(self) -> Mapping[str, Any]:
        """Ask the bench what it does."""
        answer: Mapping[str, Any] = httpx.get(f"{self.url}/v1/state", trust_env=False).json()
        return answer

    def end(self) -> None:
        """Clear the desk."""
        for cable in self.cables:
            cable.close()
        for running in reversed(self.running):
            running.end()
