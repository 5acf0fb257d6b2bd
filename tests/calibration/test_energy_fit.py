"""Levels heard only together, against a general minimiser and against closed forms."""

import numpy as np
import pytest
from scipy.optimize import minimize

from calibration.energy_fit import EnergySums, fit_energy_sums


def read_db(levels_db):
    """What several levels read together."""
    return 10.0 * np.log10(np.sum(10.0 ** (np.asarray(levels_db) / 10.0)))


def sums_of(readings_db, sd_db, fans_db, fan_sd_db, floor):
    """One fan at several speeds, its levels known together but not each, in one room."""
    (floor_db, floor_sd_db), count = floor, len(readings_db)
    hears = np.zeros((count, count + 1), dtype=bool)
    hears[:, :count] = np.eye(count, dtype=bool)
    hears[:, -1] = True
    covariance = np.zeros((count + 1, count + 1))
    covariance[:count, :count] = fan_sd_db**2 + np.eye(count)
    covariance[-1, -1] = floor_sd_db**2
    return EnergySums(
        readings_db=np.array(readings_db),
        noise_db2=sd_db**2 * np.eye(count),
        hears=hears,
        mean_db=np.array([*fans_db, floor_db]),
        covariance_db2=covariance,
    )


def misfit(unknowns_db, sums):
    """Twice the negative log posterior, from its definition."""
    foretold = [read_db(unknowns_db[heard]) for heard in sums.hears]
    apart = (sums.readings_db - foretold) / np.sqrt(np.diag(sums.noise_db2))
    away = unknowns_db - sums.mean_db
    return apart @ apart + away @ np.linalg.solve(sums.covariance_db2, away)


@pytest.mark.parametrize("floor_db", [22.0, 26.0, 30.0, 34.0, 37.0])
@pytest.mark.parametrize("fan_db", [20.0, 30.0, 36.0])
def test_no_better_explanation_is_found_from_anywhere(floor_db, fan_db):
    """A general minimiser from 20 random starts finds none that is more probable."""
    fans_db = [fan_db - 20.0, fan_db, fan_db + 8.0]
    readings = [read_db([fan, floor_db]) for fan in fans_db]
    sums = sums_of(readings, 0.3, [15.0, 35.0, 43.0], 10.0, (26.0, 2.5))

    fit = fit_energy_sums(sums, [3])

    rng = np.random.default_rng(5)
    starts = rng.uniform(0.0, 45.0, (20, 4))
    found = [minimize(misfit, start, args=(sums,), method="BFGS").fun for start in starts]
    assert misfit(fit.unknowns_db, sums) < min(found) + 0.05


def test_a_level_alone_is_the_weighted_mean_of_reading_and_belief():
    """Where a reading holds one unknown only, the estimate is the textbook's."""
    sums = EnergySums(
        readings_db=np.array([42.0]),
        noise_db2=np.array([[0.25]]),
        hears=np.array([[True]]),
        mean_db=np.array([40.0]),
        covariance_db2=np.array([[1.0]]),
    )

    fit = fit_energy_sums(sums, [0])

    assert fit.unknowns_db[0] == pytest.approx(40.0 + 2.0 * 1.0 / 1.25)
    assert fit.covariance_db2[0, 0] == pytest.approx(1.0 * 0.25 / 1.25)
