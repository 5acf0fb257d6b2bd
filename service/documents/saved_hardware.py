"""What a bench has to put back, ``evenhush.saved-hardware/1``.

It is written before the first change and is enough by itself, so that another process, or a later
version with another configuration, can put everything back.
"""

from typing import Annotated, ClassVar, Literal

from pydantic import AwareDatetime, Field, field_serializer

from service.clock import utc_text
from service.documents.base import Document, Part

__all__ = ["SavedControl", "SavedHardware", "SavedPrograms", "SavedPwm", "SpeedPrograms"]

Percent = Annotated[float, Field(ge=0.0, le=100.0)]
"""A duty in percent."""
Command = Annotated[tuple[str, ...], Field(min_length=1)]
"""A program and its arguments."""


class SavedPwm(Part):
    """What a channel of a chip was set to."""

    driver: Literal["hwmon"] = "hwmon"
    """Which driver puts it back."""
    folder: str
    """Where the kernel shows its chips."""
    chip: str
    """Name of the chip."""
    device: str
    """Path of its device."""
    number: int = Field(ge=1)
    """Number of the channel."""
    value: int = Field(ge=0, le=255)
    """Its value."""
    mode: int | None = Field(ge=0)
    """How it was controlled; null for a chip that has no such choice."""
    full_speed_percent: Percent
    """Duty to set where it cannot be put back."""


class SpeedPrograms(Part):
    """The programs that move one fan or pump."""

    set_duty: Command
    """Sets a duty; one argument holds its place."""
    read_duty: Command | None
    """Prints the duty that is set."""
    read_duty_pattern: str | None
    """Regular expression whose one group is that duty."""
    read_rpm: Command | None
    """Prints the speed."""
    read_rpm_pattern: str | None
    """Regular expression whose one group is the speed in revolutions a minute."""
    give_back: Command | None
    """Gives the speed back to its own control."""
    leave_at_percent: Percent | None
    """The duty to leave it at, where nothing gives it back."""
    time_limit_s: Annotated[float, Field(gt=0.0)]
    """How long each program may take, in seconds."""


class SavedPrograms(Part):
    """That programs have set a speed, and how they give it back."""

    driver: Literal["command"] = "command"
    """Which driver puts it back."""
    programs: SpeedPrograms
    """The programs."""
    full_speed_percent: Percent
    """Duty to set where it cannot be put back."""


SavedControl = SavedPwm | SavedPrograms
"""What puts one fan or pump back under the control it was under."""


class SavedHardware(Document):
    """What a bench has changed and must put back."""

    kind: ClassVar[str] = "note of what to put back"

    schema_name: Literal["evenhush.saved-hardware/1"] = Field(
        default="evenhush.saved-hardware/1",
        validation_alias="schema",
        serialization_alias="schema",
    )
    time: AwareDatetime = Field(strict=False)
    """When it was saved."""
    bench: str
    """Name of the bench."""
    actuators: dict[str, Annotated[SavedControl, Field(discriminator="driver")]]
    """Every actuator that was taken, and what it was under before."""

    @field_serializer("time")
    def _time_text(self, time: AwareDatetime) -> str:
        return utc_text(time)
