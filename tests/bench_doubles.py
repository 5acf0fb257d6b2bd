"""Invented bench hardware and sound, and a clock that tests turn by hand."""

from collections.abc import Mapping

import numpy as np

from acoustic.signals import DigitalSignal
from calibration.bench_state import Actuator
from service.errors import CaptureStalled, HardwareFault
from service.ports import HardwareReading, SoundBlock

FAN = Actuator("fan", 15, 100, tachometer=True)
PUMP = Actuator("pump", 40, 90, tachometer=True)


class HandClock:
    """A clock that stands still until a test moves it."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        """Return the time in seconds."""
        return self.now_s


class InventedHardware:
    """A fan and a pump whose faults tests switch on and off.

    A fan below 20 % does not turn. `own_percent` is what its own control sets.
    """

    name = "south"
    own_percent = 30.0

    def __init__(self, actuators: Mapping[str, Actuator] | None = None) -> None:
        self.actuators: Mapping[str, Actuator] = actuators or {"fan": FAN, "pump": PUMP}
        self.temperature_limits_c: Mapping[str, float] = {"processor": 90.0}
        self.temperatures_c: dict[str, float | None] = {"processor": 50.0, "room": 21.0}
        self.rpm: dict[str, float | None] = {}
        self.manual: dict[str, float] = {}
        self.faults: set[str] = set()
        self.written: list[dict[str, float]] = []
        self.closed = 0

    def _fail(self, what: str) -> None:
        if what in self.faults:
            raise HardwareFault(f"The {what} failed.")

    def duty(self, name: str) -> float:
        """Return the duty at which an actuator is now."""
        return self.manual.get(name, self.own_percent)

    def read(self) -> HardwareReading:
        """Read everything."""
        self._fail("read")
        duties = {name: self.duty(name) for name in self.actuators}
        turning = {name: 20.0 * duty if duty >= 20 else 0.0 for name, duty in duties.items()}
        return HardwareReading(duties, turning | self.rpm, dict(self.temperatures_c))

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Set duties one after the other, so that a failing one leaves the ones before it set."""
        self.written.append(dict(duty_percent))
        for name, duty in duty_percent.items():
            self._fail(f"write {name}")
            self.manual[name] = duty

    def hand_back(self) -> None:
        """Go back to own control."""
        self._fail("hand-back")
        self.manual.clear()

    def close(self) -> None:
        """Hand back and count."""
        self.hand_back()
        self.closed += 1


class Ramp:
    """Two channels of a counter, so that each frame can be told from the others."""

    name = "ramp"
    rate_hz = 48_000
    channels = 2

    def __init__(self, position: str) -> None:
        self.offset = 0.5 if position == "calibrator" else 0.0
        self.taken = 0
        self.stalled = False

    def read(self, frames: int) -> SoundBlock:
        """Take the next numbers."""
        if self.stalled:
            raise CaptureStalled("The ramp stalled.")
        count = np.arange(self.taken, self.taken + frames) / 2**20 + self.offset
        self.taken += frames
        faults = ("a fault: ümlaut",) if frames == 7 else ()
        return SoundBlock(DigitalSignal(np.column_stack([count, -count]), self.rate_hz), faults)

    def close(self) -> None:
        """Do nothing."""
