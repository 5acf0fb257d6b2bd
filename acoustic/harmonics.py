"""Families of discrete tones: harmonics of one fundamental, which one rotor or motor makes.

Every fan has tones at whole multiples of its shaft or blade-passing frequency, but any few tones
fit the multiples of *some* low frequency. A family is therefore only what chance would hardly
line up: the more tones lie on low orders, the rarer.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from acoustic.decibels import energy_sum_db
from acoustic.errors import InputError
from acoustic.signals import Samples
from acoustic.tones import DiscreteTone

__all__ = [
    "FREQUENCY_ACCURACY",
    "HIGHEST_ORDER",
    "LOWEST_FUNDAMENTAL_HZ",
    "Harmonic",
    "HarmonicFamily",
    "harmonic_families",
]

FREQUENCY_ACCURACY: Final = 0.0005
"""How far the frequency of a discrete tone may be off, relative to it."""
HIGHEST_ORDER: Final = 32
"""Highest order looked for."""
LOWEST_FUNDAMENTAL_HZ: Final = 5.0
"""Lowest fundamental looked for: a shaft at 300 rpm."""

_CHANCE: Final = 0.02
"""Number of families as good as this that chance may be expected to line up. The trials overlap,
so of random tones far less than this share show a family; found by drawing them (in the tests)."""


@dataclass(frozen=True, slots=True)
class Harmonic:
    """A tone of a family."""

    order: int
    """Its frequency over the fundamental."""
    tone: DiscreteTone
    """The tone."""


@dataclass(frozen=True, slots=True)
class HarmonicFamily:
    """Tones at whole multiples of one frequency."""

    fundamental_hz: float
    """The common fundamental in hertz, which need not be among the tones."""
    harmonics: tuple[Harmonic, ...]
    """The tones, low to high; at least two."""

    @property
    def level_db(self) -> float:
        """Level of all its tones together in dB."""
        return energy_sum_db([harmonic.tone.level_db for harmonic in self.harmonics])


def harmonic_families(
    tones: Sequence[DiscreteTone], *, accuracy: float = FREQUENCY_ACCURACY
) -> tuple[HarmonicFamily, ...]:
    """Group discrete tones into families of a common fundamental.

    Parameters
    ----------
    tones : sequence of DiscreteTone
        Tones of one spectrum, in any order.
    accuracy : float, optional
        How far a frequency may be off, relative to it.

    Returns
    -------
    tuple of HarmonicFamily
        Families by level, strongest first. Each tone is in one of them or in none.

    Raises
    ------
    InputError
        If the accuracy is not above zero and below 0.01.

    Notes
    -----
    For every fundamental that fits a tone, the tones that lie on its orders are counted, and how
    probably as many of them, each moved about between two orders, would lie there. That times the
    number of fundamentals tried has to be small. The best family is taken out and the rest is
    searched again. Two families of low orders are preferred to one of high orders where they are
    the smaller coincidence. Of 2 to 40 random tones, at most 1 % of spectra show a family (in the
    tests).

    Two families may share a frequency; its tone then goes to the one that is surer.
    """
    if not 0.0 < accuracy < 0.01:
        raise InputError(
            f"Frequencies that may be off by {accuracy:g} of themselves cannot be grouped; give "
            "an accuracy above 0 and below 0.01."
        )
    left = sorted(tones, key=lambda tone: tone.frequency_hz)
    families = []
    while found := _surest(np.array([tone.frequency_hz for tone in left]), len(tones), accuracy):
        members = [Harmonic(int(order), left[place]) for place, order in found.orders]
        fundamental_hz = float(np.mean([each.tone.frequency_hz / each.order for each in members]))
        families.append(HarmonicFamily(fundamental_hz, tuple(members)))
        taken = {place for place, _ in found.orders}
        left = [tone for place, tone in enumerate(left) if place not in taken]
    return tuple(sorted(families, key=lambda family: -family.level_db))


class _Found(NamedTuple):
    """The surest family among tones."""

    orders: tuple[tuple[int, int], ...]
    """Place and order of each of its tones."""
    expected: float
    """Number of families as good that chance lines up."""


def _surest(frequency_hz: Samples, count: int, accuracy: float) -> _Found | None:
    """Find the family to take out first among tones that are sorted; None where there is none."""
    found = _best(frequency_hz, count, accuracy, HIGHEST_ORDER)
    if found is None:
        return None
    # Two rotors of nearly 10 to 13 in speed also fit one fundamental, on orders ten times higher.
    for highest in (HIGHEST_ORDER // 2, HIGHEST_ORDER // 4):
        low = _best(frequency_hz, count, accuracy, highest)
        if low is not None:
            rest_hz = np.delete(frequency_hz, [place for place, _ in low.orders])
            other = _best(rest_hz, count, accuracy, highest)
            if other is not None and low.expected * other.expected < found.expected:
                return low
    return found


def _best(frequency_hz: Samples, count: int, accuracy: float, highest_order: int) -> _Found | None:
    """Find the family that chance is least likely to make, judged by orders up to a highest."""
    if frequency_hz.size < 2:
        return None
    # The most tones fit where the interval of one of them begins.
    begin_hz = (frequency_hz[:, None] / np.arange(1, highest_order + 1)).ravel() * (1.0 - accuracy)
    begin_hz = begin_hz[begin_hz >= LOWEST_FUNDAMENTAL_HZ]
    ratio = frequency_hz / begin_hz[:, None]
    # The tone that gave the fundamental must not be lost to rounding.
    fits = np.abs(np.maximum(np.round(ratio), 1.0) / ratio - 1.0) <= accuracy * (1.0 + 1e-6)
    enough = np.count_nonzero(fits, axis=1) >= 2
    fits, ratio = fits[enough], ratio[enough]
    if len(fits) == 0:
        return None
    expected, last = _expected_by_chance(fits, ratio, accuracy, highest_order)
    # Of equally sure ones that with the most tones.
    best = slice(row := int(np.lexsort((-fits.sum(axis=1), expected))[0]), row + 1)
    if count * expected[row] > _CHANCE:
        return None
    # How far up it goes is judged by all orders.
    last = _expected_by_chance(fits[best], ratio[best], accuracy, HIGHEST_ORDER)[1]
    places = np.flatnonzero(fits[row, : last[0] + 1])
    orders = tuple((int(place), round(float(ratio[row, place]))) for place in places)
    return _Found(orders, float(count * expected[row]))


def _expected_by_chance(
    fits: npt.NDArray[np.bool_], ratio: Samples, accuracy: float, highest_order: int
) -> tuple[Samples, npt.NDArray[np.int_]]:
    """Expected number of families as good, for each tone that may give them, and the last tone.

    Judged are the tones up to each member in turn, and the best of these counts; a family of low
    orders is not made worse by tones far above it. `fits` and `ratio` have the shape
    (fundamentals, tones), the results (fundamentals,).
    """
    # A tone and the one that gave the fundamental may both be off, to either side.
    chance = np.minimum(4.0 * accuracy * ratio, 1.0)
    rows, tones = fits.shape
    # Probability of each number of fitting tones, besides the first, which fits by construction.
    number = np.zeros((rows, tones + 1))
    number[:, 0] = 1.0
    members = np.zeros(rows, dtype=np.int_)
    best, last = np.full(rows, np.inf), np.zeros(rows, dtype=np.int_)
    for tone in range(tones):
        hit = fits[:, tone] & (ratio[:, tone] < highest_order + 0.5)
        p = np.where(hit & (members == 0), 0.0, chance[:, tone])[:, None]
        moved = number[:, :-1] * p
        number = number * (1.0 - p)
        number[:, 1:] += moved
        members = members + hit
        at_least = np.cumsum(number[:, ::-1], axis=1)[:, ::-1]
        expected = ratio[:, tone] * at_least[np.arange(rows), np.maximum(members - 1, 0)]
        better = hit & (members >= 2) & (expected < best)
        best, last = np.where(better, expected, best), np.where(better, tone, last)
    return best, last
