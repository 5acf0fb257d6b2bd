import logging
from collections.abc import Callable

import pytest
from bench_doubles import HandClock, InventedHardware

from acoustic.errors import InputError
from service.bench.guard import BenchGuard
from service.errors import HardwareFault, LeaseHeld, LeaseLost, LimitExceeded, SafetyStop

FULL = {"fan": 100, "pump": 90}


@pytest.fixture
def clock() -> HandClock:
    """Monotonic time, moved by hand."""
    return HandClock()


@pytest.fixture
def hardware() -> InventedHardware:
    """A fan and a pump."""
    return InventedHardware()


@pytest.fixture
def guard(hardware: InventedHardware, clock: HandClock) -> BenchGuard:
    """A guard over them."""
    return BenchGuard(hardware, lease_max_s=60, clock=clock)


def pass_time(guard: BenchGuard, clock: HandClock, seconds: float) -> None:
    """Let time go by with a tick every quarter of a second."""
    for _ in range(round(seconds / 0.25)):
        clock.now_s += 0.25
        guard.tick()


def test_description(guard: BenchGuard) -> None:
    """The bench presents its name, actuators, limits and longest lease."""
    assert guard.description.bench == "south"
    assert set(guard.description.actuators) == {"fan", "pump"}
    assert guard.description.temperature_limits_c == {"processor": 90}
    assert guard.description.lease_max_s == 60


def test_lease_sets_and_gives_back(guard: BenchGuard, hardware: InventedHardware) -> None:
    """Duties follow the holder, others stay as they were, and giving back ends it all."""
    assert guard.state().control == "own"
    lease = guard.grant("test", 15).lease

    state = guard.set_duty(lease, {"fan": 43})

    assert state.control == "leased"
    assert state.actuators["fan"].duty_percent == 43
    assert state.actuators["fan"].rpm == 860
    assert state.actuators["pump"].duty_percent == hardware.own_percent
    assert state.temperatures_c == {"processor": 50, "room": 21}
    guard.release(lease)
    assert guard.state().control == "own"
    assert hardware.manual == {}


def test_one_holder_at_a_time(guard: BenchGuard, clock: HandClock) -> None:
    """A second holder is told who holds the bench and for how long; after that it is free."""
    lease = guard.grant("first", 15).lease
    clock.now_s += 5

    with pytest.raises(LeaseHeld, match="leased by first for another 10 s"):
        guard.grant("second", 15)

    guard.release(lease)
    assert guard.grant("second", 15).lease != lease


@pytest.mark.parametrize(
    "call",
    [
        lambda guard, lease: guard.set_duty(lease, {"fan": 50}),
        lambda guard, lease: guard.renew(lease, 15),
        lambda guard, lease: guard.release(lease),
    ],
)
@pytest.mark.parametrize("lease", ["", "guess", "ümläut"])
def test_wrong_lease(
    guard: BenchGuard, call: Callable[[BenchGuard, str], object], lease: str
) -> None:
    """Nothing can be done with a lease that was not given out, whether or not one is out."""
    with pytest.raises(LeaseLost):
        call(guard, lease)
    guard.grant("test", 15)
    with pytest.raises(LeaseLost):
        call(guard, lease)


@pytest.mark.parametrize("ticking", [True, False])
def test_lease_lapses(
    guard: BenchGuard, hardware: InventedHardware, clock: HandClock, *, ticking: bool
) -> None:
    """A lease that is not renewed ends on time and the bench goes back to its own control."""
    lease = guard.grant("test", 15).lease
    guard.set_duty(lease, {"fan": 43})
    clock.now_s += 14.9
    guard.set_duty(lease, {"fan": 44})
    clock.now_s += 0.1
    if ticking:
        guard.tick()
        assert hardware.manual == {}

    with pytest.raises(LeaseLost):
        guard.set_duty(lease, {"fan": 45})
    assert guard.state().control == "own"
    assert hardware.manual == {}


def test_renewal_extends(guard: BenchGuard, clock: HandClock) -> None:
    """Renewing counts from now and keeps the secret."""
    lease = guard.grant("test", 15).lease
    clock.now_s += 10
    renewed = guard.renew(lease, 20)
    clock.now_s += 19

    assert renewed.lease == lease
    assert renewed.expires_in_s == 20
    assert guard.state().control == "leased"


@pytest.mark.parametrize("seconds", [0, -1, 60.001])
def test_lease_length_has_a_limit(guard: BenchGuard, seconds: float) -> None:
    """A lease longer than the bench allows is refused with the limit, not shortened."""
    with pytest.raises(LimitExceeded, match="at most 60 s"):
        guard.grant("test", seconds)
    lease = guard.grant("test", 60).lease
    with pytest.raises(LimitExceeded, match="at most 60 s"):
        guard.renew(lease, seconds)


