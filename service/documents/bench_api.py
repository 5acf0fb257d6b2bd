"""The bench control API, version 1: what goes over the wire, and its way to and from plain data.

Numbers are strict: ``true`` is not 1, ``"43"`` is not 43, and infinities are no numbers at all. An
answer may carry fields that are not known here, as anyone may add some to a bench of their own;
a request may not, as a misspelt field must not be taken for an absent one.
"""

from datetime import datetime
from typing import Annotated, Self

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    model_validator,
)

from calibration.bench_state import (
    Actuator,
    ActuatorState,
    BenchDescription,
    BenchState,
    Control,
    Role,
)
from service.clock import utc_text

__all__ = [
    "API_VERSION",
    "BenchAnswer",
    "DutyRequest",
    "ErrorAnswer",
    "LeaseAnswer",
    "LeaseRequest",
    "RenewalRequest",
    "SoundFormatAnswer",
    "StateAnswer",
    "bench_answer",
    "description_from",
    "state_answer",
    "state_from",
]

API_VERSION = 1
"""Version of the bench control API that these models are."""


def _printable(text: str) -> str:
    """Accept text that stays one line in a log and in an error sentence."""
    if not text.isprintable() or not text.strip():
        raise ValueError("must be printable text on one line")
    return text


def _spoken(version: int) -> int:
    """Accept the one version of the API that is spoken here."""
    if version != API_VERSION:
        raise ValueError(f"is {version}, and this program speaks version {API_VERSION}")
    return version


Finite = Annotated[float, Field(allow_inf_nan=False)]
"""A number that is one."""
Duty = Annotated[Finite, Field(ge=0, le=100)]
"""A duty in percent."""
Seconds = Annotated[Finite, Field(gt=0)]
"""A duration in seconds."""
Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_printable)]
"""The name of a bench, an actuator, a temperature or a holder."""
Moment = Annotated[AwareDatetime, PlainSerializer(utc_text, return_type=str)]
"""A time, ISO 8601 in UTC on the wire."""


class Answer(BaseModel):
    """What a bench says; fields that are not known here are passed over."""

    model_config = ConfigDict(strict=True, frozen=True, extra="ignore")


class Request(BaseModel):
    """What a bench is asked; fields that are not known are refused."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")


class ActuatorAnswer(Answer):
    """One speed that the bench can set."""

    role: Role
    """Fan or pump."""
    min_duty_percent: Duty
    """Lowest duty it accepts."""
    max_duty_percent: Duty
    """Highest duty it accepts."""
    tachometer: bool
    """Whether its speed can be read."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Refuse limits between which there is nothing."""
        if self.min_duty_percent > self.max_duty_percent:
            raise ValueError("min_duty_percent must not be above max_duty_percent")
        return self


class TemperatureAnswer(Answer):
    """One temperature that the bench watches."""

    limit_c: Finite
    """Where the bench protects itself, in degrees Celsius."""


class BenchAnswer(Answer):
    """Answer to ``GET /v1/bench``."""

    bench: Name
    """Name of the bench."""
    api: Annotated[int, AfterValidator(_spoken)]
    """Version of the API."""
    actuators: dict[Name, ActuatorAnswer]
    """Actuators by name."""
    temperatures: dict[Name, TemperatureAnswer]
    """Watched temperatures by name."""
    lease_max_s: Seconds
    """Longest lease it grants, in seconds."""


class ActuatorStateAnswer(Answer):
    """Duty and speed of one actuator."""

    duty_percent: Duty
    """Duty that is set."""
    rpm: Annotated[Finite, Field(ge=0)] | None
    """Speed in revolutions a minute; null without a tachometer."""


class StateAnswer(Answer):
    """Answer to ``GET /v1/state`` and ``PUT /v1/duty``."""

    time: Moment
    """When the bench was in this state."""
    control: Control
    """Who sets the speeds."""
    why: str | None
    """Why the bench took over, when `control` is ``safe``."""
    actuators: dict[Name, ActuatorStateAnswer]
    """State of each actuator by name."""
    temperatures_c: dict[Name, Finite]
    """Temperatures by name, in degrees Celsius; one that cannot be read is left out."""


