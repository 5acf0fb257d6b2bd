"""Where an order meets something: a local rise of its level over speed, at a frequency of its own.

What turns grows louder evenly with speed. Where an order is louder in a narrow range of speeds
than below and above, its frequency there is that of something that rings, or of a tone that stays.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from acoustic.order_tracks import OrderTrack
from acoustic.signals import Samples
from acoustic.tones import DiscreteTone

__all__ = ["Crossing", "find_crossings"]

_FEWEST: Final = 7
"""Speeds with a level that an even rise can be told from."""
_LEAST_DB: Final = 4.0
"""Rise at the top from which it is told."""
_STANDS_OUT: Final = 4.0
"""How many times the usual difference between neighbours the top has to rise."""
_WIDEST: Final = 0.35
"""Relative range of speeds beyond which a rise is none: the law itself is another."""
_SAME: Final = 0.06
"""Relative distance of the frequencies at which two orders meet the same thing."""
_ON_TONE: Final = 0.02
"""Relative distance to a tone that stays within which that is what was met."""


@dataclass(frozen=True, slots=True)
class Crossing:
    """A range of speeds in which an order meets something."""

    rotor: str
    """The rotor."""
    order: int
    """Its order."""
    name: str
    """What that is called."""
    low_rpm: float
    """Speed below the top at which half of the rise is left, or the lowest heard."""
    high_rpm: float
    """Speed above it."""
    top_rpm: float
    """Speed at the top."""
    frequency_hz: float
    """Frequency of the order there: what it meets lies here."""
    rise_db: float
    """How much louder it is there than between the speeds around."""
    staying_hz: float | None
    """Frequency of the tone that stays there; None where it is something that only rings."""
    also_orders: tuple[int, ...]
    """Other orders that meet something at this frequency."""


def find_crossings(
    tracks: Sequence[OrderTrack], stays: Sequence[DiscreteTone]
) -> tuple[Crossing, ...]:
    """Find where orders meet something.

    Parameters
    ----------
    tracks : sequence of OrderTrack
        Orders over speed.
    stays : sequence of DiscreteTone
        Tones that do not follow the speed.

    Returns
    -------
    tuple of Crossing
        By speed. Two orders that meet one thing are two crossings, each naming the other.
    """
    found = [crossing for track in tracks for crossing in _of_track(track, stays)]
    found.sort(key=lambda each: (each.top_rpm, each.order))
    return tuple(
        Crossing(
            each.rotor,
            each.order,
            each.name,
            each.low_rpm,
            each.high_rpm,
            each.top_rpm,
            each.frequency_hz,
            each.rise_db,
            each.staying_hz,
            tuple(
                sorted(
                    other.order
                    for other in found
                    if other.order != each.order
                    and abs(other.frequency_hz / each.frequency_hz - 1.0) < _SAME
                )
            ),
        )
        for each in found
    )


def _of_track(track: OrderTrack, stays: Sequence[DiscreteTone]) -> list[Crossing]:
    """Find the local rises of one order."""
    known = np.flatnonzero(np.isfinite(track.level_db))
    if len(known) < _FEWEST:
        return []
    x, y = np.log(track.rpm[known]), track.level_db[known]
    y = y - _slope(x, y) * x
    # Neighbours differ by their scatter and hardly by anything else.
    least = max(_LEAST_DB, _STANDS_OUT * float(np.median(np.abs(np.diff(y)))))
    found = []
    free = np.ones(len(y), dtype=np.bool_)
    for top in np.argsort(-y).tolist():
        feet = _feet(x, y, top)
        if not free[top] or feet is None or y[top] - max(feet) < least:
            continue
        rise_db = float(y[top] - max(feet))
        rise = y - (y[top] - rise_db)
        half, low, high = 0.5 * rise_db, top, top
        while low > 0 and rise[low - 1] >= half:
            low -= 1
        while high < len(rise) - 1 and rise[high + 1] >= half:
            high += 1
        free[low : high + 1] = False
        if x[high] - x[low] > _WIDEST:
            continue
        low_rpm = _half_at(x, rise, low, low - 1, half)
        high_rpm = _half_at(x, rise, high, high + 1, half)
        # The top between three speeds.
        top_rpm = float(np.exp(np.average(x[low : high + 1], weights=rise[low : high + 1])))
        hz = track.order * top_rpm / 60.0
        on_tone = [
            tone.frequency_hz for tone in stays if abs(tone.frequency_hz / hz - 1.0) < _ON_TONE
        ]
        found.append(
            Crossing(
                track.rotor,
                track.order,
                track.name,
                low_rpm,
                high_rpm,
                top_rpm,
                hz,
                rise_db,
                min(on_tone, key=lambda each: abs(each - hz), default=None),
                (),
            )
        )
    return found


def _slope(x: Samples, y: Samples) -> float:
    """Usual rise of the level with the logarithm of speed: the median over all pairs of speeds."""
    first, second = np.triu_indices(len(x), 1)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def _feet(x: Samples, y: Samples, top: int) -> tuple[float, float] | None:
    """Lowest levels below and above a top, as far as nothing higher lies between."""
    feet = []
    for side in (np.arange(top - 1, -1, -1), np.arange(top + 1, len(y))):
        near = side[np.abs(x[side] - x[top]) <= _WIDEST]
        higher = np.flatnonzero(y[near] > y[top])
        near = near[: higher[0]] if len(higher) else near
        if not len(near):
            return None
        feet.append(float(y[near].min()))
    return feet[0], feet[1]


def _half_at(x: Samples, rise: Samples, inside: int, outside: int, half: float) -> float:
    """Speed at which the rise falls to its half, between two speeds."""
    if not 0 <= outside < len(x):
        return float(np.exp(x[inside]))
    part = (rise[inside] - half) / max(rise[inside] - rise[outside], 1e-12)
    return float(np.exp(x[inside] + part * (x[outside] - x[inside])))
