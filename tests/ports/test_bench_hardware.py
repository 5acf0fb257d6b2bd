"""What every driver of bench hardware has to do; a new one is done when it passes."""

import threading
from pathlib import Path

import pytest
from bench_doubles import HandClock
from hardware_kinds import BREAKABLE, KINDS, BreakableKind, HardwareKind

from service.bench.guard import BenchGuard
from service.errors import HardwareFault, SafetyStop


@pytest.fixture(params=KINDS, ids=lambda kind: kind.__name__.lower())
def kind(request: pytest.FixtureRequest, tmp_path: Path) -> HardwareKind:
    """Each driver with its hardware."""
    made: HardwareKind = request.param(tmp_path)
    return made


@pytest.fixture(params=BREAKABLE, ids=lambda kind: kind.__name__.lower())
def breakable(request: pytest.FixtureRequest, tmp_path: Path) -> BreakableKind:
    """Each driver whose hardware can fail."""
    made: BreakableKind = request.param(tmp_path)
    return made


def test_it_describes_itself(kind: HardwareKind) -> None:
    """Name, roles, limits, tachometers and temperature limits are told."""
    bench = kind.bench

    assert bench.name == "south"
    assert {name: actuator.role for name, actuator in bench.actuators.items()} == {
        "fan": "fan",
        "pump": "pump",
    }
    assert bench.actuators["fan"].min_duty_percent == 15
    assert bench.actuators["pump"].min_duty_percent == 30
    assert {actuator.max_duty_percent for actuator in bench.actuators.values()} == {100}
    assert all(actuator.tachometer for actuator in bench.actuators.values())
    assert bench.temperature_limits_c == {"processor": 90}


def test_reading_tells_everything_and_changes_nothing(kind: HardwareKind) -> None:
    """Each duty, speed and temperature is a number, and the hardware is as it was."""
    before = kind.outside()

    reading = kind.bench.read()

    assert set(reading.duty_percent) == set(reading.rpm) == {"fan", "pump"}
    assert all(0 <= duty <= 100 for duty in reading.duty_percent.values())
    assert all(rpm is not None and rpm > 0 for rpm in reading.rpm.values())
    celsius = reading.temperatures_c["processor"]
    assert celsius is not None
    assert 20 < celsius < 90
    assert kind.outside() == before
    assert not kind.saved()


@pytest.mark.parametrize("duty", [15.0, 43.21, 100.0])
def test_what_is_set_reads_back(kind: HardwareKind, duty: float) -> None:
    """A duty reads back to a step of an 8-bit register, the limits included."""
    kind.bench.write_duty({"fan": duty})

    assert kind.bench.read().duty_percent["fan"] == pytest.approx(duty, abs=0.2)


def test_only_what_is_named_is_taken(kind: HardwareKind) -> None:
    """The pump stays as it is while the fan is set, and the other way round."""
    own = kind.bench.read().duty_percent

    kind.bench.write_duty({"fan": 77.0})
    assert kind.bench.read().duty_percent["pump"] == own["pump"]
    kind.bench.write_duty({"pump": 55.0})
    assert kind.bench.read().duty_percent["fan"] == pytest.approx(77.0, abs=0.2)


@pytest.mark.parametrize(
    ("duties", "words"),
    [
        ({"fan": 60.0, "blower": 50.0}, "'blower'; it has fan, pump"),
        ({"fan": 60.0, "pump": 29.9}, "pump takes 30 to 100 % duty, not 29.9 %"),
        ({"pump": 50.0, "fan": 14.0}, "fan takes 15 to 100 % duty, not 14 %"),
        ({"pump": 50.0, "fan": 100.5}, "not 100.5 %"),
        ({"pump": 50.0, "fan": float("nan")}, "not nan %"),
        ({"fan": 60.0, "pump": 0.0}, "not 0 %"),
    ],
)
def test_impossible_duties_are_refused_whole(
    kind: HardwareKind, duties: dict[str, float], words: str
) -> None:
    """An unknown actuator or a duty outside its limits is refused, and nothing is set."""
    before = kind.outside()

    with pytest.raises(HardwareFault, match=words):
        kind.bench.write_duty(duties)

    assert kind.outside() == before
    assert not kind.saved()


