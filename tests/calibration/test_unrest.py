"""How far a cooler is from rest, and what that does to its level."""

from itertools import pairwise

import numpy as np
import pytest

from calibration.evidence import Evidence
from calibration.fan_noise import Estimate, NoisePriors
from calibration.unrest import AT_REST


def test_unrest_is_the_faded_sum_of_the_changes_of_speed():
    """After several changes what is left is each one's logarithm, faded over 20 s by its age."""
    unrest, time_s, speeds = AT_REST, 0.0, [1000.0, 1000.0, 1300.0, 1250.0, 1250.0]
    changes = []
    for before, now in pairwise(speeds):
        unrest = unrest.after(4.0, before, now)
        time_s += 4.0
        changes.append((time_s, np.log(now / before)))

    left = sum(change * np.exp(-(time_s - when) / 20.0) for when, change in changes)
    assert unrest.change == pytest.approx(left)


@pytest.mark.parametrize(
    ("before", "now"), [(None, 900.0), (900.0, None), (0.0, 900.0), (900.0, 0.0)]
)
def test_standing_fans_and_unread_ones_tell_nothing(before, now):
    """A start, a stop or a missing tachometer is no change of speed by a factor."""
    assert AT_REST.after(1.0, before, now) == AT_REST


def test_what_is_stated_allows_for_levels_that_have_not_come_to_rest():
    """The stated variance grows by what one reading may be off, and not where the fans rested."""

    def spread(unrest):
        """Standard deviation of one level well above the floor, once it is stated."""
        evidence = Evidence(NoisePriors(), "cooler")
        evidence.enter(1000.0, 0.0, Estimate(60.0, 0.15), unrest)
        before = evidence.last_level.sd_db
        evidence.count_unrest()
        return before, evidence.last_level.sd_db

    before, rested = spread(0.0)
    assert rested == pytest.approx(before)
    # A change of speed by a factor of e is 0.5 dB, one sd; the prior of the level is vague.
    assert spread(0.3)[1] == pytest.approx(np.hypot(before, 0.3 * 0.5), rel=0.01)


def test_an_early_reading_says_less_than_a_late_one():
    """Where an early and a late reading of one speed differ, the stated level is the late one's."""
    evidence = Evidence(NoisePriors(), "cooler")
    evidence.enter(1000.0, 0.0, Estimate(60.4, 0.1), 1.0)
    evidence.enter(1000.0, 0.0, Estimate(60.0, 0.1), 0.0)
    halfway = evidence.last_level.mean_db
    evidence.count_unrest()

    assert 60.0 <= evidence.last_level.mean_db < 60.06 < halfway
