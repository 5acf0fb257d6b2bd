"""What follows from what was heard, case by case."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.fan_noise import Estimate
from calibration.verdict import LONGEST_HUNTING_S, HeardSoFar, judge

TARGET_DB, TOLERANCE_DB = 40.0, 0.3


def heard(mean_db, sd_db, seconds, **facts):
    """Make what is known of a setting in the middle of the range."""
    usual = {
        "missed_by": Estimate(mean_db - TARGET_DB, sd_db),
        "reading": Estimate(mean_db, sd_db),
        "expected": None,
        "heard_s": seconds,
        "hunts_db": 0.25,
        "rejected_s": 0.0,
        "at_highest": False,
        "at_lowest": False,
    }
    return HeardSoFar(**{**usual, **facts})


@pytest.mark.parametrize(
    ("situation", "verdict"),
    [
        # Sure of the target: 0.3 dB are three standard deviations; but not before 6 s.
        (heard(40.0, 0.1, 6.0), "matched"),
        (heard(40.0, 0.1, 5.0), None),
        (heard(40.1, 0.1, 6.0), "matched"),  # P(|x| <= 0.3) = 0.977
        # Right on, but not sure: listen on.
        (heard(40.0, 0.2, 30.0), None),  # P = 0.866
        # Off: move after 3 s, at once where it is far.
        (heard(42.0, 0.3, 3.0), "move"),
        (heard(38.0, 0.3, 3.0), "move"),
        (heard(40.3, 0.1, 4.0), "move"),
        (heard(40.3, 0.4, 4.0), None),  # perhaps on the target: not worth a move yet
        # The fans are at their limit: nothing is left but to be sure.
        (heard(38.0, 0.3, 6.0, at_highest=True), "quiet"),
        (heard(38.0, 0.3, 5.0, at_highest=True), None),
        (heard(42.0, 0.3, 6.0, at_lowest=True), "loud"),
        (heard(39.5, 0.2, 20.0, at_highest=True), None),  # 0.2 beyond the tolerance is one sd
        (heard(39.5, 0.1, 20.0, at_highest=True), "quiet"),
        (heard(40.5, 0.1, 20.0, at_lowest=True), "loud"),
        (heard(40.0, 0.1, 6.0, at_highest=True), "matched"),
        # The other limit is no obstacle.
        (heard(42.0, 0.3, 3.0, at_highest=True), "move"),
        (heard(38.0, 0.3, 3.0, at_lowest=True), "move"),
        # Half of it was an intrusion: the rest may be its weaker part.
        (heard(40.0, 0.05, 8.0, rejected_s=4.0), None),
        (heard(42.0, 0.2, 8.0, rejected_s=4.0), None),
        (heard(42.0, 0.2, 12.0, rejected_s=6.0), "move"),
        (heard(38.0, 0.2, 8.0, rejected_s=4.0, at_highest=True), None),
        (heard(40.0, 0.1, 8.0, rejected_s=2.0), "matched"),
        # Far above what was expected: perhaps a vehicle; far below: nothing takes sound away.
        (heard(42.0, 0.2, 8.0, expected=Estimate(40.0, 0.2)), None),
        (heard(42.0, 0.2, 9.0, expected=Estimate(40.0, 0.2)), "move"),
        (heard(40.0, 0.1, 8.0, expected=Estimate(38.0, 0.2)), None),
        (heard(40.0, 0.1, 9.0, expected=Estimate(38.0, 0.2)), "matched"),
        (heard(38.0, 0.2, 3.0, expected=Estimate(40.0, 0.2)), "move"),
        (heard(42.0, 0.2, 3.0, expected=Estimate(40.0, 2.0)), "move"),
        # A minute is enough: the more probable side.
        (heard(40.0, 0.3, 60.0), "matched"),  # P = 0.683
        (heard(40.4, 0.3, 60.0), "unsteady"),  # P = 0.36
        (heard(40.4, 0.3, 60.0, at_lowest=True), "loud"),
        (heard(39.6, 0.3, 60.0, at_highest=True), "quiet"),
        (heard(39.6, 0.3, 60.0, at_lowest=True), "unsteady"),
        # A minute and a half of one that hunts far more than usual.
        (heard(40.0, 0.3, 60.0, hunts_db=0.7), None),
        (heard(40.0, 0.3, 90.0, hunts_db=0.7), "matched"),
    ],
)
def test_verdicts(situation, verdict):
    """Each situation leads to the decision that a person at the bench would take."""
    assert judge(situation, TOLERANCE_DB) == verdict


SITUATIONS = st.builds(
    HeardSoFar,
    missed_by=st.builds(Estimate, st.floats(-20, 20), st.floats(0.01, 5)),
    reading=st.builds(Estimate, st.floats(20, 60), st.floats(0.01, 5)),
    expected=st.none() | st.builds(Estimate, st.floats(20, 60), st.floats(0.01, 5)),
    heard_s=st.floats(1, 92),
    hunts_db=st.floats(0, 1),
    rejected_s=st.floats(0, 1),
    at_highest=st.booleans(),
    at_lowest=st.booleans(),
)


@given(situation=SITUATIONS)
def test_verdicts_mean_what_they_say(situation):
    """In any situation a verdict is only given on grounds that carry it."""
    verdict = judge(situation, TOLERANCE_DB)
    offset = situation.missed_by.mean_db

    if verdict == "matched":
        assert abs(offset) <= TOLERANCE_DB + situation.missed_by.sd_db
        assert situation.heard_s >= 6
    if verdict == "quiet":
        assert situation.at_highest
        assert offset < 0
    if verdict == "loud":
        assert situation.at_lowest
        assert offset > 0
    if situation.heard_s < 2:
        assert verdict is None
    # After a minute and a half there always is one.
    assert judge(replace(situation, heard_s=LONGEST_HUNTING_S), TOLERANCE_DB) is not None
