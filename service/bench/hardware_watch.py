"""Reading a bench's hardware and judging whether it is well."""

import math
from collections.abc import Callable, Mapping

from service.bench.rotors import RotorWatch
from service.errors import HardwareFault
from service.ports import BenchHardware, HardwareReading

__all__ = ["HardwareWatch", "failure_of"]

COOL_BELOW_LIMIT_K = 5.0
"""How far below its limit a temperature must be to count as cool again."""


def failure_of(action: Callable[[], object]) -> str | None:
    """Do something with hardware.

    Parameters
    ----------
    action : callable
        What to do.

    Returns
    -------
    str or None
        What went wrong, as words without a full stop; None when nothing did.
    """
    try:
        action()
    except Exception as error:  # noqa: BLE001 - whatever a driver raises, fans must not stay down
        return str(error).rstrip(".") or type(error).__name__
    return None


class HardwareWatch:
    """Keeps the last reading of a bench's hardware; used by one thread at a time.

    Parameters
    ----------
    hardware : BenchHardware
        What it reads.
    clock : callable
        Time in seconds as the hardware lives it.

    Raises
    ------
    HardwareFault
        If the hardware cannot be read, or leaves out one of its actuators.
    """

    def __init__(self, hardware: BenchHardware, clock: Callable[[], float]) -> None:
        self._hardware = hardware
        self._clock = clock
        self._names = tuple(hardware.actuators)
        self._limits_c = dict(hardware.temperature_limits_c)
        self._rotors = {
            name: RotorWatch(
                f"the {name}" if name == actuator.role else f"the {actuator.role} {name}"
            )
            for name, actuator in hardware.actuators.items()
            if actuator.tachometer
        }
        first = hardware.read()
        for name in self._names:
            if not math.isfinite(first.duty_percent.get(name, math.nan)):
                raise HardwareFault(
                    f"The hardware of {hardware.name} does not tell the duty of {name}; "
                    "check how it is connected."
                )
        self.reading = self._plausible(first)
        """The last reading; what could not be read is None, and a duty the last known."""

    def look(self) -> str | None:
        """Read anew; return what is wrong, as words without a full stop, or None."""
        fresh: list[HardwareReading] = []
        failure = failure_of(lambda: fresh.append(self._hardware.read()))
        if failure is not None:
            fresh = [HardwareReading(self.reading.duty_percent, {}, {})]
        self.reading = self._plausible(fresh[0])
        if failure is not None:
            return f"the hardware cannot be read ({failure})"

        def because(what: str) -> str:
            """Give the reason, where the driver has one."""
            reason = fresh[0].unread.get(what, "").rstrip(".")
            return f" ({reason})" if reason else ""

        for name, limit_c in self._limits_c.items():
            temperature_c = self.reading.temperatures_c[name]
            if temperature_c is None:
                return f"the temperature {name} cannot be read{because(f'the temperature {name}')}"
            if temperature_c >= limit_c:
                return f"the temperature {name} is {temperature_c:.1f} °C, limit {limit_c:g} °C"
        for name in self._names:
            if not math.isfinite(fresh[0].duty_percent.get(name, math.nan)):
                return f"the duty of {name} cannot be read{because(f'the duty of {name}')}"
        time_s = self._clock()
        complaints = {
            name: rotor.observe(self.reading.duty_percent[name], self.reading.rpm[name], time_s)
            for name, rotor in self._rotors.items()
        }
        return next(
            (
                complaint + because(f"the speed of {name}")
                for name, complaint in complaints.items()
                if complaint is not None
            ),
            None,
        )

    def cool(self) -> bool:
        """Say whether every watched temperature was well below its limit at the last look."""
        watched = (
            (self.reading.temperatures_c[name], limit) for name, limit in self._limits_c.items()
        )
        return all(
            celsius is not None and celsius <= limit - COOL_BELOW_LIMIT_K
            for celsius, limit in watched
        )

    def _plausible(self, raw: HardwareReading) -> HardwareReading:
        """Complete a reading, and take what is no number for not read."""
        duties = {name: raw.duty_percent.get(name, math.nan) for name in self._names}
        return HardwareReading(
            duty_percent={
                # A register of a few bits may come back as a little more than 100 %.
                name: min(max(duty, 0.0), 100.0)
                if math.isfinite(duty)
                else self.reading.duty_percent[name]
                for name, duty in duties.items()
            },
            rpm={name: _number(raw.rpm, name, 0.0) for name in self._names},
            temperatures_c={
                name: _number(raw.temperatures_c, name, -math.inf)
                for name in (self._limits_c | dict(raw.temperatures_c))
            },
        )


def _number(values: Mapping[str, float | None], name: str, lowest: float) -> float | None:
    """Return a value that is a number of at least `lowest`, or None."""
    value = values.get(name)
    return value if value is not None and math.isfinite(value) and value >= lowest else None
