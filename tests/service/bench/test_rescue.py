"""What becomes of the hardware when the bench process is killed, stopped or hung, for real."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import rescued_bench

TESTS = Path(rescued_bench.__file__).parent
WAIT_S = 20.0
"""Far longer than anything here takes, on a machine that is busy."""


def wait_for(happened: Callable[[], bool]) -> None:
    """Wait until something has happened in another process."""
    pause = threading.Event()
    for _ in range(round(WAIT_S / 0.02)):
        if happened():
            return
        pause.wait(0.02)
    pytest.fail("It did not happen in time.")


def rescuer_of(bench: subprocess.Popen[str], *, instead_of: int | None = None) -> int:
    """Wait for the process that watches a bench process, or for its successor."""
    found: list[int] = []

    def looked() -> bool:
        listed = subprocess.run(
            # Without -ww a long path to Python would hide what the process does.
            ["ps", "-ww", "-o", "pid=,args=", "--ppid", str(bench.pid)],
            capture_output=True,
            text=True,
            check=False,
        ).stdout
        # Beside it runs the library's own process, which tidies up after both.
        here = [int(line.split()[0]) for line in listed.splitlines() if "spawn_main" in line]
        found[:] = [pid for pid in here if pid != instead_of]
        return bool(found)

    wait_for(looked)
    # A signal to process 0 would reach everything that runs this test.
    assert found[0] > 1
    return found[0]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Start a bench whose fan is turned down to 20 %."""
    process = subprocess.Popen(
        [sys.executable, str(TESTS / "rescued_bench.py"), str(tmp_path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(TESTS)},
    )
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline().strip() == str(process.pid)
    assert (tmp_path / "duty").read_text(encoding="utf-8") == "20"
    yield process
    process.kill()
    process.wait(WAIT_S)
    process.stdout.close()
    process.stderr.close()


def what_was_rescued(folder: Path) -> str:
    """Wait for the rescue and say what it did."""
    note = folder / "rescued"
    wait_for(note.exists)
    return note.read_text(encoding="utf-8")


def test_killed(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """Another process hands the hardware back at once when the bench process is killed."""
    bench.kill()

    assert what_was_rescued(tmp_path) == "own control"
    assert bench.stderr is not None
    assert "has ended; the hardware is back under its own control" in bench.stderr.read()


def test_stopped(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """A bench process that stands still is ended, and its hardware handed back."""
    bench.send_signal(signal.SIGSTOP)

    assert what_was_rescued(tmp_path) == "own control"
    assert bench.wait(WAIT_S) == -signal.SIGKILL


def test_hung_in_its_driver(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """A driver that never answers hangs the guard, which is then ended like a stopped one."""
    (tmp_path / "hang").touch()

    assert what_was_rescued(tmp_path) == "own control"
    assert bench.wait(WAIT_S) == -signal.SIGKILL


def test_killed_while_hot(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """A bench that was killed while it protected itself is left at full speed."""
    (tmp_path / "hot").touch()
    duty = tmp_path / "duty"
    wait_for(lambda: duty.read_text(encoding="utf-8") == "100")
    # The next looks pass on that it protects itself.
    pause = threading.Event()
    pause.wait(0.6)
    bench.kill()

    assert what_was_rescued(tmp_path) == "full speed"


def test_told_to_end(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """A bench that ends in order hands back by itself, and nobody has to save anything."""
    bench.terminate()

    assert bench.wait(WAIT_S) == 0
    assert (tmp_path / "duty").read_text(encoding="utf-8") == "own"
    assert not (tmp_path / "rescued").exists()


def test_end_that_cannot_hand_back(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """Where the ending bench process cannot hand back, the other process tries as well."""
    (tmp_path / "locked").touch()
    bench.terminate()

    assert what_was_rescued(tmp_path) == "own control"
    assert bench.wait(WAIT_S) != 0


def test_rescue_that_fails_is_tried_again(bench: subprocess.Popen[str], tmp_path: Path) -> None:
    """Hardware that cannot be put back at once is put back a little later."""
    (tmp_path / "busy").touch()
    bench.kill()

    assert what_was_rescued(tmp_path) == "own control"
    assert bench.stderr is not None
    assert "attempt 1 of" in bench.stderr.read()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_rescuer_that_fails_is_replaced(
    bench: subprocess.Popen[str], tmp_path: Path, how: signal.Signals
) -> None:
    """A rescuer that is killed or stands still is replaced, and its successor saves as well."""
    first = rescuer_of(bench)
    os.kill(first, how)
    rescuer_of(bench, instead_of=first)
    assert bench.stderr is not None
    assert "is replaced" in bench.stderr.readline()
    bench.kill()

    assert what_was_rescued(tmp_path) == "own control"
