"""Between which duties the fans turn.

A stopped fan is never a quiet one: which duty still turns it is found by tachometer alone.
"""

from dataclasses import dataclass
from typing import Final

__all__ = ["SAME_PERCENT", "RunningRange"]

_RESOLUTION_PERCENT: Final = 1.0
"""How closely the lowest running duty is searched."""
SAME_PERCENT: Final = 0.05
"""Duties closer than this are the same setting."""


@dataclass(slots=True)
class RunningRange:
    """The duties of the fans, and what is known of where they stand still."""

    lowest_percent: float
    """Lowest duty the bench takes."""
    highest_percent: float
    """Highest duty the bench takes."""
    standing_percent: float | None = None
    """Highest duty at which the fans were seen standing."""
    running_percent: float | None = None
    """Lowest duty at which they were seen turning."""

    def note(self, percent: float, *, turning: bool) -> None:
        """Remember whether the fans turn at a duty."""
        if not turning:
            self.standing_percent = max(percent, self.standing_percent or 0.0)
        elif self.running_percent is None or percent < self.running_percent:
            self.running_percent = percent

    def clip(self, percent: float) -> float:
        """Return the nearest duty the bench takes, to a hundredth of a per cent."""
        # Rounded first: a limit of 20 in 255 steps must not be rounded across.
        return min(max(round(percent, 2), self.lowest_percent), self.highest_percent)

    def at_highest(self, percent: float) -> bool:
        """Tell whether no higher duty is left."""
        return percent >= self.highest_percent - SAME_PERCENT

    def at_lowest(self, percent: float) -> bool:
        """Tell whether the fans run as slowly as they can."""
        if percent <= self.lowest_percent + SAME_PERCENT:
            return True
        running = self.running_percent
        return running is not None and not self.undecided() and percent <= running + SAME_PERCENT

    def undecided(self) -> bool:
        """Tell whether the slowest running duty is not known closely enough."""
        if self.standing_percent is None or self.running_percent is None:
            return True
        return self.running_percent - self.standing_percent > _RESOLUTION_PERCENT

    def middle(self) -> float:
        """Duty halfway between the lowest that turns and the highest that stands."""
        running = self.highest_percent if self.running_percent is None else self.running_percent
        return round(0.5 * (running + (self.standing_percent or self.lowest_percent)), 2)

    def forbids(self, percent: float) -> bool:
        """Tell whether the fans are known to stand still at a duty."""
        return self.standing_percent is not None and percent <= self.standing_percent
