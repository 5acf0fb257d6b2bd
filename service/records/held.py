"""A second of a held run, as it goes into its log."""

from dataclasses import dataclass
from datetime import datetime

from calibration.bench_state import BenchState

__all__ = ["HeldSecond"]


@dataclass(frozen=True, slots=True)
class HeldSecond:
    """What one second of a held run came to."""

    time: datetime
    """Its end."""
    state: BenchState
    """What the bench said then."""
    level_db: float | None
    """A-weighted level in dB; None where nothing fit to use was heard."""
