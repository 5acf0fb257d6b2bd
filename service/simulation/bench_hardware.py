"""The simulated bench: the plant behind the driver port."""

from collections.abc import Callable, Mapping

from calibration.bench_state import Actuator
from service.errors import HardwareFault
from service.ports import HardwareReading
from service.simulation.plant import Plant

__all__ = ["SimulatedBench"]

_IDLE_S = 2.0
"""So long after the last sound the clock takes over."""
_LONGEST_S = 600.0
"""After ten minutes nothing is left to move."""


class SimulatedBench:
    """Fans, pumps and the processor temperature of a plant.

    Parameters
    ----------
    plant : Plant
        The plant.
    name : str
        Name of the bench.
    monotonic : callable, optional
        A clock in seconds that moves the plant while nobody listens, so that a bench run by hand
        still lives. Without it the plant moves by the samples drawn only.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        name: str = "simulated",
        monotonic: Callable[[], float] | None = None,
    ) -> None:
        self._plant = plant
        self._name = name
        self._monotonic = monotonic
        self._frames_seen = plant.frames_drawn
        self._moved_at_s = monotonic() if monotonic else 0.0
        self._idle = False

    @property
    def name(self) -> str:
        """Name of the bench."""
        return self._name

    @property
    def actuators(self) -> Mapping[str, Actuator]:
        """The speeds it can set, with their limits."""
        return {
            name: Actuator(
                machine.role, machine.min_duty_percent, machine.max_duty_percent, tachometer=True
            )
            for name, machine in self._plant.cooler.machines.items()
        }

    @property
    def temperature_limits_c(self) -> Mapping[str, float]:
        """The temperatures it can read, with the limit of each."""
        return {"processor": 90.0}

    def read(self) -> HardwareReading:
        """Read duties, speeds and temperatures."""
        if self._monotonic is not None:
            self._live_on(self._monotonic())
        reading = self._plant.read()
        return HardwareReading(
            reading.duty_percent, reading.rpm, {"processor": reading.processor_c}
        )

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Take manual control of the named actuators and set their duties.

        Parameters
        ----------
        duty_percent : mapping of str to float
            Duty by actuator.

        Raises
        ------
        HardwareFault
            If one does not exist or cannot be set so; then none is set.
        """
        for name, duty in duty_percent.items():
            actuator = self.actuators.get(name)
            if actuator is None:
                raise HardwareFault(
                    f"The simulated bench has no actuator {name!r}; "
                    f"it has {', '.join(self.actuators)}."
                )
            if not actuator.min_duty_percent <= duty <= actuator.max_duty_percent:
                raise HardwareFault(
                    f"The simulated {name} takes {actuator.min_duty_percent:g} to "
                    f"{actuator.max_duty_percent:g} % duty, not {duty:g} %."
                )
        self._plant.set_duty(duty_percent)

    def hand_back(self) -> None:
        """Return every actuator to the bench's own temperature curve."""
        self._plant.hand_back()

    def close(self) -> None:
        """Hand back; harmless when done twice."""
        self.hand_back()

    def _live_on(self, now_s: float) -> None:
        """Let the plant catch up with the clock when nobody has listened for a while."""
        frames = self._plant.frames_drawn
        if frames != self._frames_seen:
            self._frames_seen, self._moved_at_s, self._idle = frames, now_s, False
            return
        idle_s = now_s - self._moved_at_s
        self._idle = self._idle or idle_s >= _IDLE_S
        if self._idle:
            self._plant.advance(min(idle_s, _LONGEST_S))
            self._moved_at_s = now_s
