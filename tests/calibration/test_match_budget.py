"""The budget of a matched level: closed forms, drawn errors, and whole matches."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from closed_loop.level_bench import LevelBench, random_traits, run, without

from acoustic.budget import Budget, difference
from calibration.evidence import Evidence
from calibration.fan_noise import Estimate, NoisePriors
from calibration.match_budget import match_budget
from calibration.matching import match
from calibration.results import (
    FloorReading,
    HeardSetting,
    MatchedActuator,
    MatchRequest,
)

FLOOR = FloorReading(32.0, 0.392)
WANDER_DB = 0.3


def heard(rpm, reading):
    """Return a setting of one fan."""
    return HeardSetting({"fan": MatchedActuator(50.0, rpm)}, reading, reading, 20.0, 0.0, ())


def result_of(visited, level, as_read, posterior=None):
    """Return a result that was reached by these settings."""
    return replace(
        any_result(),
        actuators=visited[-1].actuators,
        level=level,
        as_read=as_read,
        visited=tuple(visited),
        posterior=posterior,
    )


@lru_cache(maxsize=1)
def any_result():
    """Return the result of some match."""
    return matched(1, lambda floor_db: MatchRequest(40.0, 0.3, floor=FloorReading(floor_db, 0.3)))[
        1
    ]


def one_setting(reading):
    """Return the result of a single setting with a measured floor, as the loop would."""
    priors = NoisePriors(floor=Estimate(32.0, float(np.hypot(0.2, WANDER_DB))))
    evidence = Evidence(priors, "cooler")
    evidence.enter(1000.0, 0.0, reading)
    return result_of([heard(1000.0, reading)], evidence.last_level, reading, evidence.posterior)


@pytest.mark.parametrize("read_db", [36.0, 38.0, 42.0])
def test_subtracting_the_floor_has_its_textbook_sensitivities(read_db):
    """One reading less a floor moves by 1/s with the reading and (s - 1)/s with the floor."""
    budget = match_budget(MatchRequest(40.0, 0.3, floor=FLOOR), one_setting(Estimate(read_db, 0.1)))
    share = 1.0 - 10 ** ((32.0 - read_db) / 10)
    parts = {part.name: part for part in budget.components}

    # The cooler's level is known beforehand to 16 dB, which changes the weights by a thousandth.
    assert parts["listening here"].sensitivity == pytest.approx(1 / share, rel=0.01)
    assert parts["listening here"].standard_uncertainty == pytest.approx(0.1)
    for name, u_db in (("measured room floor", 0.2), ("room floor since", WANDER_DB)):
        assert parts[name].sensitivity == pytest.approx(-(1 - share) / share, rel=0.03), name
        assert parts[name].standard_uncertainty == pytest.approx(u_db), name
    assert parts["measured room floor"].correlation == 1.0


def test_a_floor_that_both_share_cancels_between_coolers():
    """Drawn errors of two coolers over one floor differ as the difference of their budgets says."""
    request = MatchRequest(36.0, 0.3, floor=FLOOR)
    readings = [36.0, 37.0]
    budgets = [match_budget(request, one_setting(Estimate(read, 0.1))) for read in readings]
    rng = np.random.default_rng(1)
    draws = 200_000
    measured_db = 32.0 + 0.2 * rng.standard_normal(draws)
    levels = []
    for read_db in readings:
        read = read_db + 0.1 * rng.standard_normal(draws)
        floor = measured_db + WANDER_DB * rng.standard_normal(draws)
        levels.append(10 * np.log10(10 ** (read / 10) - 10 ** (floor / 10)))

    # Subtraction is not quite linear over these tenths of a decibel.
    assert np.std(levels[0]) == pytest.approx(budgets[0].combined_db, rel=0.03)
    assert np.std(levels[0] - levels[1]) == pytest.approx(
        difference(*budgets).combined_db, rel=0.03
    )
    assert difference(*budgets).combined_db < np.hypot(*[each.combined_db for each in budgets])


def matched(number, request_of):
    """Match a random cooler on a bench without sound."""
    rng = np.random.default_rng([31, number])
    bench = LevelBench(without(random_traits(rng), drift_db=0.0), rng)
    request = request_of(bench.traits.floor_db)
    return request, run(match(request, bench.description()), bench)


@pytest.mark.parametrize("number", range(12))
def test_the_parts_add_up_to_what_a_match_states(number):
    """For whole matches, floor measured or not, the parts make up the stated interval."""
    request, result = matched(
        number,
        lambda floor_db: MatchRequest(
            36.0 + number % 3 * 3,
            0.3,
            floor=FloorReading(floor_db, 0.3) if number % 2 else None,
        ),
    )
    budget = match_budget(request, result)

    assert (budget is None) == (result.level is None)
    if budget is not None:
        assert budget.combined_db == pytest.approx(result.level.sd_db, rel=1e-6)
        assert budget.U95_db == pytest.approx(1.96 * result.level.sd_db, rel=1e-4)
        # Found part by part, not in one piece; the floor only where it matters.
        assert "listening here" in {part.name for part in budget.components}


def test_a_level_as_read_is_uncertain_by_listening_alone():
    """Where the target is for the reading, no floor and no model enter."""
    request = MatchRequest(40.0, 0.3, applies_to="reading")
    reading = Estimate(40.0, 0.12)
    (only,) = match_budget(
        request, result_of([heard(1000.0, reading)], reading, reading)
    ).components

    assert (only.name, only.contribution_db) == ("listening", 0.12)


def test_what_cannot_be_taken_apart_stays_whole():
    """A level that the kept settings do not explain has one part, never a made-up split."""
    request = MatchRequest(40.0, 0.3, floor=FLOOR)
    kept = one_setting(Estimate(40.0, 0.1))
    other = replace(kept, level=Estimate(kept.level.mean_db, 0.4))
    budget = match_budget(request, other)

    assert len(budget.components) == 1
    assert budget.combined_db == 0.4


def test_no_level_has_no_budget():
    """A refused match has nothing to split."""
    kept = one_setting(Estimate(40.0, 0.1))

    assert match_budget(MatchRequest(40.0, 0.3), result_of(kept.visited, None, None)) is None
    assert isinstance(match_budget(MatchRequest(40.0, 0.3), kept), Budget)
