import logging

import pytest

from calibration.bench_state import Actuator
from service.bench.guard import BenchGuard
from service.bench.hardware.driven_bench import DrivenActuator, DrivenBench, WatchedTemperature
from service.documents.saved_hardware import SavedControl, SavedHardware, SavedPwm
from service.errors import HardwareFault, StorageError


class Memory:
    """Keeps what is saved, and can be full."""

    def __init__(self) -> None:
        self.saved: SavedHardware | None = None
        self.times_saved = 0
        self.full = False

    def read(self) -> SavedHardware | None:
        """Return what is saved."""
        return self.saved

    def save(self, saved: SavedHardware) -> None:
        """Save, or be full."""
        if self.full:
            raise StorageError("No room is left on the disk.")
        self.saved = saved
        self.times_saved += 1

    def remove(self) -> None:
        """Forget, or be full."""
        if self.full:
            raise StorageError("No room is left on the disk.")
        self.saved = None

    @property
    def names(self) -> set[str]:
        """Which actuators are saved."""
        return set() if self.saved is None else set(self.saved.actuators)


class Control:
    """A register that notes when it is changed and what was saved by then."""

    tachometer = True

    def __init__(self, name: str, memory: Memory) -> None:
        self.where = name
        self.value, self.mode = 102, 5
        self.faults: set[str] = set()
        self.saved_at_change: list[set[str]] = []
        self._memory = memory

    def _fail(self, what: str) -> None:
        if what in self.faults:
            raise HardwareFault(f"The {what} of {self.where} failed.")

    def duty_percent(self) -> float:
        """Read the register."""
        self._fail("duty")
        return self.value / 2.55

    def rpm(self) -> float:
        """Turn as the register says."""
        self._fail("rpm")
        return 20.0 * self.value

    def own_control(self) -> SavedPwm:
        """Tell register and mode."""
        self._fail("own control")
        return SavedPwm(
            folder="/",
            chip="heron",
            device="heron",
            number=1,
            value=self.value,
            mode=self.mode,
            full_speed_percent=100.0,
        )

    def check_may_set(self) -> None:
        """Refuse if told to."""
        self._fail("permission")

    def start(self) -> None:
        """Have nothing to do."""

    def set_duty(self, duty_percent: float) -> None:
        """Set the register."""
        self.saved_at_change.append(self._memory.names)
        self._fail("set")
        self.value, self.mode = round(duty_percent * 2.55), 1

    def give_back(self, saved: SavedControl) -> None:
        """Set both back."""
        self._fail("give back")
        assert isinstance(saved, SavedPwm)
        assert saved.mode is not None
        self.value, self.mode = saved.value, saved.mode


class Rig:
    """A bench of two such controls."""

    def __init__(self) -> None:
        self.memory = Memory()
        self.fan, self.pump = Control("fan", self.memory), Control("pump", self.memory)
        self.faults: set[str] = set()
        self.bench = DrivenBench(
            "south",
            {
                "fan": DrivenActuator(Actuator("fan", 15, 100, tachometer=True), self.fan),
                "pump": DrivenActuator(Actuator("pump", 40, 90, tachometer=True), self.pump),
            },
            {
                "processor": WatchedTemperature(self._read_c, 90.0),
                "room": WatchedTemperature(lambda: 21.0, None),
            },
            self.memory,
        )

    def _read_c(self) -> float:
        if "processor" in self.faults:
            raise HardwareFault("The processor reads 'n/a', which is no number.")
        return 50.0

    def break_reading(self) -> None:
        """Let nothing but the room be read."""
        self.faults.add("processor")
        self.fan.faults |= {"duty", "rpm"}
        self.pump.faults |= {"duty", "rpm"}


@pytest.fixture
def rig() -> Rig:
    """A bench."""
    return Rig()


def test_all_is_saved_before_the_first_change_and_only_once(rig: Rig) -> None:
    """The disk knows what is to be put back before any register changes, each at its first time."""
    rig.bench.write_duty({"fan": 50.0})
    rig.bench.write_duty({"fan": 60.0})
    rig.bench.write_duty({"fan": 60.0, "pump": 70.0})

    assert rig.fan.saved_at_change == [{"fan"}, {"fan"}, {"fan", "pump"}]
    assert rig.pump.saved_at_change == [{"fan", "pump"}]
    assert rig.memory.times_saved == 2
    saved = rig.memory.saved
    assert saved is not None
    assert saved.bench == "south"
    assert {control.value for control in saved.actuators.values()} == {102}


def test_nothing_is_turned_down_that_cannot_be_saved(rig: Rig) -> None:
    """With a full disk a duty is refused before any change."""
    rig.memory.full = True

    with pytest.raises(HardwareFault, match="cannot be saved, so nothing was changed: No room"):
        rig.bench.write_duty({"fan": 50.0, "pump": 90.0})

    assert (rig.fan.value, rig.fan.mode, rig.pump.mode) == (102, 5, 5)


