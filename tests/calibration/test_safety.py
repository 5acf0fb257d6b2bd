"""Each rule that stops a run, and what does not."""

import re

import pytest

from calibration.bench_state import Actuator, ActuatorState, BenchDescription, BenchState
from calibration.safety import duty_not_kept, reason_to_stop

BENCH = BenchDescription(
    "south",
    {
        "fan": Actuator("fan", 15, 100, tachometer=True),
        "pump": Actuator("pump", 40, 100, tachometer=True),
    },
    {"processor": 90.0, "coolant": 55.0},
    60.0,
)


def state(*, control="leased", why=None, fan_rpm=1200.0, pump_rpm=2000.0, **temperatures_c):
    """Make the state of a bench on which all is well but what is given."""
    return BenchState(
        control,
        why,
        {"fan": ActuatorState(50, fan_rpm), "pump": ActuatorState(80, pump_rpm)},
        {"processor": 60.0, **temperatures_c},
    )


@pytest.mark.parametrize(
    "quiet_state",
    [
        state(),
        state(processor=87.9),
        state(coolant=52.9),
        state(processor=-10.0),
        state(room=200.0),  # a temperature that the bench watches without a limit
        state(fan_rpm=0.0),  # fans may stand: the loop looks for where they do
        state(fan_rpm=None, pump_rpm=None),
    ],
)
def test_all_is_well(quiet_state):
    """Nothing stops a run on a bench within its limits."""
    assert reason_to_stop(BENCH, quiet_state, pumps_seen_turning={"pump"}) is None


@pytest.mark.parametrize(
    ("bad_state", "reason"),
    [
        (state(control="safe", why="processor at 90.3 C"), "took over.*processor at 90.3 C"),
        (state(control="safe"), "took over.*no reason given"),
        (state(control="own"), "went back to its own control"),
        (state(processor=88.0), "processor reads 88.0 C, close to its limit of 90 C"),
        (state(processor=120.0), "processor reads 120.0 C"),
        (state(coolant=53.5), "coolant reads 53.5 C, close to its limit of 55 C"),
        (state(pump_rpm=0.0), "tachometer of pump reads 0"),
    ],
)
def test_each_rule_stops_with_its_sentence(bad_state, reason):
    """A bench that took over, a temperature near its limit and a dead pump stop the run."""
    found = reason_to_stop(BENCH, bad_state, pumps_seen_turning={"pump"})

    assert found is not None
    assert re.search(reason, found)


def test_the_benchs_own_reason_comes_first():
    """When the bench took over, its own words are passed on before anything we see ourselves."""
    found = reason_to_stop(
        BENCH,
        state(control="safe", why="the coolant is hot", coolant=60.0),
        pumps_seen_turning={"pump"},
    )

    assert "the coolant is hot" in found


def test_a_pump_tachometer_that_never_moved_proves_nothing():
    """A pump whose tachometer has read 0 from the start may have none connected."""
    assert reason_to_stop(BENCH, state(pump_rpm=0.0), pumps_seen_turning=set()) is None


def test_a_duty_that_is_not_kept_stops_a_run():
    """A duty that reads otherwise than asked is told; a coarse step of the hardware is not."""
    assert duty_not_kept({"fan": 50.0, "pump": 80.0}, state()) is None
    assert duty_not_kept({"fan": 53.1, "pump": 76.9}, state()) is None
    assert duty_not_kept({"fan": 50.0, "pump": 100.0}, state()) == (
        "The bench runs pump at 80 % duty although 100 % was set; find out what else controls it."
    )
