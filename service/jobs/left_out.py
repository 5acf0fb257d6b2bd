"""Which frames and which rows of a recording are used, where some of it is marked as bad."""

import math
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from acoustic.short_levels import ROW_S, ShortLevels

__all__ = ["LeftOut"]

_EDGE_S = 1e-6
"""By how little a mark may reach into a row that is still used: its place is rounded to this."""


class LeftOut:
    """The marked intervals of a part of a recording.

    Parameters
    ----------
    marked_s : sequence of (float, float)
        Beginning and end of each, in seconds from the beginning of the recording.
    start_s, duration_s : float
        Where the part begins, and how long it is.
    rate_hz : int
        Sampling rate of the recording.
    """

    def __init__(
        self,
        marked_s: Sequence[tuple[float, float]],
        *,
        start_s: float,
        duration_s: float,
        rate_hz: int,
    ) -> None:
        self._start_s = start_s
        self._rate_hz = rate_hz
        self._marks_s: list[tuple[float, float]] = []
        for begin_s, end_s in sorted(marked_s):
            begin, end = max(begin_s - start_s, 0.0), min(end_s - start_s, duration_s)
            if begin >= end:
                continue
            if self._marks_s and begin <= self._marks_s[-1][1]:
                begin, last = self._marks_s.pop()
                end = max(end, last)
            self._marks_s.append((begin, end))

    def __bool__(self) -> bool:
        """Whether anything is left out."""
        return bool(self._marks_s)

    @property
    def first_s(self) -> float:
        """Where the first interval begins, in seconds from the beginning of the recording."""
        return self._start_s + self._marks_s[0][0]

    @property
    def total_s(self) -> float:
        """How long all intervals are together."""
        return sum(end_s - begin_s for begin_s, end_s in self._marks_s)

    def frames_used(self, first: int, frames: int) -> list[tuple[int, int]]:
        """Find what is used of some frames.

        Parameters
        ----------
        first : int
            The first of them, counted from the beginning of the part.
        frames : int
            How many.

        Returns
        -------
        list of (int, int)
            Beginning and end of every stretch that is used, counted from `first`.
        """
        used = np.ones(frames, dtype=np.bool_)
        for begin_s, end_s in self._marks_s:
            begin = math.floor((begin_s + _EDGE_S) * self._rate_hz) - first
            end = math.ceil((end_s - _EDGE_S) * self._rate_hz) - first
            used[max(begin, 0) : max(end, 0)] = False
        return _stretches(used)

    def rows_used(self, rows: ShortLevels) -> Iterator[ShortLevels]:
        """Take the rows that no interval touches.

        Parameters
        ----------
        rows : ShortLevels
            Consecutive rows of the part.

        Yields
        ------
        ShortLevels
            Each stretch of rows that is used.
        """
        start_s = rows.start_s
        used = np.ones(len(rows), dtype=np.bool_)
        for begin_s, end_s in self._marks_s:
            used &= (start_s + ROW_S <= begin_s + _EDGE_S) | (start_s >= end_s - _EDGE_S)
        for begin, end in _stretches(used):
            yield rows.rows(begin, end)


def _stretches(used: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Find runs of what is used."""
    edges = np.flatnonzero(np.diff(used, prepend=False, append=False)).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
