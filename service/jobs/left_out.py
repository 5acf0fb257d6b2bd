"""Which rows of a recording are used, where some of it is marked as bad."""

import math
from collections.abc import Sequence

from acoustic.short_levels import MILLISECONDS_PER_ROW, ROW_S
from acoustic.time_weighting import millisecond_edges

__all__ = ["LeftOut"]

_EDGE_S = 1e-5
"""By how little a mark may reach into a row that is still used: less than a sample."""


class LeftOut:
    """Marked intervals of a part of a recording, widened to whole rows of 100 ms.

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
        self._rows: list[tuple[int, int]] = []
        for begin_s, end_s in sorted(marked_s):
            begin = max(math.floor((begin_s - start_s + _EDGE_S) / ROW_S), 0)
            end = math.ceil((min(end_s - start_s, duration_s) - _EDGE_S) / ROW_S)
            if self._rows and begin <= self._rows[-1][1]:
                begin, last = self._rows.pop()
                end = max(end, last)
            if begin < end:
                self._rows.append((begin, end))

    def __bool__(self) -> bool:
        """Whether anything is left out."""
        return bool(self._rows)

    @property
    def first_s(self) -> float:
        """Where the first interval begins, in seconds from the beginning of the recording."""
        return self._start_s + ROW_S * self._rows[0][0]

    @property
    def total_s(self) -> float:
        """How long all intervals are together."""
        return ROW_S * sum(end - begin for begin, end in self._rows)

    def runs(self, first: int, frames: int) -> list[tuple[int, int, bool]]:
        """Cut some frames where marked intervals begin and end.

        Parameters
        ----------
        first : int
            The first of them, counted from the beginning of the part.
        frames : int
            How many.

        Returns
        -------
        list of (int, int, bool)
            Beginning and end of each run, counted from `first`, and whether it is used.
        """
        runs = []
        position = 0
        for begin_row, end_row in self._rows:
            begin, end = (
                min(max(self._frame(row) - first, position), frames) for row in (begin_row, end_row)
            )
            runs += [(position, begin, True), (begin, end, False)]
            position = end
        runs.append((position, frames, True))
        return [(begin, end, used) for begin, end, used in runs if begin < end]

    def _frame(self, row: int) -> int:
        """First frame of a row."""
        millisecond = MILLISECONDS_PER_ROW * row
        return int(millisecond_edges(self._rate_hz, millisecond, millisecond)[0])
