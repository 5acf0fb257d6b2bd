"""A tenth of a second of sound on its way from the reader to those who want it."""

from dataclasses import dataclass
from datetime import datetime

from service.ports import SoundBlock

__all__ = ["HeardBlock"]


@dataclass(frozen=True, slots=True, eq=False)
class HeardBlock:
    """A block as it was read."""

    number: int
    """Counts the tenths of a second since the input was opened."""
    time: datetime
    """When it was read."""
    block: SoundBlock
    """The sound."""
