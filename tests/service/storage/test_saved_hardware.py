import subprocess
import sys
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.documents.saved_hardware import SavedHardware, SavedPwm
from service.errors import BenchError, StorageError
from service.storage.saved_hardware import SavedHardwareFile, saved_hardware_files

FAN = SavedPwm(
    folder="/sys/class/hwmon",
    chip="heron",
    device="platform/heron.656",
    number=2,
    value=102,
    mode=5,
    full_speed_percent=100.0,
)
NOTE = SavedHardware(time=datetime(2026, 1, 2, tzinfo=UTC), bench="south", actuators={"fan": FAN})


def test_what_is_saved_is_read_again(tmp_path: Path) -> None:
    """The note comes back as it was, and is gone once removed."""
    memory = SavedHardwareFile(tmp_path, "south")
    assert memory.read() is None

    memory.save(NOTE)
    assert SavedHardwareFile(tmp_path, "south").read() == NOTE
    memory.remove()
    memory.remove()

    assert memory.read() is None


def test_each_bench_has_its_own(tmp_path: Path) -> None:
    """Benches are told apart by name, and all that have something to put back are listed."""
    SavedHardwareFile(tmp_path, "south").save(NOTE)
    SavedHardwareFile(tmp_path, "north 2").save(NOTE)
    running = SavedHardwareFile(tmp_path, "west")
    running.claim(0.0)
    running.release()

    assert [file.bench for file in saved_hardware_files(tmp_path)] == ["north-2", "south"]
    assert saved_hardware_files(tmp_path / "none") == []


def test_one_at_a_time(tmp_path: Path) -> None:
    """A second claim is refused until the first is released, however often."""
    first, second = SavedHardwareFile(tmp_path, "south"), SavedHardwareFile(tmp_path, "south")
    first.claim(0.0)

    with pytest.raises(BenchError, match="bench south is running already with this data folder"):
        second.claim(0.0)

    first.release()
    first.release()
    second.claim(0.0)
    second.release()


def test_a_claim_can_be_waited_for(tmp_path: Path) -> None:
    """Who waits gets it as soon as the other is done."""
    first, second = SavedHardwareFile(tmp_path, "south"), SavedHardwareFile(tmp_path, "south")
    first.claim(0.0)
    timer = threading.Timer(0.15, first.release)
    timer.start()

    second.claim(10.0)

    timer.join()
    second.release()


def test_a_claim_ends_with_its_process(tmp_path: Path) -> None:
    """A process that is killed claims nothing any more."""
    code = (
        "import sys; from pathlib import Path\n"
        "from service.storage.saved_hardware import SavedHardwareFile\n"
        "memory = SavedHardwareFile(Path(sys.argv[1]), 'south'); memory.claim(0.0)\n"
        "print('claimed', flush=True); sys.stdin.read()"
    )
    memory = SavedHardwareFile(tmp_path, "south")
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"claimed"
        with pytest.raises(BenchError):
            memory.claim(0.0)
        process.kill()
        process.wait()

    memory.claim(5.0)
    memory.release()


def test_a_data_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """A file where the folder should be is one sentence."""
    (tmp_path / "data").write_text("")

    with pytest.raises(StorageError, match="data"):
        SavedHardwareFile(tmp_path / "data", "south").claim(0.0)
    (tmp_path / "hardware" / "south.lock").mkdir(parents=True)
    with pytest.raises(StorageError, match="choose another data folder"):
        SavedHardwareFile(tmp_path, "south").claim(0.0)


def test_a_note_that_cannot_be_removed_is_told(tmp_path: Path) -> None:
    """Where something else stands in its place, that is one sentence."""
    memory = SavedHardwareFile(tmp_path, "south")
    memory.path.mkdir(parents=True)

    with pytest.raises(StorageError, match="cannot be removed"):
        memory.remove()