class LeaseRequest(Request):
    """Body of ``POST /v1/lease``."""

    holder: Name
    """Who asks, for the log and for others who find the bench taken."""
    seconds: Seconds
    """For how long."""


class RenewalRequest(Request):
    """Body of ``PUT /v1/lease``."""

    seconds: Seconds
    """For how long from now."""


class LeaseAnswer(Answer):
    """Answer to ``POST /v1/lease`` and ``PUT /v1/lease``."""

    lease: Annotated[str, Field(pattern=r"^[\x21-\x7e]+$", max_length=1000)]
    """The secret for the header ``Bench-Lease``: visible ASCII, as a header can carry it."""
    expires_in_s: Seconds
    """How long the lease lasts from now, in seconds."""


class DutyRequest(Request):
    """Body of ``PUT /v1/duty``."""

    duty_percent: Annotated[dict[Name, Finite], Field(min_length=1)]
    """Duty in percent by actuator; the bench's own limits are for the bench to judge."""


class SoundFormatAnswer(Answer):
    """Answer to ``GET /v1/simulated-sound/format``, which only the simulated bench has."""

    rate_hz: Annotated[int, Field(ge=1)]
    """Sampling rate in hertz."""
    channels: Annotated[int, Field(ge=1)]
    """Number of channels."""


class ErrorAnswer(Answer):
    """Answer when something could not be done."""

    detail: str
    """One plain sentence."""


def bench_answer(description: BenchDescription) -> BenchAnswer:
    """Put a description on the wire.

    Parameters
    ----------
    description : BenchDescription
        The bench.

    Returns
    -------
    BenchAnswer
        The answer to ``GET /v1/bench``.
    """
    return BenchAnswer(
        bench=description.bench,
        api=API_VERSION,
        actuators={
            name: ActuatorAnswer(
                role=actuator.role,
                min_duty_percent=actuator.min_duty_percent,
                max_duty_percent=actuator.max_duty_percent,
                tachometer=actuator.tachometer,
            )
            for name, actuator in description.actuators.items()
        },
        temperatures={
            name: TemperatureAnswer(limit_c=limit_c)
            for name, limit_c in description.temperature_limits_c.items()
        },
        lease_max_s=description.lease_max_s,
    )


def description_from(answer: BenchAnswer) -> BenchDescription:
    """Take a description off the wire.

    Parameters
    ----------
    answer : BenchAnswer
        A valid answer to ``GET /v1/bench``.

    Returns
    -------
    BenchDescription
        The bench.
    """
    return BenchDescription(
        bench=answer.bench,
        actuators={
            name: Actuator(
                role=actuator.role,
                min_duty_percent=actuator.min_duty_percent,
                max_duty_percent=actuator.max_duty_percent,
                tachometer=actuator.tachometer,
            )
            for name, actuator in answer.actuators.items()
        },
        temperature_limits_c={
            name: temperature.limit_c for name, temperature in answer.temperatures.items()
        },
        lease_max_s=answer.lease_max_s,
    )


def state_answer(state: BenchState, time: datetime) -> StateAnswer:
    """Put a state on the wire.

    Parameters
    ----------
    state : BenchState
        What the bench does.
    time : datetime
        When, with its time zone.

    Returns
    -------
    StateAnswer
        The answer to ``GET /v1/state`` and ``PUT /v1/duty``.
    """
    return StateAnswer(
        time=time,
        control=state.control,
        why=state.why,
        actuators={
            name: ActuatorStateAnswer(duty_percent=actuator.duty_percent, rpm=actuator.rpm)
            for name, actuator in state.actuators.items()
        },
        temperatures_c=dict(state.temperatures_c),
    )


def state_from(answer: StateAnswer) -> BenchState:
    """Take a state off the wire.

    Parameters
    ----------
    answer : StateAnswer
        A valid answer to ``GET /v1/state`` or ``PUT /v1/duty``.

    Returns
    -------
    BenchState
        What the bench does.
    """
    return BenchState(
        control=answer.control,
        why=answer.why,
        actuators={
            name: ActuatorState(duty_percent=actuator.duty_percent, rpm=actuator.rpm)
            for name, actuator in answer.actuators.items()
        },
        temperatures_c=dict(answer.temperatures_c),
    )
