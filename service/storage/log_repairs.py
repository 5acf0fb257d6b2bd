"""Times that do not rise: mended where it is clear what happened, refused where it is not."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from acoustic.signals import Samples

__all__ = ["Repaired", "TimeGoesBack", "repair_times"]

_HOUR_S: Final = 3600.0
_DAY_S: Final = 86_400.0
_COARSE: Final = 0.3
"""A clock is coarse if more than this share of the rows have the time of the row before."""


class TimeGoesBack(Exception):
    """Time goes back for good, as where a second run was appended."""

    def __init__(self, line: int, back_s: float) -> None:
        super().__init__(f"line {line}: back by {back_s:g} s")
        self.line = line
        self.back_s = back_s


@dataclass(frozen=True, slots=True, eq=False)
class Repaired:
    """Times that rise."""

    seconds: Samples
    """The times that are kept, in seconds."""
    rows: npt.NDArray[np.int64]
    """Which rows they belong to, in order."""
    remarks: tuple[str, ...]
    """What was mended, each with its line."""


def repair_times(
    seconds: Samples, lines: npt.NDArray[np.int32], *, dated: bool, local: bool
) -> Repaired:
    """Make times rise.

    Parameters
    ----------
    seconds : ndarray of float64, shape (rows,)
        Times as read, NaN where none was.
    lines : ndarray of int32, shape (rows,)
        Line of each row.
    dated : bool
        Whether they are more than a time of day.
    local : bool
        Whether they are a wall clock without a zone, which is put forward and back each year.

    Returns
    -------
    Repaired
        Times that rise.

    Raises
    ------
    TimeGoesBack
        If time goes back for good and nothing explains it.
    """
    rows = np.flatnonzero(np.isfinite(seconds))
    times = seconds[rows].copy()
    remarks: list[str] = []
    steps = np.diff(times)
    if np.all(steps > 0.0) and not (local and np.any(steps > 0.9 * _HOUR_S)):
        return Repaired(times, rows, ())
    if np.count_nonzero(steps < 0.0) > 0.9 * steps.size:
        times, rows, steps = times[::-1].copy(), rows[::-1], -steps[::-1]
        remarks.append("the newest row comes first; it was turned round")
    if not dated:
        for place in np.flatnonzero(steps < -0.5 * _DAY_S).tolist():
            times[place + 1 :] += _DAY_S
            remarks.append(f"midnight at line {lines[rows[place + 1]]}")
    if local:
        remarks += _without_clock_changes(times, lines[rows])
    kept, dropped = _without_strays(times, lines[rows])
    if dropped:
        remarks.append(_counted(dropped, lines[rows], "out of order", "left out"))
    times, rows = times[kept], rows[kept]
    same = np.flatnonzero(np.diff(times) == 0.0) + 1
    if same.size > _COARSE * times.size:
        times = _spread(times)
        remarks.append("several rows have one time each; they were spread evenly")
    elif same.size:
        remarks.append(_counted(same.tolist(), lines[rows], "repeated", "left out"))
        times, rows = np.delete(times, same), np.delete(rows, same)
    return Repaired(times, rows, tuple(remarks))


def _counted(places: list[int], lines: npt.NDArray[np.int32], what: str, done: str) -> str:
    """Say how many times were faulty and where the first one stands."""
    if len(places) == 1:
        return f"the time of line {lines[places[0]]} is {what}; it was {done}"
    return f"{len(places)} times are {what}, the first in line {lines[places[0]]}; they were {done}"


def _without_clock_changes(times: Samples, lines: npt.NDArray[np.int32]) -> list[str]:
    """Take out that a wall clock was put forward or back by an hour on a full hour."""
    remarks = []
    steps = np.diff(times)
    usual = float(np.median(steps[steps > 0.0])) if np.any(steps > 0.0) else 1.0
    near = min(max(3.0 * usual, 2.0), 300.0)
    for sign, word in ((1.0, "forward"), (-1.0, "back")):
        for place in np.flatnonzero(np.abs(steps - sign * _HOUR_S) <= near).tolist():
            before, after = times[place], times[place + 1]
            to_hour = min(before % _HOUR_S, _HOUR_S - before % _HOUR_S)
            from_hour = min(after % _HOUR_S, _HOUR_S - after % _HOUR_S)
            if max(to_hour, from_hour) <= near:
                times[place + 1 :] -= sign * _HOUR_S
                remarks.append(
                    f"the clock was put {word} by an hour at line {lines[place + 1]}; that was "
                    "taken out"
                )
    return remarks


def _without_strays(
    times: Samples, lines: npt.NDArray[np.int32]
) -> tuple[npt.NDArray[np.bool_], list[int]]:
    """Mark rows that are in order, and list single ones that are not."""
    kept = np.ones(times.size, dtype=bool)
    dropped: list[int] = []
    for place in (np.flatnonzero(np.diff(times) < 0.0) + 1).tolist():
        before = place - 1
        while before >= 0 and not kept[before]:
            before -= 1
        if before < 0 or times[place] >= times[before]:
            continue
        earlier = before - 1
        while earlier >= 0 and not kept[earlier]:
            earlier -= 1
        following = times[place + 1] if place + 1 < times.size else np.inf
        if following >= times[before]:
            stray = place
        elif earlier < 0 or times[place] >= times[earlier]:
            stray = before
        else:
            raise TimeGoesBack(int(lines[place]), float(times[before] - times[place]))
        kept[stray] = False
        dropped.append(stray)
    still = np.flatnonzero(np.diff(times[kept]) < 0.0)
    if still.size:
        place = int(np.flatnonzero(kept)[still[0] + 1])
        raise TimeGoesBack(int(lines[place]), -float(np.diff(times[kept])[still[0]]))
    return kept, dropped


def _spread(times: Samples) -> Samples:
    """Spread rows with one time evenly up to the next time."""
    first = np.flatnonzero(np.diff(times, prepend=-np.inf) > 0.0)
    counts = np.diff(first, append=times.size)
    usual = float(np.median(counts))
    distance = np.diff(times[first], append=times[first][-1] + np.median(np.diff(times[first])))
    # A pause is no time to spread over, and a second begun late holds fewer rows.
    step = np.minimum(distance / counts, float(np.median(distance)) / min(usual, 1e9))
    within = np.arange(times.size) - np.repeat(first, counts)
    return np.asarray(np.repeat(times[first], counts) + within * np.repeat(step, counts))