@pytest.mark.parametrize(
    ("duties", "error", "words"),
    [
        ({"fan": 14.9}, LimitExceeded, "fan must be from 15 to 100 %, not 14.9 %"),
        ({"fan": 100.1}, LimitExceeded, "fan must be from 15 to 100 %"),
        ({"fan": 50, "pump": 39}, LimitExceeded, "pump must be from 40 to 90 %"),
        ({"pump": 50, "fan": float("nan")}, LimitExceeded, "fan must be"),
        ({"fan": 50, "heater": 50}, InputError, "no actuator 'heater'; it has fan, pump"),
    ],
)
def test_all_or_nothing(
    guard: BenchGuard,
    hardware: InventedHardware,
    duties: dict[str, float],
    error: type[Exception],
    words: str,
) -> None:
    """One duty outside its limits and none is written; the limit is named."""
    lease = guard.grant("test", 15).lease

    with pytest.raises(error, match=words):
        guard.set_duty(lease, duties)

    assert hardware.written == []
    assert guard.state().control == "leased"


@pytest.mark.parametrize("leased", [True, False])
def test_temperature_limit(
    guard: BenchGuard, hardware: InventedHardware, clock: HandClock, *, leased: bool
) -> None:
    """At its limit everything runs at full speed at once; the reason stays until it is cool."""
    lease = guard.grant("test", 60).lease if leased else ""
    if leased:
        guard.set_duty(lease, {"fan": 20})
    hardware.temperatures_c["processor"] = 90.0
    guard.tick()

    assert hardware.manual == FULL
    assert guard.state().control == "safe"
    assert "processor is 90.0 °C, limit 90 °C" in (guard.state().why or "")
    if leased:
        with pytest.raises(SafetyStop, match=r"90\.0 °C"):
            guard.set_duty(lease, {"fan": 20})
        with pytest.raises(SafetyStop):
            guard.renew(lease, 15)

    hardware.temperatures_c["processor"] = 85.1
    pass_time(guard, clock, 20)
    with pytest.raises(SafetyStop, match=r"90\.0 °C"):
        guard.grant("other", 15)
    assert hardware.manual == FULL

    hardware.temperatures_c["processor"] = 85.0
    pass_time(guard, clock, 5)
    assert guard.state().control == "safe"
    pass_time(guard, clock, 0.5)
    state = guard.state()
    assert (state.control, state.why) == ("own", None)
    assert hardware.manual == {}
    if leased:
        with pytest.raises(LeaseLost):
            guard.set_duty(lease, {"fan": 20})
    guard.grant("other", 15)


def test_lease_can_be_given_back_while_safe(guard: BenchGuard, hardware: InventedHardware) -> None:
    """Giving back in the safe state is no error, and the bench stays safe."""
    lease = guard.grant("test", 15).lease
    hardware.temperatures_c["processor"] = 99.0
    guard.tick()

    guard.release(lease)

    assert guard.state().control == "safe"
    assert hardware.manual == FULL


@pytest.mark.parametrize("value", [None, float("nan"), "gone"])
def test_unreadable_temperature(
    guard: BenchGuard, hardware: InventedHardware, value: float | None
) -> None:
    """A watched temperature that cannot be read is trouble, and is left out of the state."""
    if value == "gone":
        del hardware.temperatures_c["processor"]
    else:
        hardware.temperatures_c["processor"] = value
    guard.tick()

    state = guard.state()
    assert state.control == "safe"
    assert state.why == "the temperature processor cannot be read"
    assert state.temperatures_c == {"room": 21}


def test_unwatched_temperature_may_be_missing(
    guard: BenchGuard, hardware: InventedHardware
) -> None:
    """A temperature without a limit protects nothing, so its absence is no trouble."""
    hardware.temperatures_c["room"] = None

    assert guard.state().control == "own"


def test_unreadable_hardware(guard: BenchGuard, hardware: InventedHardware) -> None:
    """When nothing can be read the bench is safe, and its state shows no stale numbers."""
    hardware.faults.add("read")
    guard.tick()

    state = guard.state()
    assert state.control == "safe"
    assert state.why == "the hardware cannot be read (The read failed)"
    assert state.temperatures_c == {}
    assert state.actuators["fan"].rpm is None
    assert hardware.manual == FULL


def test_surprise_of_a_driver(guard: BenchGuard, hardware: InventedHardware) -> None:
    """An error that no driver should raise is trouble like any other."""
    hardware.temperatures_c = None  # type: ignore[assignment] # what a faulty driver might do
    guard.tick()

    assert guard.state().control == "safe"


def test_failing_write(guard: BenchGuard, hardware: InventedHardware) -> None:
    """A duty that cannot be set makes the bench safe, with all that still can be set at full."""
    lease = guard.grant("test", 15).lease
    hardware.faults.add("write pump")

    with pytest.raises(SafetyStop, match=r"duty of fan, pump cannot be set"):
        guard.set_duty(lease, {"fan": 43, "pump": 50})

    assert guard.state().control == "safe"
    assert hardware.manual == {"fan": 100}


def test_full_speed_is_tried_again(
    guard: BenchGuard, hardware: InventedHardware, clock: HandClock
) -> None:
    """What could not be set to full speed is set as soon as it can be, and only then recovers."""
    hardware.faults |= {"write fan", "write pump"}
    hardware.temperatures_c["processor"] = 95.0
    guard.tick()
    hardware.temperatures_c["processor"] = 50.0
    pass_time(guard, clock, 30)
    assert guard.state().control == "safe"

    hardware.faults.clear()
    guard.tick()
    assert hardware.manual == FULL
    pass_time(guard, clock, 6)
    assert guard.state().control == "own"


