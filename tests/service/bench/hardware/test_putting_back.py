import errno
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from hardware_kinds import Command, Hwmon

from service.bench.hardware.hwmon_chips import HwmonFolder
from service.bench.hardware.putting_back import put_back, run_at_full_speed
from service.documents.saved_hardware import SavedHardware, SavedPrograms, SpeedPrograms
from service.errors import DocumentError, HardwareFault
from service.storage.saved_hardware import SavedHardwareFile


@pytest.mark.parametrize("kind", [Hwmon, Command])
def test_what_a_dead_bench_has_left_is_put_back(tmp_path: Path, kind: Any) -> None:
    """From the file alone everything is as before, whoever had changed it, and the file is gone."""
    made = kind(tmp_path)
    before = made.outside()
    made.bench.write_duty({"fan": 20.0, "pump": 35.0})

    done = put_back(SavedHardwareFile(tmp_path / "data", "south"))

    assert sorted(done) == ["fan", "pump"]
    assert made.outside() == before
    assert not made.saved()
    assert put_back(made.memory) == ()


@pytest.mark.parametrize("kind", [Hwmon, Command])
def test_what_a_dead_bench_has_left_can_run_at_full_speed(tmp_path: Path, kind: Any) -> None:
    """Full speed is set, and what it was before stays noted for later."""
    made = kind(tmp_path)
    before = made.outside()
    made.bench.write_duty({"fan": 20.0, "pump": 35.0})

    run_at_full_speed(made.memory)

    made.wait_a_second()
    assert set(made.bench.read().duty_percent.values()) == {100.0}
    put_back(made.memory)
    assert made.outside() == before


def test_full_speed_of_nothing_is_nothing(tmp_path: Path) -> None:
    """Where no bench has left anything there is nothing to do."""
    run_at_full_speed(SavedHardwareFile(tmp_path, "south"))


@pytest.mark.parametrize("kind", [Hwmon, Command])
@pytest.mark.parametrize("action", [put_back, run_at_full_speed])
def test_what_is_not_there_is_a_fault_and_stays_noted(
    tmp_path: Path, kind: Any, action: Any
) -> None:
    """Hardware that is gone is told by its names, and can be put back once it is there again."""
    made = kind(tmp_path)
    before = made.outside()
    made.bench.write_duty({"fan": 20.0, "pump": 35.0})
    made.fail()

    with pytest.raises(HardwareFault, match=r"Not everything of bench south .* fan: .* pump: "):
        action(made.memory)

    made.mend()
    put_back(made.memory)
    assert {**made.outside(), "fault": None} == {**before, "fault": None}


def test_what_cannot_be_put_back_runs_at_full_speed(tmp_path: Path) -> None:
    """A program that gives back no longer works: full speed is set, said, and the rest put back."""
    made = Command(tmp_path)
    made.bench.write_duty({"fan": 20.0, "pump": 35.0})
    text = made.memory.path.read_text(encoding="utf-8")
    made.memory.path.write_text(
        text.replace('"auto",\n     "fan"', '"auto",\n     "fan", "x", "y"')
    )

    with pytest.raises(HardwareFault, match=r"fan: The program .* It runs at full speed instead\."):
        put_back(made.memory)

    assert made.outside()["manual"] == {"fan": 100.0}
    left = made.memory.read()
    assert left is not None
    assert set(left.actuators) == {"fan"}


def test_a_chip_that_stays_in_manual_control_runs_at_full_speed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the mode cannot be written any more the register still can."""
    made = Hwmon(tmp_path)
    made.bench.write_duty({"fan": 20.0})
    store = HwmonFolder._store

    def refusing(chips: HwmonFolder, path: Path, data: bytes) -> None:
        if path.name == "pwm1_enable":
            raise OSError(errno.EINVAL, "Invalid argument")
        store(chips, path, data)

    monkeypatch.setattr(HwmonFolder, "_store", refusing)
    with pytest.raises(HardwareFault, match=r"pwm1_enable cannot be .* It runs at full speed in"):
        put_back(made.memory)

    assert made.outside()["pwm1"] == "255"
    assert made.saved()


def test_programs_are_left_at_their_duty(tmp_path: Path) -> None:
    """The duty that nothing gives back from is set from the file alone."""
    out = tmp_path / "duty"
    code = f"import sys; open({str(out)!r}, 'w').write(sys.argv[1])"
    programs = SpeedPrograms(
        set_duty=(sys.executable, "-I", "-S", "-c", code, "{duty_255}"),
        read_duty=None,
        read_duty_pattern=None,
        read_rpm=None,
        read_rpm_pattern=None,
        give_back=None,
        leave_at_percent=60.0,
        time_limit_s=5.0,
    )
    memory = SavedHardwareFile(tmp_path, "south")
    saved = SavedPrograms(programs=programs, full_speed_percent=100.0)
    memory.save(SavedHardware(time="2026-01-01T00:00:00Z", bench="south", actuators={"fan": saved}))

    assert put_back(memory) == ("fan",)
    assert out.read_text() == "153"


@pytest.mark.parametrize("text", ["", "{", "[]", json.dumps({"schema": "evenhush.floor/1"})])
def test_a_damaged_note_is_told_with_the_way_out(tmp_path: Path, text: str) -> None:
    """Nobody knows then what to put back; the sentence says what helps."""
    memory = SavedHardwareFile(tmp_path, "south")
    memory.path.parent.mkdir()
    memory.path.write_text(text)

    with pytest.raises(
        DocumentError, match=r"south\.json is no note .*off and on.*delete the file"
    ):
        put_back(memory)
