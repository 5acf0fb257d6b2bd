"""A bench of real fans, pumps and temperatures, whatever drives each of them.

What every driver has in common is here, once: limits, saving before the first change, putting back.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from calibration.bench_state import Actuator
from service.bench.hardware.speed_control import SpeedControl, Thermometer
from service.clock import utc_now
from service.documents.saved_hardware import SavedControl, SavedHardware
from service.errors import HardwareFault, StorageError
from service.ports import HardwareReading

__all__ = ["DrivenActuator", "DrivenBench", "HardwareMemory", "WatchedTemperature"]

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class DrivenActuator:
    """A fan or pump and what drives it."""

    actuator: Actuator
    """Role and limits."""
    control: SpeedControl
    """Its driver."""


@dataclass(frozen=True, slots=True)
class WatchedTemperature:
    """A temperature and where the bench protects itself."""

    read_c: Thermometer
    """Reads it."""
    limit_c: float | None
    """Its limit in degrees Celsius; None for one that is only shown."""


class HardwareMemory(Protocol):
    """Where what has to be put back outlasts this process."""

    def read(self) -> SavedHardware | None:
        """Return what has to be put back; None for nothing."""
        ...

    def save(self, saved: SavedHardware) -> None:
        """Write it so that it lasts through a crash and a power cut, or raise StorageError."""
        ...

    def remove(self) -> None:
        """Forget it, as everything is back, or raise StorageError."""
        ...


class DrivenBench:
    """Real hardware behind the driver port of a bench.

    Parameters
    ----------
    name : str
        Name of the bench.
    actuators : mapping of str to DrivenActuator
        Fans and pumps by name.
    temperatures : mapping of str to WatchedTemperature
        Temperatures by name.
    memory : HardwareMemory
        Where is saved what has to be put back; nothing may be saved there yet.

    Raises
    ------
    HardwareFault
        If a driver cannot tell how its hardware is controlled now.
    """

    def __init__(
        self,
        name: str,
        actuators: Mapping[str, DrivenActuator],
        temperatures: Mapping[str, WatchedTemperature],
        memory: HardwareMemory,
    ) -> None:
        self.name = name
        """Name of the bench."""
        self.actuators = {key: driven.actuator for key, driven in actuators.items()}
        """The speeds it can set, with their limits."""
        self.temperature_limits_c = {
            key: watched.limit_c
            for key, watched in temperatures.items()
            if watched.limit_c is not None
        }
        """The temperatures it watches, with the limit of each."""
        self.controls = {key: driven.control for key, driven in actuators.items()}
        """The drivers."""
        self.unread: Mapping[str, str] = {}
        """Why something could not be read at the last reading, by what it was."""
        self._thermometers = {key: watched.read_c for key, watched in temperatures.items()}
        self._memory = memory
        self._own = {key: control.own_control() for key, control in self.controls.items()}
        self._taken: dict[str, SavedControl] = {}
        self._saved: set[str] = set()

    def start(self) -> None:
        """Make sure that every speed may be set, and bring to a known duty what nobody can read.

        Raises
        ------
        HardwareFault
            If one may not be set, or a driver fails.
        """
        for control in self.controls.values():
            control.check_may_set()
        for control in self.controls.values():
            control.start()

    def read(self) -> HardwareReading:
        """Read duties, speeds and temperatures.

        Returns
        -------
        HardwareReading
            What was read; a duty that cannot be read is left out, anything else None.

        Raises
        ------
        HardwareFault
            If nothing can be read at all.
        """
        unread: dict[str, str] = {}

        def attempt(what: str, read: Callable[[], float]) -> float | None:
            try:
                return read()
            except HardwareFault as fault:
                unread[what] = str(fault)
                return None

        duties = {
            name: attempt(f"the duty of {name}", control.duty_percent)
            for name, control in self.controls.items()
        }
        rpm = {
            name: attempt(f"the speed of {name}", control.rpm) if control.tachometer else None
            for name, control in self.controls.items()
        }
        temperatures_c = {
            name: attempt(f"the temperature {name}", read_c)
            for name, read_c in self._thermometers.items()
        }
        self._tell_of(unread)
        told = [*duties.values(), *rpm.values(), *temperatures_c.values()]
        if all(value is None for value in told):
            raise HardwareFault(next(iter(unread.values()), f"Bench {self.name} has no hardware."))
        known = {name: duty for name, duty in duties.items() if duty is not None}
        return HardwareReading(known, rpm, temperatures_c, unread)

    def write_duty(self, duty_percent: Mapping[str, float]) -> None:
        """Take manual control of the named actuators and set their duties.

        How each is controlled before its first change is saved first. Where that fails nothing is
        turned down; full speed is set all the same.

        Parameters
        ----------
        duty_percent : mapping of str to float
            Duty by actuator.

        Raises
        ------
        HardwareFault
            If one does not exist or has other limits, and then none is set; or if one cannot be
            set.
        """
        for name, duty in duty_percent.items():
            self._check(name, duty)
        self._take(duty_percent)
        for name, duty in duty_percent.items():
            self.controls[name].set_duty(duty)

    def hand_back(self) -> None:
        """Return every actuator to the control it was under before the first `write_duty`.

        Raises
        ------
        HardwareFault
            If one cannot be handed back; the others are.
        """
        if not self._taken:
            return
        faults = []
        for name, saved in list(self._taken.items()):
            try:
                self.controls[name].give_back(saved)
            except HardwareFault as fault:
                faults.append(str(fault))
            else:
                del self._taken[name]
        self._saved &= set(self._taken)
        try:
            if self._taken:
                self._save(self._taken)
            else:
                self._memory.remove()
        except StorageError as error:
            # What is saved there is put back once more at the next start, which changes nothing.
            logger.warning("Bench %s: %s", self.name, error)
        if faults:
            raise HardwareFault(" ".join(faults))

    def close(self) -> None:
        """Hand back; harmless when done twice.

        Raises
        ------
        HardwareFault
            If something cannot be handed back.
        """
        self.hand_back()

    def _check(self, name: str, duty_percent: float) -> None:
        """Raise if an actuator is unknown or its limits forbid the duty."""
        actuator = self.actuators.get(name)
        if actuator is None:
            raise HardwareFault(
                f"The bench {self.name} has no actuator {name!r}; "
                f"it has {', '.join(self.actuators) or 'none'}."
            )
        if not actuator.min_duty_percent <= duty_percent <= actuator.max_duty_percent:
            raise HardwareFault(
                f"The {name} takes {actuator.min_duty_percent:g} to "
                f"{actuator.max_duty_percent:g} % duty, not {duty_percent:g} %."
            )

    def _take(self, duty_percent: Mapping[str, float]) -> None:
        """Save how the named actuators are controlled, unless it is saved."""
        taken = dict(self._taken)
        for name in duty_percent:
            if name not in taken:
                taken[name] = self._own_control(name)
        if not set(duty_percent) <= self._saved:
            try:
                self._save(taken)
            except StorageError as error:
                full = all(d == self.actuators[n].max_duty_percent for n, d in duty_percent.items())
                if not full:
                    raise HardwareFault(
                        f"What has to be put back cannot be saved, so nothing was changed: {error}"
                    ) from error
                logger.warning("Bench %s: full speed is set without saving: %s", self.name, error)
        self._taken = taken

    def _own_control(self, name: str) -> SavedControl:
        """Return how an actuator is controlled; where that cannot be read now, how it was last."""
        try:
            self._own[name] = self.controls[name].own_control()
        except HardwareFault as fault:
            # Full speed may be what it needs just because of that.
            logger.warning("Bench %s: %s", self.name, fault)
        return self._own[name]

    def _save(self, taken: Mapping[str, SavedControl]) -> None:
        """Save what has to be put back."""
        self._memory.save(SavedHardware(time=utc_now(), bench=self.name, actuators=dict(taken)))
        self._saved = set(taken)

    def _tell_of(self, unread: Mapping[str, str]) -> None:
        """Log what could be read at the last reading and no longer can."""
        for what, why in unread.items():
            if what not in self.unread:
                logger.warning("Bench %s: %s cannot be read: %s", self.name, what, why)
        self.unread = unread
