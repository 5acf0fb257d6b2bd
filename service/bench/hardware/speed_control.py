"""What a driver has to offer for one fan or pump, and what all drivers judge alike."""

from collections.abc import Callable
from typing import Final, Protocol

from service.documents.saved_hardware import SavedControl
from service.errors import HardwareFault

__all__ = [
    "SpeedControl",
    "Tachometer",
    "Thermometer",
    "confirm",
    "plausible_c",
    "plausible_duty_percent",
    "plausible_rpm",
]

READ_BACK_PERCENT: Final = 2.0
"""How far a duty may read back from what was set. A chip with coarser steps cannot match: a step
of 4 % in speed is nearly a decibel."""
HIGHEST_RPM: Final = 50_000.0
"""No fan turns faster; a counter without a signal may read its greatest value."""
COLDEST_C, HOTTEST_C = -30.0, 126.0
"""What a sensor in a running machine can read; an open diode reads 127, 127.5 or -128."""
BETWEEN_LOOKS_S: Final = 0.05
"""Time between two looks, in seconds."""

Thermometer = Callable[[], float]
"""Reads one temperature in degrees Celsius, or raises HardwareFault with what it read instead."""
Tachometer = Callable[[], float]
"""Reads one speed in revolutions a minute, or raises HardwareFault likewise."""


class SpeedControl(Protocol):
    """One fan or pump of a kind of hardware; used by one thread at a time.

    Every method raises HardwareFault with one sentence where the hardware does not do as it
    should. Nothing is ever made up: what cannot be read is raised.
    """

    @property
    def where(self) -> str:
        """What it is, for a sentence, such as ``pwm2 of heron``."""
        ...

    @property
    def tachometer(self) -> bool:
        """Whether `rpm` can be asked."""
        ...

    def duty_percent(self) -> float:
        """Read the duty that is set."""
        ...

    def rpm(self) -> float:
        """Read the speed in revolutions a minute."""
        ...

    def own_control(self) -> SavedControl:
        """Say what `give_back` needs to come back to how it is controlled now."""
        ...

    def check_may_set(self) -> None:
        """Make sure, without any change, that this process may set it."""
        ...

    def start(self) -> None:
        """Bring to a known duty what nobody can read; called once, before anything is set."""
        ...

    def set_duty(self, duty_percent: float) -> None:
        """Take manual control, set a duty and see that it is set."""
        ...

    def give_back(self, saved: SavedControl) -> None:
        """Put it back under the control that `own_control` told of, and see that it is."""
        ...


def confirm(holds: Callable[[], bool], *, looks: int, pause: Callable[[float], object]) -> bool:
    """Look until what was set reads back.

    Parameters
    ----------
    holds : callable
        Looks and compares.
    looks : int
        How often at most.
    pause : callable
        Waits for some seconds.

    Returns
    -------
    bool
        Whether it read back at last.
    """
    for look in range(looks):
        if look > 0:
            pause(BETWEEN_LOOKS_S)
        if holds():
            return True
    return False


def plausible_duty_percent(value: float, where: str) -> float:
    """Return a duty that is one.

    Parameters
    ----------
    value : float
        What was read, in percent.
    where : str
        What it was read from.

    Returns
    -------
    float
        The same.

    Raises
    ------
    HardwareFault
        If nothing can be set like that.
    """
    return _within(value, 0.0, 100.0, f"{where} reads a duty of {value:g} %")


def plausible_rpm(value: float, where: str) -> float:
    """Return a speed that is one.

    Parameters
    ----------
    value : float
        What was read, in revolutions a minute.
    where : str
        What it was read from.

    Returns
    -------
    float
        The same.

    Raises
    ------
    HardwareFault
        If nothing turns like that.
    """
    return _within(value, 0.0, HIGHEST_RPM, f"{where} reads {value:g} rpm")


def plausible_c(value: float, where: str) -> float:
    """Return a temperature that is one.

    Parameters
    ----------
    value : float
        What was read, in degrees Celsius.
    where : str
        What it was read from.

    Returns
    -------
    float
        The same.

    Raises
    ------
    HardwareFault
        If nothing in a running machine is as cold or hot.
    """
    return _within(value, COLDEST_C, HOTTEST_C, f"{where} reads {value:g} °C")


def _within(value: float, lowest: float, highest: float, reads: str) -> float:
    """Return a value within limits; what is no number is in none."""
    if not lowest <= value <= highest:
        raise HardwareFault(f"{reads}, which cannot be; nothing may be connected there.")
    return value
