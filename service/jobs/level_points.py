"""Level over speed as it comes in, for a picture that grows while a measurement runs."""

from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import Final

import numpy as np

from acoustic.decibels import level_db, mean_square_pa2
from acoustic.short_levels import ROW_S
from calibration.bench_state import BenchState, Role
from calibration.steps import Heard
from service.jobs.job_views import LevelPoint

__all__ = ["LevelPoints"]

_SHORTEST_S: Final = 0.9
"""Shorter pieces are heard while speeds settle."""
_SAME_PERCENT: Final = 0.005
"""Duties nearer than this are one setting."""


class LevelPoints:
    """Gathers what is heard at each setting.

    Parameters
    ----------
    roles : mapping of str to Role
        What each actuator of the bench drives.
    """

    def __init__(self, roles: Mapping[str, Role]) -> None:
        self._roles = roles
        self._points: list[LevelPoint] = []
        self._duties: dict[str, float] = {}
        self._sum_pa2 = 0.0
        self._rows = 0
        self._speeds: list[float] = []

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
        levels_db = heard.levels_db[heard.valid]
        sum_pa2 = float(mean_square_pa2(levels_db).sum())
        if len(heard.levels_db) * ROW_S >= _SHORTEST_S and sum_pa2 > 0.0:
            self._enter(heard.state, sum_pa2, levels_db.size)
        return tuple(self._points)

    def _enter(self, state: BenchState, sum_pa2: float, rows: int) -> None:
        """Put it to the present setting, or begin the next."""
        duties = {name: actuator.duty_percent for name, actuator in state.actuators.items()}
        if not self._points or _differ(duties, self._duties):
            self._points.append(_NO_POINT)
            self._duties, self._sum_pa2, self._rows, self._speeds = duties, 0.0, 0, []
        self._sum_pa2 += sum_pa2
        self._rows += rows
        fans, pumps = self._of("fan"), self._of("pump")
        rpm = [known for name in fans if (known := state.actuators[name].rpm) is not None]
        if rpm:
            self._speeds.append(fmean(rpm))
        self._points[-1] = LevelPoint(
            setting=len(self._points) - 1,
            fan_duty_percent=fmean(duties[name] for name in fans) if fans else None,
            fan_rpm=fmean(self._speeds) if self._speeds else None,
            pump_duty_percent=fmean(duties[name] for name in pumps) if pumps else None,
            LAeq_db=round(level_db(self._sum_pa2 / self._rows), 3),
            listened_s=round(self._rows * ROW_S, 1),
        )

    def _of(self, role: Role) -> Sequence[str]:
        return [name for name, driven in self._roles.items() if driven == role]


def _differ(one: Mapping[str, float], other: Mapping[str, float]) -> bool:
    """Tell whether two settings are not the same."""
    return one.keys() != other.keys() or any(
        abs(duty - other[name]) > _SAME_PERCENT for name, duty in one.items()
    )


_NO_POINT: Final = LevelPoint(0, None, None, None, -np.inf, 0.0)
"""Stands for a setting of which nothing was heard yet."""
