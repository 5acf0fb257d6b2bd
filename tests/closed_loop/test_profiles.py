"""What a profile of an earlier day is worth to a match."""

import numpy as np
from closed_loop.profiles import profile_table, profile_trial
from closed_loop.strategies import Task

TASK = Task(40.0, 0.3, floor_known=True)


def test_a_profile_saves_settings():
    """From its profile a cooler is matched in fewer settings than from nothing, and as right."""
    trials = [profile_trial(number, 91, TASK) for number in range(9)]
    able = [one for one in trials if one.reach == "reachable"]
    known = [one.with_profile for one in able]

    assert len(able) >= 4
    assert np.mean([one.settings for one in known]) < np.mean(
        [one.without.settings for one in able]
    )
    assert all(abs(one.miss_db) < 0.6 for one in known if one.outcome == "matched")
    assert sum(one.outcome == "matched" for one in known) >= len(known) - 1
    assert next(iter(profile_table(trials, TASK))).startswith(f"{len(able)} of 9 coolers")
