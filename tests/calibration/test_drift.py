"""Pairs of calibrations whose difference is known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.drift import Calibrated, Doubt, doubtful_stretches, judge_drift


@given(drift_db=st.floats(-3, 3), factor=st.floats(1e-3, 1e3))
def test_drift_is_the_change_of_sensitivity(drift_db, factor):
    """A microphone that reads x dB higher afterwards, so needs a smaller factor, drifted by +x."""
    drift = judge_drift(factor, factor / 10 ** (drift_db / 20))

    assert drift.drift_db == pytest.approx(drift_db, abs=1e-9)


@pytest.mark.parametrize(
    ("drift_db", "void", "remarked"),
    [
        (0.0, False, False),
        (0.19, False, False),
        (-0.19, False, False),
        (0.21, False, True),
        (-0.21, False, True),
        (0.49, False, True),
        (0.51, True, True),
        (-0.51, True, True),
        (6.0, True, True),
    ],
)
def test_half_a_decibel_voids_and_a_fifth_alarms(drift_db, void, remarked):
    """More than 0.5 dB voids the series, more than 0.2 dB asks why, with its sign in words."""
    drift = judge_drift(2.0, 2.0 / 10 ** (drift_db / 20))

    assert drift.void is void
    assert (drift.remark is not None) is remarked
    if drift.remark is not None:
        assert f"{drift_db:+.2f} dB" in drift.remark
        assert ("void" in drift.remark) is void


def test_what_stands_on_an_overdue_or_drifted_calibration_is_in_doubt():
    """From the day it was due until it was made; between two that differ too much, all of it."""
    series = [
        Calibrated(0.0, 10.0, None),
        Calibrated(5.0, 15.0, 0.1),
        Calibrated(20.0, 30.0, -0.2),
        Calibrated(25.0, 35.0, 0.9),
        Calibrated(26.0, None, 0.0),
        Calibrated(40.0, 50.0, 0.0),
    ]
    assert doubtful_stretches(series, 45.0) == [
        Doubt(15.0, 20.0, "overdue", None),
        Doubt(20.0, 25.0, "drifted", 0.9),
    ]
    assert doubtful_stretches(series, 51.0)[-1] == Doubt(50.0, None, "overdue", None)
    assert doubtful_stretches([], 1.0) == []
