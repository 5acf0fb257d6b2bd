"""The equipment of the demonstration: a simulated room in which coolers can be changed."""

import threading
from contextlib import ExitStack
from typing import Final

from acoustic.errors import InputError
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.documents.cooler import CoolerDocument
from service.live.pace import Pace
from service.ports import SoundBlock
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS, find_cooler
from service.simulation.cooler import Cooler
from service.simulation.plant import Plant, Position
from service.simulation.sound_source import SimulatedSource
from service.wiring.lab_bench import BenchAddress

__all__ = ["DEMO_INPUT", "DemoEquipment", "demo_coolers"]

DEMO_INPUT: Final = "simulated:demo"
"""What the simulated microphone is called."""
_BENCH: Final = "demo"
_NOTHING: Final = Cooler("nothing", {})


def demo_coolers() -> list[CoolerDocument]:
    """Return the descriptions of the simulated coolers."""
    return [
        CoolerDocument(
            cooler=name,
            fans=sum(
                len(machine.speed_ratios)
                for machine in cooler.machines.values()
                if machine.role == "fan"
            ),
            blades=next(
                (
                    machine.tones[0].order
                    for machine in cooler.machines.values()
                    if machine.role == "fan" and machine.tones
                ),
                None,
            ),
            notes="Simulated.",
        )
        for name, cooler in COOLERS.items()
    ]


class DemoEquipment:
    """A simulated bench over real HTTP, and its microphone; nothing is mounted at first.

    Parameters
    ----------
    seed : int
        Seed of everything random.
    speed : float or None
        How many times faster than real time it goes; None for as fast as it is asked for.
    """

    demo = True
    input_name = DEMO_INPUT

    def __init__(self, *, seed: int, speed: float | None) -> None:
        self.pace = Pace(speed, waits=True, on_demand=speed is None)
        """How quickly the microphone is read."""
        self._seed = seed
        self._lock = threading.Lock()
        self._position: Position = "room"
        self._served = ExitStack()
        self.plant = Plant(_NOTHING, seed=seed)
        """The room with what is mounted."""
        self._source = SimulatedSource(self.plant, name=DEMO_INPUT)
        server = self._serve(port=0)
        self._port = server.port
        self.bench = BenchAddress(server.url)
        """Where the bench is; the same whatever is mounted."""

    def _serve(self, port: int) -> BenchServer:
        """Serve the bench of what is mounted."""
        plant = self.plant
        # Time on this bench is the sound that was drawn from it.
        guard = BenchGuard(
            SimulatedBench(plant, name=_BENCH),
            hardware_clock=lambda: plant.frames_drawn / plant.rate_hz,
        )
        return self._served.enter_context(BenchServer(guard, port=port))

    def open_source(self) -> "_RoomMicrophone":
        """Open the microphone."""
        return _RoomMicrophone(self)

    def check_cooler(self, cooler: str) -> None:
        """Make sure that a cooler is in the catalogue.

        Raises
        ------
        InputError
            If it is not.
        """
        if cooler not in COOLERS:
            raise InputError(
                f"The demonstration has no cooler {cooler!r}; it has {', '.join(COOLERS)}."
            )

    def mount(self, cooler: str) -> None:
        """Put another cooler on the bench, which then runs it under its own control."""
        found = find_cooler(cooler)
        if found is self.plant.cooler:
            return
        self._served.close()
        with self._lock:
            number = list(COOLERS).index(found.name) + 1
            self.plant = Plant(found, seed=self._seed + number)
            self._source = SimulatedSource(self.plant, position=self._position, name=DEMO_INPUT)
        self._serve(self._port)

    def put_calibrator(self, *, on: bool) -> None:
        """Put the calibrator over the microphone, or take it off."""
        with self._lock:
            self._position = self._source.position = "calibrator" if on else "room"

    def read(self, frames: int) -> SoundBlock:
        """Hear what is mounted now."""
        with self._lock:
            return self._source.read(frames)

    def close(self) -> None:
        """Stop serving; harmless when done twice."""
        self._served.close()


class _RoomMicrophone:
    """The microphone of a room in which the cooler is changed.

    Parameters
    ----------
    room : DemoEquipment
        The room.
    """

    name = DEMO_INPUT
    channels = 1

    def __init__(self, room: DemoEquipment) -> None:
        self._room = room
        self.rate_hz = room.plant.rate_hz
        """Sampling rate in hertz."""

    def read(self, frames: int) -> SoundBlock:
        """Take exactly `frames` frames."""
        return self._room.read(frames)

    def close(self) -> None:
        """It stays in the room."""
