"""Sound servers without hardware, one for a test: what PortAudio records from them is real."""

import os
import select
import shutil
import signal
import subprocess
from pathlib import Path
from typing import Self

import numpy as np
import pytest
import soundfile

WAIT_S = 20.0
_QUIET = {
    "stdin": subprocess.DEVNULL,
    "stdout": subprocess.DEVNULL,
    "stderr": subprocess.DEVNULL,
}


def need(*programs: str) -> None:
    """Skip the test where a program, or the audio library, is not installed."""
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"the program {program} is not installed")
    try:
        import sounddevice  # noqa: F401, PLC0415 - to see whether it can be loaded
    except OSError:
        pytest.skip("the PortAudio library is not installed")


def wait_for_end(pid: int) -> bool:
    """Wait until a process is gone, or has nobody left but its parent to take note of it."""
    try:
        descriptor = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([descriptor], [], [], WAIT_S)[0])
    finally:
        os.close(descriptor)


def children_of(pid: int) -> list[int]:
    """Return the processes that a process has started."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:
            continue  # it has just ended
        if int(fields[1]) == pid and fields[0] != "Z":
            found.append(int(folder.name))
    return found


class _Server:
    """A sound server that tests stop, kill and start again."""

    process: "subprocess.Popen[bytes]"

    def kill(self) -> None:
        """End it at once."""
        self.process.kill()
        self.process.wait(WAIT_S)

    def stall(self) -> None:
        """Let it hang."""
        self.process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """Let it go on."""
        self.process.send_signal(signal.SIGCONT)


class PulseServer(_Server):
    """A PulseAudio server with a virtual microphone of one channel, ``pulse`` to PortAudio."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self._folder = folder
        for name, value in {
            "PULSE_RUNTIME_PATH": folder,
            "PULSE_STATE_PATH": folder / "state",
            "PULSE_COOKIE": folder / "cookie",
            "PULSE_SERVER": f"unix:{folder}/native",
            "JACK_NO_START_SERVER": 1,
        }.items():
            monkeypatch.setenv(name, str(value))
        self._players: list[subprocess.Popen[bytes]] = []

    def start(self) -> Self:
        """Start it and wait until it is up."""
        loads = [
            f"module-native-protocol-unix socket={self._folder}/native auth-anonymous=1",
            "module-null-sink sink_name=testmic format=float32le rate=48000 channels=1 "
            "channel_map=mono norewinds=1",
        ]
        command = [
            "pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1",
            "--realtime=no", "--high-priority=no", f"--log-target=file:{self._folder}/log",
            *(word for load in loads for word in ("-L", load)),
        ]  # fmt: skip
        self.process = subprocess.Popen(command, **_QUIET)
        for _ in range(400):
            if subprocess.run(["pactl", "info"], check=False, **_QUIET).returncode == 0:
                break
            if self.process.poll() is not None:
                pytest.skip("the sound server does not start on this machine")
        source = ["pactl", "set-default-source", "testmic.monitor"]
        subprocess.run(source, check=True, timeout=WAIT_S, **_QUIET)
        return self

    def play(self, sound: np.ndarray) -> "subprocess.Popen[bytes]":
        """Play samples into the microphone; they arrive as they are."""
        path = self._folder / f"sound-{len(self._players)}.wav"
        soundfile.write(path, sound.astype(np.float32), 48_000, subtype="FLOAT")
        player = subprocess.Popen(["paplay", "--device=testmic", str(path)], **_QUIET)
        self._players.append(player)
        return player

    def end(self) -> None:
        """Make sure that everything is gone."""
        for player in self._players:
            player.kill()
            player.wait(WAIT_S)
        self.kill()


class JackServer(_Server):
    """A JACK server with a silent dummy device, ``system, JACK`` to PortAudio."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._name = f"evenhush-{os.getpid()}"
        for name, value in {
            "JACK_DEFAULT_SERVER": self._name,
            "JACK_NO_START_SERVER": 1,
            "PULSE_SERVER": "unix:/nowhere",
        }.items():
            monkeypatch.setenv(name, str(value))

    def start(self, rate_hz: int = 48_000) -> Self:
        """Start it and wait until it is up."""
        # With as many ports as it has by itself it takes 100 MB of memory that is shared.
        command = ["jackd", "-n", self._name, "--no-realtime", "--port-max", "32", "-d", "dummy"]
        self.process = subprocess.Popen([*command, "-r", str(rate_hz), "-p", "1024"], **_QUIET)
        look = ["jack_wait", "-s", self._name, "-c"]
        for _ in range(2000):
            if subprocess.run(look, capture_output=True, check=False).stdout.strip() == b"running":
                return self
            if self.process.poll() is not None:
                pytest.skip("the JACK server does not start on this machine")
        pytest.fail("the JACK server does not come up")

    def kill(self) -> None:
        """End it so that it tidies up behind itself: it has room for eight that did not."""
        self.process.terminate()
        self.process.wait(WAIT_S)

    end = kill
