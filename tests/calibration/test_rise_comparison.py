"""Differences, slopes, fronts and common powers against closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from acoustic.errors import InputError
from calibration.common_power import PoweredRun, at_common_power, fit_leakage
from calibration.rise_comparison import ComparedRun, differences_of, front_of, slopes_of


def run(cooler, level_db, rise_k, U95_k=0.1, level_U95_db=0.3):
    """One run."""
    return ComparedRun(cooler, rise_k, U95_k, level_db, level_U95_db)


RUNS = [run("A", 45, 20), run("A", 40, 22), run("A", 35, 26), run("B", 40, 23), run("C", None, 30)]


def test_slopes_are_measured_between_neighbours():
    """At an end the slope is the one to the neighbour, in the middle the mean of both."""
    slopes = slopes_of(RUNS)

    assert [round(slope[0], 3) for slope in slopes[:3]] == [-0.4, -0.6, -0.8]
    # The bend of 0.4 K/dB between both sides is part of the doubt.
    assert slopes[1][1] > 0.2


def test_a_cooler_at_one_level_takes_over_the_usual_slope_with_doubt():
    """The median of the others, within half of it; none where the level is not known."""
    slopes = slopes_of(RUNS)

    assert slopes[3] == pytest.approx((-0.6, 0.3))
    assert slopes[4] is None
    assert slopes_of([run("A", 40, 20), run("B", 40, 21)]) == [None, None]


def test_noise_is_carried_into_the_difference():
    """Rises come to exactly the target along the slopes, and the level's doubt with them."""
    runs = [run("A", 40.5, 20.0), run("B", 39.8, 21.0)]
    (found,) = differences_of(runs, [(-1.0, 0.0), (-0.5, 0.0)], target_db=40.0)

    assert found.as_run_k == pytest.approx(-1.0)
    assert found.difference_k == pytest.approx((20.0 + 0.5) - (21.0 - 0.1))
    assert found.U95_k == pytest.approx(np.sqrt(2 * 0.1**2 + 0.3**2 + 0.15**2))
    assert found.outside_error
    (far,) = differences_of([runs[0], run("C", 35.0, 24.0)], [(-1.0, 0.0)] * 2, target_db=40.0)
    assert far.difference_k == pytest.approx(20.5 - 24.0)  # it cannot be louder
    (quiet,) = differences_of(runs, [(-1.0, 0.0), (-0.5, 0.0)], target_db=None)
    assert quiet.U95_k == pytest.approx(np.sqrt(2) * 0.1)


def test_the_front_is_what_nothing_beats():
    """A run is on the front unless another one is as quiet and colder, or as cold and quieter."""
    runs = [
        run("A", 30, 30),
        run("B", 35, 25),
        run("C", 36, 27),
        run("D", 40, 20),
        run("E", 40, 22),
    ]

    assert front_of([*runs, run("F", None, 1)]) == [True, True, False, True, False, False]


def powered(power_w, ambient_c, resistance):
    """A run of a chip that leaks 0.4 % per kelvin, solved from its equation."""
    rise = (
        resistance * power_w * (1 + 0.004 * (ambient_c - 60)) / (1 - resistance * power_w * 0.004)
    )
    return PoweredRun(rise / resistance, ambient_c + rise, ambient_c, resistance, 0.001)


def test_leakage_is_told_from_the_runs_though_one_did_other_work():
    """0.4 % per kelvin comes out within a tenth, with one run at a fifth more power."""
    runs = [powered(120, 23, r) for r in (0.15, 0.2, 0.25, 0.3)] + [powered(144, 23, 0.22)]
    leakage = fit_leakage(runs)

    assert leakage.fitted
    assert leakage.per_k == pytest.approx(0.004, rel=0.1)


def test_too_few_runs_tell_no_leakage():
    """Two runs, or runs equally hot, tell nothing."""
    two = [powered(120, 23, 0.15), powered(120, 23, 0.3)]

    assert not fit_leakage(two).fitted
    assert fit_leakage([two[0]] * 4).per_k == 0.0
    with pytest.raises(InputError, match="at least one"):
        fit_leakage([])


def test_a_common_power_is_that_of_the_same_work():
    """A run with a fifth more power in warmer air comes to what the same cooler did at home."""
    runs = [powered(120, 23, r) for r in (0.15, 0.2, 0.25)]
    leakage = replace(fit_leakage(runs), per_k=0.004, reference_c=60.0)
    home = at_common_power(powered(120, 23, 0.2), leakage, power_w=120.0, ambient_c=23.0)
    away = at_common_power(powered(144, 27, 0.2), leakage, power_w=120.0, ambient_c=23.0)

    assert home.rise_k == pytest.approx(runs[1].processor_c - 23.0)
    assert away.rise_k == pytest.approx(home.rise_k)
    assert home.power_w == pytest.approx(runs[1].power_w)
    with pytest.raises(InputError, match="No run can be brought to"):
        at_common_power(runs[0], leakage, power_w=5000.0, ambient_c=23.0)
