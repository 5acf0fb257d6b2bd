"""Noticing that something else sets the speeds as well, or that a setting was ignored."""

from collections.abc import Mapping

__all__ = ["HeldDuties"]

SAME_DUTY_PERCENT = 2.0
"""How far a duty may read from what was set: registers and some chips' tables are coarse."""
ASTRAY_AFTER_S = 2.0
"""How long it may read otherwise; some chips ramp to what was set."""


class HeldDuties:
    """What a lease holder has set, compared with what is read."""

    def __init__(self) -> None:
        self._set_percent: dict[str, float] = {}
        self._astray_since_s: dict[str, float] = {}

    def expect(self, duty_percent: Mapping[str, float]) -> None:
        """Take note of duties that were just set.

        Parameters
        ----------
        duty_percent : mapping of str to float
            Duty in percent by actuator.
        """
        self._set_percent |= duty_percent
        for name in duty_percent:
            self._astray_since_s.pop(name, None)

    def forget(self) -> None:
        """Expect nothing any more: the bench has its own control again."""
        self._set_percent.clear()
        self._astray_since_s.clear()

    def observe(self, duty_percent: Mapping[str, float], time_s: float) -> str | None:
        """Compare a reading with what was set.

        Parameters
        ----------
        duty_percent : mapping of str to float
            Duty as read, in percent by actuator.
        time_s : float
            When, on a monotonic clock.

        Returns
        -------
        str or None
            The complaint, once a duty was another one for too long.
        """
        for name, wanted in self._set_percent.items():
            if abs(duty_percent[name] - wanted) <= SAME_DUTY_PERCENT:
                self._astray_since_s.pop(name, None)
                continue
            since_s = self._astray_since_s.setdefault(name, time_s)
            if time_s - since_s >= ASTRAY_AFTER_S:
                return (
                    f"the duty of {name} reads {duty_percent[name]:.0f} % although {wanted:.0f} % "
                    "was set, as if something else controls it too"
                )
        return None
