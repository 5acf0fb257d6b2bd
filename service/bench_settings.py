"""The tables of the configuration that say what ``evenhush bench`` serves."""

import re
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from calibration.bench_state import Role

__all__ = ["ActuatorSettings", "BenchHostSettings", "Count", "TemperatureSettings", "no_boolean"]

_LONGEST_PROGRAM_S: Final = 1.5
"""A bench that does not look at its temperatures for four seconds counts as hung, and one look may
run several programs."""


def no_boolean(value: object) -> object:
    """Refuse what would be taken for the numbers 0 and 1."""
    if isinstance(value, bool):
        raise ValueError("must be a number, not true or false")  # noqa: TRY004 - pydantic's way
    return value


def _words(value: object) -> object:
    """Refuse a command that a shell would have to split."""
    if isinstance(value, str):
        raise ValueError("must be a list: the program, then each argument by itself")  # noqa: TRY004 - pydantic's way
    return value


def _small(name: str) -> str:
    """Accept a name that an environment variable can carry."""
    if re.fullmatch(r"[a-z][a-z0-9_-]{0,39}", name) is None:
        raise ValueError("must have a name of small letters, digits, - and _, a letter first")
    return name


Count = Annotated[int, BeforeValidator(no_boolean)]
"""A whole number; from an environment variable its digits."""
Duty = Annotated[float, BeforeValidator(no_boolean), Field(ge=0.0, le=100.0)]
"""A duty in percent."""
Text = Annotated[str, Field(min_length=1, max_length=200)]
"""A name or a pattern."""
Command = Annotated[
    tuple[Annotated[str, Field(min_length=1)], ...], Field(min_length=1), BeforeValidator(_words)
]
"""A program and its arguments."""
TimeLimit = Annotated[
    float, BeforeValidator(no_boolean), Field(ge=0.1, le=_LONGEST_PROGRAM_S, allow_inf_nan=False)
]
"""How long a program may take, in seconds."""
Name = Annotated[str, AfterValidator(_small)]
"""The name of an actuator or a temperature; variables do not tell large letters from small."""


class Table(BaseModel):
    """A table of the configuration: a misspelt key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ActuatorSettings(Table):
    """A fan or a pump whose speed is set; which keys it needs depends on the driver."""

    role: Role
    """Fan or pump."""
    min_duty_percent: Duty | None = None
    """Lowest duty that is ever set; by default 20 for a fan and 50 for a pump."""
    max_duty_percent: Duty = 100.0
    """Highest duty; what full speed means."""

    chip: Text | None = None
    """hwmon: name of the chip."""
    device: Text | None = None
    """hwmon: part of the device's path, where two chips have one name."""
    pwm: Text | None = None
    """hwmon: what sets the speed, such as ``pwm2``, or its label."""
    tachometer: Text | None = None
    """hwmon: what reads the speed, such as ``fan2``, or its label."""

    set_duty: Command | None = None
    """command: sets a duty; one argument holds its place."""
    read_duty: Command | None = None
    """command: prints the duty that is set."""
    read_duty_pattern: Text | None = None
    """command: regular expression whose one group is the duty."""
    read_rpm: Command | None = None
    """command: prints the speed."""
    read_rpm_pattern: Text | None = None
    """command: regular expression whose one group is the speed in revolutions a minute."""
    give_back: Command | None = None
    """command: gives the speed back to its own control."""
    leave_at_percent: Duty | None = None
    """command: the duty to leave it at, where nothing gives it back."""
    time_limit_s: TimeLimit = 1.0
    """command: how long each program may take, in seconds."""


class TemperatureSettings(Table):
    """A temperature that is watched: of a chip, or printed by a program."""

    limit_c: Annotated[float, BeforeValidator(no_boolean), Field(ge=30.0, le=110.0)] | None = None
    """Where the bench goes to full speed, in degrees Celsius; without it the temperature is only
    shown."""

    chip: Text | None = None
    """Name of the chip."""
    device: Text | None = None
    """Part of the device's path, where two chips have one name."""
    sensor: Text | None = None
    """What reads it, such as ``temp1``, or its label."""

    read_c: Command | None = None
    """A program that prints it."""
    read_c_pattern: Text | None = None
    """Regular expression whose one group is the temperature in degrees Celsius."""
    time_limit_s: TimeLimit = 1.0
    """How long the program may take, in seconds."""


class BenchHostSettings(Table):
    """The bench that ``evenhush bench`` serves."""

    name: str = "south"
    """Name of the bench."""
    address: str = "127.0.0.1"
    """Address to listen on."""
    port: Count = Field(default=8750, ge=0, le=65535)
    """Port to listen on; 0 takes a free one."""
    token: str | None = None
    """What callers have to know; needed off loopback."""
    driver: Literal["hwmon", "command", "simulated"] | None = None
    """What moves the fans."""
    lease_max_s: Annotated[float, BeforeValidator(no_boolean), Field(ge=2.0, le=600.0)] = 60.0
    """Longest lease it grants, in seconds: so long may fans stay turned down when whoever asked for
    it is gone."""
    hwmon_folder: Path = Path("/sys/class/hwmon")
    """Where the kernel shows its chips."""
    actuators: dict[Name, ActuatorSettings] = {}
    """The speeds it sets, by name."""
    temperatures: dict[Name, TemperatureSettings] = {}
    """The temperatures it watches, by name."""
