"""The equivalent level since somebody began to watch."""

from acoustic.decibels import level_db, mean_square_pa2
from acoustic.short_levels import ROW_S

__all__ = ["RunningLevel"]


class RunningLevel:
    """A-weighted equivalent level of all valid tenths of a second since a reset."""

    def __init__(self) -> None:
        self._sum_pa2 = 0.0
        self._rows = 0

    def add(self, LAeq_db: float) -> None:
        """Take the level of another tenth of a second."""
        self._sum_pa2 += mean_square_pa2(LAeq_db)
        self._rows += 1

    @property
    def LAeq_db(self) -> float:
        """The level; ``-inf`` before the first."""
        return level_db(self._sum_pa2 / max(self._rows, 1))

    @property
    def seconds(self) -> float:
        """How much sound it is made of."""
        return self._rows * ROW_S
