"""A bench whose time tests let pass, for holding speeds over hours: worn fans, a cycling load.

The plant moves only when a second is let pass. What acts of a duty wanders off over the hours, as
with a bearing that warms up, and the tachometer drops out now and then.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from calibration.bench_state import Actuator, BenchDescription, BenchState
from service.bench.guard import BenchGuard
from service.errors import BenchUnreachable
from service.ports import HardwareReading
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import find_cooler
from service.simulation.plant import Plant

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


class WornHardware:
    """Simulated hardware on which a duty acts less and less, with faults to switch on."""

    def __init__(self, plant: Plant) -> None:
        self._bench = SimulatedBench(plant, name="south")
        self._plant = plant
        self.asked: dict[str, float] = {}
        self.wear = 0.0
        """Share of a duty that does not act."""
        self.spoil: Callable[[HardwareReading], HardwareReading] = lambda reading: reading

    name = "south"

    @property
    def actuators(self) -> Mapping[str, Actuator]:
        """As of the simulated bench."""
        return self._bench.actuators

    @property
    def temperature_limits_c(self) -> Mapping[str, float]:
        """As of the simulated bench."""
        return self._bench.temperature_limits_c

    def read(self) -> HardwareReading:
        """Read, with the duties as they were asked."""
        reading = self._bench.read()
        return self.spoil(replace(reading, duty_percent={**reading.duty_percent, **self.asked}))

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Set duties."""
        self.asked.update(duty_percent)
        self.act()

    def act(self) -> None:
        """Let the wear act on the fan's duty."""
        acting = {
            name: min(max(duty * (1.0 - self.wear * (name == "fan")), 0.0), 100.0)
            for name, duty in self.asked.items()
        }
        self._plant.set_duty(acting)

    def hand_back(self) -> None:
        """Hand back."""
        self.asked.clear()
        self._bench.hand_back()

    def close(self) -> None:
        """Close."""
        self._bench.close()


@dataclass
class HeldBench:
    """A bench connection and the seconds of it, in one: the port of either."""

    cooler: str = "Lagoon 240"
    seed: int = 1
    held_s: int = 0
    lease: str = ""
    released: int = 0
    before_second: Callable[[int], None] = lambda _: None
    level_db: Callable[[int], float | None] = lambda _: None
    unreachable: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.plant = Plant(find_cooler(self.cooler), seed=self.seed)
        self.hardware = WornHardware(self.plant)
        clock = lambda: float(self.held_s)  # noqa: E731 - one line says it
        self.guard = BenchGuard(self.hardware, clock=clock, hardware_clock=clock)
        self.goals: list[Mapping[str, float]] = []
        self.temperatures_c: list[float] = []

    # a bench connection

    def describe(self) -> BenchDescription:
        """Ask what it is."""
        return self.guard.description

    def state(self) -> BenchState:
        """Ask what it does."""
        if self.held_s in self.unreachable:
            raise BenchUnreachable("Nobody answers at the bench.")
        return self.guard.state()

    def acquire(self, holder: str) -> None:
        """Lease it for as long as it goes."""
        self.lease = self.guard.grant(holder, 60.0).lease

    def set_duty(self, duty_percent: Mapping[str, float]) -> BenchState:
        """Set duties."""
        return self.guard.set_duty(self.lease, duty_percent)

    def release(self) -> None:
        """Give it back."""
        self.released += 1
        if self.guard.state().control == "leased":
            self.guard.release(self.lease)

    # its seconds

    def pass_one(self) -> float | None:
        """Let a second pass."""
        self.before_second(self.held_s)
        self.hardware.act()
        self.plant.advance(1.0)
        self.held_s += 1
        if self.guard.state().control == "leased" and self.held_s % 10 == 0:
            self.guard.renew(self.lease, 60.0)
        self.goals.append(self.plant.goal_rpm)
        self.temperatures_c.append(self.plant.read().processor_c)
        return self.level_db(self.held_s)

    def now(self) -> datetime:
        """Return the time."""
        return NOON + timedelta(seconds=self.held_s)

    def without_sound(self) -> "HeldBench":
        """Go on without a level."""
        self.level_db = lambda _: None
        return self


def hours_of_trouble(bench: HeldBench, hours: float, rng: np.random.Generator) -> None:
    """Let a fan wear by 4 % and back, a load cycle, and the tachometer drop out now and then."""
    end_s = hours * 3600.0
    lost = set(rng.integers(120, int(end_s), max(1, round(4 * hours))).tolist())

    def before(second: int) -> None:
        bench.hardware.wear = 0.04 * np.sin(np.pi * second / end_s) + 0.01 * np.sin(second / 900.0)
        bench.plant.set_load(150.0 if second % 300 < 210 else 40.0)
        bench.hardware.spoil = (
            (lambda reading: replace(reading, rpm={**reading.rpm, "fan": 0.0}))
            if second in lost
            else (lambda reading: reading)
        )

    bench.before_second = before
