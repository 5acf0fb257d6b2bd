"""Level over speed as it comes in, for a picture that grows while a measurement runs."""

from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import Final

from acoustic.short_levels import ROW_S
from calibration.bench_state import Role
from calibration.listening import ListeningKnowledge, SettingListener
from calibration.steps import Heard
from service.jobs.job_views import LevelPoint

__all__ = ["LevelPoints"]

_SHORTEST_S: Final = 0.9
"""Shorter pieces are heard while speeds settle."""
_SAME_PERCENT: Final = 0.005
"""Duties nearer than this are one setting."""
_K95: Final = 1.96


class LevelPoints:
    """Gathers what is heard at each setting, what passes by in the room left out.

    Parameters
    ----------
    roles : mapping of str to Role
        What each actuator of the bench drives.
    """

    def __init__(self, roles: Mapping[str, Role]) -> None:
        self._roles = roles
        self._points: list[LevelPoint] = []
        self._duties: Mapping[str, float] | None = None
        self._listener = SettingListener(ListeningKnowledge())
        self._setting = -1

    def add(self, heard: Heard) -> tuple[LevelPoint, ...]:
        """Take what was heard, and return all points so far.

        Parameters
        ----------
        heard : Heard
            Levels, and the bench at their end.

        Returns
        -------
        tuple of LevelPoint
            One for each setting, in the order heard.
        """
        if len(heard.levels_db) * ROW_S >= _SHORTEST_S:
            self._enter(heard)
        return tuple(self._points)

    def _enter(self, heard: Heard) -> None:
        """Put it to the present setting, or begin the next."""
        state = heard.state
        duties = {name: actuator.duty_percent for name, actuator in state.actuators.items()}
        if self._duties is None or _differ(duties, self._duties):
            known = ListeningKnowledge() if self._setting < 0 else self._listener.knowledge()
            self._listener = SettingListener(known)
            self._duties = duties
            self._setting += 1
        speeds = [state.actuators[name].rpm for name in self._of("fan")]
        known_speeds = [rpm for rpm in speeds if rpm is not None]
        self._listener.add(heard, fmean(known_speeds) if known_speeds else None)
        estimate = self._listener.estimate()
        if estimate is None:
            return
        point = LevelPoint(
            setting=self._setting,
            fan_duty_percent=_mean(duties, self._of("fan")),
            fan_rpm=self._listener.rpm,
            pump_duty_percent=_mean(duties, self._of("pump")),
            LAeq_db=round(estimate.mean_db, 3),
            U95_db=round(_K95 * estimate.sd_db, 3),
            listened_s=round(self._listener.heard_s, 1),
        )
        if self._points and self._points[-1].setting == self._setting:
            self._points.pop()
        self._points.append(point)

    def _of(self, role: Role) -> Sequence[str]:
        return [name for name, driven in self._roles.items() if driven == role]


def _mean(duties: Mapping[str, float], names: Sequence[str]) -> float | None:
    """Mean duty of some actuators; None where there are none."""
    return fmean(duties[name] for name in names) if names else None


def _differ(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Tell whether two settings are not the same."""
    return one.keys() != other.keys() or any(
        abs(duty - other[name]) > _SAME_PERCENT for name, duty in one.items()
    )