def test_hand_back_restores_exactly_what_was_before(kind: HardwareKind) -> None:
    """After any duties the hardware is as it was before the first, and no note is left."""
    before = kind.outside()
    for duty in (20.0, 90.0, 100.0, 35.0):
        kind.bench.write_duty({"fan": duty, "pump": 30.0 + duty / 2})
        assert kind.outside() != before

    kind.bench.hand_back()

    assert kind.outside() == before
    assert not kind.saved()


def test_hand_back_of_nothing_changes_nothing(kind: HardwareKind) -> None:
    """Handing back before the first duty, and twice, leaves everything as it is."""
    before = kind.outside()

    kind.bench.hand_back()
    kind.bench.hand_back()

    assert kind.outside() == before


def test_it_can_be_taken_again(kind: HardwareKind) -> None:
    """After a hand-back the hardware can be set and handed back as before."""
    before = kind.outside()
    kind.bench.write_duty({"fan": 30.0})
    kind.bench.hand_back()

    kind.bench.write_duty({"pump": 40.0})
    assert kind.bench.read().duty_percent["pump"] == pytest.approx(40.0, abs=0.2)
    kind.bench.hand_back()

    assert kind.outside() == before


def test_close_hands_back_and_may_be_repeated(kind: HardwareKind) -> None:
    """Closing once or twice leaves everything as it was found, and no thread runs."""
    before = kind.outside()
    kind.bench.write_duty({"fan": 30.0, "pump": 45.0})

    kind.bench.close()
    kind.bench.close()

    assert kind.outside() == before
    assert not kind.saved()
    assert [t.name for t in threading.enumerate() if t.name.startswith("evenhush")] == []


def test_a_sensor_without_sense_is_none(breakable: BreakableKind) -> None:
    """A temperature that cannot be is not told, and all the rest is."""
    breakable.lose_sensor()

    reading = breakable.bench.read()

    assert reading.temperatures_c == {"processor": None}
    assert set(reading.duty_percent) == {"fan", "pump"}


def test_hardware_that_fails_is_a_fault(breakable: BreakableKind) -> None:
    """Reading, setting and handing back failed hardware raise one sentence each."""
    breakable.bench.write_duty({"fan": 30.0})
    breakable.fail()

    for action in (
        breakable.bench.read,
        lambda: breakable.bench.write_duty({"fan": 50.0}),
        breakable.bench.hand_back,
        breakable.bench.close,
    ):
        with pytest.raises(HardwareFault) as caught:
            action()
        assert str(caught.value).endswith(".")
        assert "\n" not in str(caught.value)


def test_what_could_not_be_handed_back_is_handed_back_later(breakable: BreakableKind) -> None:
    """A failed hand-back is not forgotten: the next one does it, and only then the note goes."""
    before = breakable.outside()
    breakable.bench.write_duty({"fan": 30.0, "pump": 45.0})
    breakable.fail()
    with pytest.raises(HardwareFault):
        breakable.bench.hand_back()
    assert breakable.saved()
    breakable.mend()

    breakable.bench.close()

    assert {**before, "fault": None} == {**breakable.outside(), "fault": None}
    assert not breakable.saved()


def test_it_is_noted_before_it_is_changed(breakable: BreakableKind) -> None:
    """What has to be put back is on the disk before a failing first change."""
    breakable.fail()

    with pytest.raises(HardwareFault):
        breakable.bench.write_duty({"fan": 30.0})

    assert breakable.saved()


def test_the_guard_brings_it_to_full_speed(breakable: BreakableKind) -> None:
    """Under a guard a lost sensor sets full speed, and its return gives everything back."""
    before, clock = breakable.outside(), HandClock()
    guard = BenchGuard(breakable.bench, clock=clock)
    guard.set_duty(guard.grant("test", 60).lease, {"fan": 20.0, "pump": 40.0})
    breakable.lose_sensor()
    guard.tick()

    with pytest.raises(SafetyStop, match="processor cannot be read"):
        guard.grant("other", 10)
    assert {s.duty_percent for s in guard.state().actuators.values()} == {100.0}
    guard.close()
    assert not breakable.saved()
    assert {**before, "celsius": 0} == {**breakable.outside(), "celsius": 0}
