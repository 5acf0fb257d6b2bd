"""The table of the configuration that says what ``evenhush serve`` does by itself."""

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from service.bench_settings import no_boolean

__all__ = ["ServeSettings"]


class ServeSettings(BaseModel):
    """Where the lab is served, and what it does by itself."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: str = "127.0.0.1"
    """Address to listen on."""
    port: Annotated[int, BeforeValidator(no_boolean), Field(ge=0, le=65535)] = 8740
    """Port to listen on; 0 takes a free one."""
    token: str | None = None
    """What callers have to know; needed off loopback."""
    floor_check_every_min: Annotated[
        float, BeforeValidator(no_boolean), Field(ge=0.0, le=10_080.0)
    ] = 30.0
    """How often the room floor is checked, in minutes, and how old one may be for a match to count
    with it; 0 checks none by itself."""
    floor_check_s: Annotated[float, BeforeValidator(no_boolean), Field(ge=6.0, le=3600.0)] = 30.0
    """How long such a check listens, in seconds."""
    floor_check_lowers_fans: bool = False
    """Whether it may lease the bench and turn everything to its lowest speed; otherwise it waits
    until nothing turns."""
    calibration_due_h: Annotated[float, BeforeValidator(no_boolean), Field(gt=0.0, le=87_600.0)] = (
        24.0
    )
    """After how many hours the microphone is to be calibrated again."""