def test_failing_hand_back(guard: BenchGuard, hardware: InventedHardware, clock: HandClock) -> None:
    """A lapsed lease whose bench cannot go back leaves it safe until it can."""
    lease = guard.grant("test", 15).lease
    guard.set_duty(lease, {"fan": 20})
    hardware.faults.add("hand-back")
    clock.now_s += 15
    guard.tick()

    assert guard.state().control == "safe"
    assert hardware.manual == FULL
    pass_time(guard, clock, 20)
    assert guard.state().control == "safe"

    hardware.faults.clear()
    pass_time(guard, clock, 6)
    assert guard.state().control == "own"
    assert hardware.manual == {}


def test_duty_that_something_else_sets_too(
    guard: BenchGuard, hardware: InventedHardware, clock: HandClock
) -> None:
    """A duty that does not stay as it was set makes the bench safe after 2 s, saying so."""
    lease = guard.grant("test", 60).lease
    guard.set_duty(lease, {"fan": 60})
    hardware.manual["fan"] = 61.5
    pass_time(guard, clock, 10)
    assert guard.state().control == "leased"

    hardware.manual["fan"] = 45
    pass_time(guard, clock, 2)
    assert guard.state().control == "leased"
    guard.set_duty(lease, {"fan": 60})
    hardware.manual["fan"] = 45
    pass_time(guard, clock, 2.25)

    state = guard.state()
    assert state.control == "safe"
    assert state.why == (
        "the duty of fan reads 45 % although 60 % was set, as if something else controls it too"
    )
    assert hardware.manual == FULL


def test_stuck_rotor(guard: BenchGuard, hardware: InventedHardware, clock: HandClock) -> None:
    """A fan that stands still at a high duty makes the bench safe after 2.5 s, not before."""
    lease = guard.grant("test", 60).lease
    hardware.rpm["fan"] = 0.0
    guard.set_duty(lease, {"fan": 60})
    pass_time(guard, clock, 2.25)
    assert guard.state().control == "leased"
    pass_time(guard, clock, 0.25)

    state = guard.state()
    assert state.control == "safe"
    assert state.why == "the fan does not turn at a duty of 60 %"
    hardware.rpm.clear()
    pass_time(guard, clock, 6)
    assert guard.state().control == "own"


def test_rotors_are_judged_on_the_clock_of_the_hardware(hardware: InventedHardware) -> None:
    """While the time of simulated hardware stands still, no rotor can be late."""
    clock, sound = HandClock(), HandClock()
    guard = BenchGuard(hardware, clock=clock, hardware_clock=sound)
    lease = guard.grant("test", 60).lease
    hardware.rpm["fan"] = 0.0
    guard.set_duty(lease, {"fan": 60})
    pass_time(guard, clock, 30)
    assert guard.state().control == "leased"

    sound.now_s += 3
    assert guard.state().control == "safe"


def test_changes_are_logged(
    guard: BenchGuard, hardware: InventedHardware, caplog: pytest.LogCaptureFixture
) -> None:
    """Each change of state is in the log with who and why, and no secret is."""
    caplog.set_level(logging.INFO, "service.bench.guard")
    lease = guard.grant("someone", 15).lease
    guard.set_duty(lease, {"fan": 43})
    hardware.temperatures_c["processor"] = 91.0
    guard.tick()

    changes = [record.getMessage() for record in caplog.records]
    assert "own -> leased, holder 'someone': leased for 15 s" in changes[0]
    assert "'someone' sets duties in percent {'fan': 43}" in changes[1]
    assert "leased -> safe, holder 'someone': the temperature processor is 91.0" in changes[2]
    assert caplog.records[2].levelno == logging.WARNING
    assert lease not in caplog.text


def test_close_hands_back(guard: BenchGuard, hardware: InventedHardware) -> None:
    """Closing ends the lease, hands back once, and nothing can be set afterwards."""
    lease = guard.grant("test", 15).lease
    guard.set_duty(lease, {"fan": 20})

    guard.close()
    guard.close()

    assert hardware.manual == {}
    assert hardware.closed == 1
    with pytest.raises(LeaseLost):
        guard.set_duty(lease, {"fan": 20})
    with pytest.raises(SafetyStop, match="closing"):
        guard.grant("other", 15)
    assert hardware.manual == {}


def test_close_that_cannot_hand_back(guard: BenchGuard, hardware: InventedHardware) -> None:
    """If the bench cannot be handed back at the end it is left at full speed, and that is said."""
    guard.set_duty(guard.grant("test", 15).lease, {"fan": 20})
    hardware.faults.add("hand-back")

    with pytest.raises(HardwareFault):
        guard.close()

    assert hardware.manual == FULL


def test_unreadable_from_the_start(hardware: InventedHardware, clock: HandClock) -> None:
    """A bench that cannot be read when it starts does not start."""
    hardware.faults.add("read")

    with pytest.raises(HardwareFault):
        BenchGuard(hardware, clock=clock)