def test_full_speed_needs_no_disk(rig: Rig) -> None:
    """With a full disk everything can still be set to full speed, and be given back."""
    rig.memory.full = True

    rig.bench.write_duty({"fan": 100.0, "pump": 90.0})
    assert (rig.fan.value, rig.pump.value) == (255, 229)
    with pytest.raises(HardwareFault, match="cannot be saved"):
        rig.bench.write_duty({"fan": 50.0})
    rig.memory.full = False
    rig.bench.write_duty({"fan": 50.0})
    assert rig.memory.names == {"fan", "pump"}
    rig.bench.hand_back()

    assert (rig.fan.value, rig.fan.mode, rig.pump.value, rig.pump.mode) == (102, 5, 102, 5)
    assert rig.memory.saved is None


def test_full_speed_needs_no_reading(rig: Rig) -> None:
    """Where own control cannot be read any more, what it was at the start is put back."""
    rig.fan.faults.add("own control")

    rig.bench.write_duty({"fan": 100.0})
    rig.bench.hand_back()

    assert (rig.fan.value, rig.fan.mode) == (102, 5)


def test_own_control_is_what_it_was_before_the_first_change(rig: Rig) -> None:
    """What changed since the start, or since the last hand-back, is what is put back."""
    rig.fan.value, rig.fan.mode = 77, 2
    rig.bench.write_duty({"fan": 50.0})
    rig.bench.hand_back()
    assert (rig.fan.value, rig.fan.mode) == (77, 2)
    rig.fan.value = 99
    rig.bench.write_duty({"fan": 50.0})
    rig.bench.hand_back()

    assert rig.fan.value == 99


def test_one_that_cannot_be_given_back_does_not_keep_the_others(rig: Rig) -> None:
    """All others are given back, and it alone stays noted until it is."""
    rig.bench.write_duty({"fan": 50.0, "pump": 60.0})
    rig.fan.faults.add("give back")

    with pytest.raises(HardwareFault, match="give back of fan failed"):
        rig.bench.hand_back()

    assert (rig.pump.mode, rig.memory.names) == (5, {"fan"})
    rig.bench.write_duty({"fan": 100.0})  # as the guard does then
    assert rig.fan.value == 255
    rig.fan.faults.clear()
    rig.bench.close()
    assert (rig.fan.value, rig.fan.mode, rig.memory.saved) == (102, 5, None)


def test_a_note_that_cannot_be_removed_is_logged(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    """The hardware is back, which is what matters; the next start puts the same back again."""
    rig.bench.write_duty({"fan": 50.0})
    rig.memory.full = True

    rig.bench.hand_back()

    assert rig.fan.mode == 5
    assert "No room is left" in caplog.text


def test_what_may_not_be_set_is_refused_at_the_start(rig: Rig) -> None:
    """One actuator without permission and the bench does not start."""
    rig.bench.start()
    rig.pump.faults.add("permission")

    with pytest.raises(HardwareFault, match="permission of pump failed"):
        rig.bench.start()


def test_hardware_that_cannot_tell_its_control_is_no_bench() -> None:
    """What could not be put back is not taken in the first place."""
    memory = Memory()
    control = Control("fan", memory)
    control.faults.add("own control")
    fan = DrivenActuator(Actuator("fan", 15, 100, tachometer=True), control)

    with pytest.raises(HardwareFault, match="own control of fan"):
        DrivenBench("south", {"fan": fan}, {}, memory)


def test_what_cannot_be_read_is_left_out_and_told_once(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    """Missing values are None or left out, their reason is logged when it begins, not each time."""
    caplog.set_level(logging.WARNING)
    rig.fan.faults |= {"duty", "rpm"}
    rig.faults.add("processor")

    for _ in range(3):
        reading = rig.bench.read()

    assert set(reading.duty_percent) == {"pump"}
    assert reading.rpm == {"fan": None, "pump": 2040.0}
    assert reading.temperatures_c == {"processor": None, "room": 21.0}
    assert rig.bench.temperature_limits_c == {"processor": 90.0}
    assert rig.bench.unread["the temperature processor"] == (
        "The processor reads 'n/a', which is no number."
    )
    assert [record.getMessage() for record in caplog.records] == [
        "Bench south: the duty of fan cannot be read: The duty of fan failed.",
        "Bench south: the speed of fan cannot be read: The rpm of fan failed.",
        "Bench south: the temperature processor cannot be read: "
        "The processor reads 'n/a', which is no number.",
    ]
    rig.faults.clear()
    rig.bench.read()
    rig.faults.add("processor")
    rig.bench.read()
    assert len(caplog.records) == 4


def test_a_bench_of_which_nothing_can_be_read_is_a_fault() -> None:
    """Where every sensor fails the reason of the first one is raised."""
    memory = Memory()
    control = Control("fan", memory)
    fan = DrivenActuator(Actuator("fan", 15, 100, tachometer=True), control)
    bench = DrivenBench("south", {"fan": fan}, {}, memory)
    control.faults |= {"duty", "rpm"}

    with pytest.raises(HardwareFault, match="The duty of fan failed"):
        bench.read()


def test_the_guard_survives_all_failures_of_a_driver(rig: Rig) -> None:
    """With every sensor and the disk gone the guard still sets full speed."""
    guard = BenchGuard(rig.bench)
    guard.set_duty(guard.grant("test", 60).lease, {"fan": 20.0, "pump": 40.0})
    rig.break_reading()
    rig.memory.full = True
    guard.tick()

    assert guard.state().control == "safe"
    assert (rig.fan.value, rig.pump.value) == (255, 229)
