"""What was logged during a thermal run, without its faults.

Arrays have one value a moment; NaN stands for what is missing. Loggers drop out, repeat and read
nonsense for a sample or two; a mean must not contain it, and a person must be told.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from acoustic.errors import InputError
from acoustic.signals import Samples

__all__ = ["BlockedRun", "RunLog", "block_means", "blocked", "cleaned", "resolution_of"]

_POSSIBLE_C: Final = (-20.0, 150.0)
"""A temperature beyond is no temperature of a machine that runs."""
_LONGEST_SPIKE: Final = 3
"""Samples that a spike may last; longer is taken for real."""
_LEAST_SPIKE: Final[Mapping[str, float]] = {"K": 4.0, "W": 25.0, "rpm": 150.0, "dB": 15.0}
"""A sample is a spike only if it leaves its neighbours by more than that."""
_MOST_BLOCKS: Final = 700_000


@dataclass(frozen=True, slots=True, eq=False)
class RunLog:
    """The log of one run; all arrays of shape ``(n,)``.

    Raises
    ------
    InputError
        If arrays do not fit together or time does not rise.
    """

    time_s: Samples
    """Seconds from the first sample; rising."""
    processor_c: Samples
    """Temperature of the processor in degrees Celsius."""
    ambient_c: Samples | None = None
    """Temperature of the air that the cooler takes in; None where it was not logged."""
    power_w: Samples | None = None
    """Power that becomes heat; None where it was not logged."""
    level_db: Samples | None = None
    """A-weighted level; None where it was not logged."""
    rpm: Mapping[str, Samples] = field(default_factory=dict)
    """Speeds by name."""

    def __post_init__(self) -> None:
        if self.time_s.size < 2 or not np.all(np.diff(self.time_s) > 0.0):
            raise InputError("A run's log needs two moments and more, each after the one before.")
        for name, values in self.columns().items():
            if values.shape != self.time_s.shape:
                raise InputError(
                    f"{name} has {values.size} values for {self.time_s.size} moments; give one "
                    "each."
                )

    def columns(self) -> dict[str, Samples]:
        """Return everything that was logged, by name; speeds under ``rpm NAME``."""
        named = {
            "processor_c": self.processor_c,
            "ambient_c": self.ambient_c,
            "power_w": self.power_w,
            "level_db": self.level_db,
        }
        return {name: values for name, values in named.items() if values is not None} | {
            f"rpm {name}": values for name, values in self.rpm.items()
        }

    def with_columns(self, columns: Mapping[str, Samples]) -> "RunLog":
        """Return the log with other values under the names of `columns`."""
        return replace(
            self,
            processor_c=columns["processor_c"],
            ambient_c=columns.get("ambient_c"),
            power_w=columns.get("power_w"),
            level_db=columns.get("level_db"),
            rpm={name: columns[f"rpm {name}"] for name in self.rpm},
        )


def cleaned(log: RunLog) -> tuple[RunLog, dict[str, int]]:
    """Take out what cannot have been.

    Parameters
    ----------
    log : RunLog
        The log as read.

    Returns
    -------
    tuple
        The log with NaN in place of spikes and of impossible temperatures, and how many values
        were taken out of each column that had any.
    """
    columns, counts = {}, {}
    for name, values in log.columns().items():
        bad = _spikes(values, _LEAST_SPIKE[_unit(name)])
        if name.endswith("_c"):
            bad |= (values < _POSSIBLE_C[0]) | (values > _POSSIBLE_C[1])
        count = int(np.count_nonzero(bad))
        columns[name] = values
        if count:
            columns[name] = np.where(bad, np.nan, values)
            counts[name] = count
    return log.with_columns(columns), counts


def _unit(name: str) -> str:
    """Unit of differences in a column."""
    if name.startswith("rpm "):
        return "rpm"
    return {"c": "K", "w": "W", "db": "dB"}[name.rpartition("_")[2]]


def _spikes(values: Samples, least: float) -> np.ndarray:
    """Mark samples that leave both sides at once and come back within three samples."""
    bad = np.zeros(values.size, dtype=bool)
    known = np.flatnonzero(np.isfinite(values))
    there = values[known]
    if there.size < 5:
        return bad
    steps = np.abs(np.diff(there))
    # Ordinary steps of this log: a noisy power reading is no series of spikes.
    usual = float(np.quantile(steps[:: max(1, steps.size // 100_000)], 0.9))
    limit = max(least, 6.0 * usual)
    jumps = np.flatnonzero(steps > limit)
    for first, second in zip(jumps[:-1].tolist(), jumps[1:].tolist(), strict=True):
        if second - first > _LONGEST_SPIKE or bad[known[first]]:
            continue
        outside = there[first + 1 : second + 1]
        before, after = there[first], there[second + 1]
        # A step of the load does not come back to where it was.
        if abs(after - before) < 0.5 * float(np.min(np.abs(outside - before))):
            bad[known[first + 1 : second + 1]] = True
    if steps[-1] > limit and not bad[known[-1]] and steps.size > 1 and steps[-2] <= limit:
        bad[known[-1]] = True
    return bad


@dataclass(frozen=True, slots=True, eq=False)
class BlockedRun:
    """Means of a run over blocks of equal length; NaN where less than half was logged."""

    block_s: float
    """Length of a block in seconds."""
    columns: Mapping[str, Samples]
    """Means by the names of `RunLog.columns`, each of shape ``(blocks,)``."""

    @property
    def time_s(self) -> Samples:
        """Middle of each block, in seconds from the first sample of the run."""
        count = next(iter(self.columns.values())).size
        return np.asarray(np.arange(count) * self.block_s, dtype=np.float64)


def blocked(log: RunLog, block_s: float | None = None) -> BlockedRun:
    """Average a run over blocks.

    Parameters
    ----------
    log : RunLog
        A cleaned log.
    block_s : float, optional
        Length of a block in seconds; by default one second, or what two samples take.

    Returns
    -------
    BlockedRun
        Its means.
    """
    if block_s is None:
        # Over many rows, as single ones are early or late.
        lag = min(50, log.time_s.size - 1)
        begin = log.time_s[:100_000]
        usual_s = float(np.median(begin[lag:] - begin[:-lag])) / lag
        block_s = max(1.0, usual_s, float(log.time_s[-1]) / _MOST_BLOCKS)
    # Around whole multiples: a log of one row a second is never quite on them.
    place = np.round(log.time_s / block_s).astype(np.int64)
    return BlockedRun(
        block_s, {name: block_means(values, place) for name, values in log.columns().items()}
    )


def block_means(values: Samples, place: np.ndarray) -> Samples:
    """Average values over blocks.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Values; NaN where one is missing.
    place : ndarray of int, shape (n,)
        Block of each; none negative.

    Returns
    -------
    ndarray of float64, shape (blocks,)
        Means; NaN for a block in which less than half of what it may hold is known.
    """
    known = np.isfinite(values)
    counts = np.bincount(place[known], minlength=int(place[-1]) + 1)
    sums = np.bincount(place[known], weights=values[known], minlength=int(place[-1]) + 1)
    usual = float(np.median(counts[counts > 0])) if np.any(counts) else 1.0
    enough = counts >= max(1.0, 0.5 * usual)
    return np.asarray(np.where(enough, sums / np.maximum(counts, 1), np.nan), dtype=np.float64)


def resolution_of(values: Samples) -> float:
    """Smallest step between different values.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Readings of one sensor; NaN where one is missing.

    Returns
    -------
    float
        Step in the unit of the values; 0 where there is none worth mentioning.
    """
    part = values[:: max(1, values.size // 20_000)]
    different = np.unique(np.round(part[np.isfinite(part)], 4))
    # Readings that hardly ever repeat have no steps.
    if different.size < 2 or different.size > 0.5 * part.size:
        return 0.0
    return float(np.min(np.diff(different)))
