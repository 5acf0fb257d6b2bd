"""Telling a stuck rotor from one that stands still because its duty is too low."""

__all__ = ["RotorWatch"]

STUCK_AFTER_S = 2.5
"""How long a rotor may stand still where it should turn; a start takes less. With the time between
two looks it makes three seconds."""
UNREAD_AFTER_S = 1.0
"""How long a tachometer may not be read; single readings do go wrong."""
SURELY_TURNS_PERCENT = 50.0
"""From this duty on every fan and pump turns."""
PROOF_S = 5.0
"""How long a rotor must turn at one duty to show that it keeps turning there."""
PROOF_SPEED_RATIO = 0.8
"""Share of its speed that it must keep over that time; a rotor running down loses more."""
SAME_DUTY_PERCENT = 0.5
"""Change of a duty that is only rounding: one step of 255 is 0.4 %."""


class RotorWatch:
    """One rotor: learns at which duty it turns, and complains when it does not turn there.

    Parameters
    ----------
    name : str
        Name of the actuator, for the complaint.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._lowest_turning_percent = SURELY_TURNS_PERCENT
        self._proof: tuple[float, float, float] | None = None  # duty, speed, since when
        self._still_since_s: float | None = None
        self._unread_since_s: float | None = None

    def observe(self, duty_percent: float, rpm: float | None, time_s: float) -> str | None:
        """Take note of one reading.

        Parameters
        ----------
        duty_percent : float
            Duty that is set.
        rpm : float or None
            Speed; None where it could not be read, which for a moment counts as standing still.
        time_s : float
            When, on the clock that the hardware lives by.

        Returns
        -------
        str or None
            The complaint, once it stood still for too long where it should turn, or could not be
            read for too long at any duty.
        """
        if rpm is not None:
            self._unread_since_s = None
        elif self._unread_since_s is None:
            self._unread_since_s = time_s
        elif time_s - self._unread_since_s >= UNREAD_AFTER_S:
            return f"the speed of {self._name} cannot be read"
        if rpm is not None and rpm > 0:
            self._still_since_s = None
            self._learn(duty_percent, rpm, time_s)
            return None
        self._proof = None
        if duty_percent < self._lowest_turning_percent:
            self._still_since_s = None
            return None
        if self._still_since_s is None:
            self._still_since_s = time_s
        if time_s - self._still_since_s < STUCK_AFTER_S:
            return None
        return f"{self._name} does not turn at a duty of {duty_percent:.0f} %"

    def _learn(self, duty_percent: float, rpm: float, time_s: float) -> None:
        """Lower the duty at which it is known to turn, once it has turned there for a while."""
        if self._proof is not None:
            duty, speed, since_s = self._proof
            same = abs(duty_percent - duty) <= SAME_DUTY_PERCENT
            if same and time_s - since_s < PROOF_S:
                return
            if same and rpm >= PROOF_SPEED_RATIO * speed:
                self._lowest_turning_percent = min(self._lowest_turning_percent, duty_percent)
        self._proof = (duty_percent, rpm, time_s)
