import pytest

from service.errors import HardwareFault
from service.ports import BenchHardware
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant


def bench_of(name="Estuary 360", *, monotonic=None):
    """Return a plant and its bench."""
    plant = Plant(COOLERS[name], seed=1)
    bench: BenchHardware = SimulatedBench(plant, name="south", monotonic=monotonic)
    return plant, bench


def test_bench_presents_its_actuators_with_their_limits():
    """Fan and pump are named with role and limits, the processor with its limit."""
    _, bench = bench_of()

    assert bench.name == "south"
    assert {name: actuator.role for name, actuator in bench.actuators.items()} == {
        "fan": "fan",
        "pump": "pump",
    }
    assert bench.actuators["pump"].min_duty_percent == 30.0
    assert bench.actuators["fan"].max_duty_percent == 100.0
    assert bench.actuators["fan"].tachometer
    assert set(bench.temperature_limits_c) == set(bench.read().temperatures_c) == {"processor"}


def test_written_duty_is_read_back_and_followed():
    """A duty that is written is read back at once and turns the fan as sound is drawn."""
    plant, bench = bench_of()
    before_rpm = bench.read().rpm["fan"]

    bench.write_duty({"fan": 80.0})
    at_once = bench.read()
    plant.draw(48_000 * 15)

    assert at_once.duty_percent["fan"] == 80.0
    assert at_once.rpm["fan"] == before_rpm
    assert bench.read().rpm["fan"] == pytest.approx(
        COOLERS["Estuary 360"].machines["fan"].law.turning_rpm(80.0), rel=0.01
    )


def test_only_named_actuators_are_taken_and_all_are_handed_back():
    """The pump stays under the bench's own control until written, and hand-back frees both."""
    plant, bench = bench_of()
    own = bench.read().duty_percent

    bench.write_duty({"fan": 77.0})
    assert bench.read().duty_percent == {"fan": 77.0, "pump": own["pump"]}
    bench.write_duty({"pump": 55.0})
    assert bench.read().duty_percent == {"fan": 77.0, "pump": 55.0}
    bench.hand_back()
    assert bench.read().duty_percent == own
    bench.write_duty({"fan": 50.0})
    bench.close()
    bench.close()
    assert bench.read().duty_percent == own
    assert plant.frames_drawn == 0


@pytest.mark.parametrize(
    ("duties", "sentence"),
    [
        ({"fan": 60.0, "blower": 50.0}, "no actuator 'blower'; it has fan, pump"),
        ({"fan": 60.0, "pump": 29.0}, "pump takes 30 to 100 % duty, not 29 %"),
        ({"fan": 60.0, "pump": float("nan")}, "not nan %"),
        ({"fan": 100.5}, "fan takes 15 to 100 % duty, not 100.5 %"),
    ],
)
def test_impossible_duties_are_refused_whole(duties, sentence):
    """An unknown actuator or a duty outside its limits is refused, and nothing is set."""
    _, bench = bench_of()
    own = bench.read().duty_percent

    with pytest.raises(HardwareFault, match=sentence):
        bench.write_duty(duties)

    assert bench.read().duty_percent == own


def test_without_a_clock_only_sound_moves_the_plant():
    """However often the bench is read, nothing changes until samples are drawn."""
    plant, bench = bench_of()
    bench.write_duty({"fan": 100.0})

    readings = [bench.read() for _ in range(50)]
    plant.draw(4800)

    assert all(reading == readings[0] for reading in readings)
    assert bench.read() != readings[0]


def test_with_a_clock_an_idle_bench_lives_on():
    """After two seconds without a listener the plant follows the clock, and not before."""
    now_s = [100.0]
    plant, bench = bench_of(monotonic=lambda: now_s[0])
    start_rpm = bench.read().rpm["fan"]
    bench.write_duty({"fan": 100.0})

    now_s[0] = 101.9
    assert bench.read().rpm["fan"] == start_rpm
    now_s[0] = 112.0
    assert bench.read().rpm["fan"] > start_rpm + 800.0
    bench.write_duty({"fan": 40.0})
    now_s[0] = 112.5  # it is idle already: no two seconds of grace again
    assert bench.read().rpm["fan"] < 1850.0
    assert plant.frames_drawn == 0


def test_a_listener_takes_the_clock_away():
    """While sound is drawn now and then the clock does not move the plant."""
    now_s = [0.0]
    plant, bench = bench_of(monotonic=lambda: now_s[0])
    twin = Plant(COOLERS["Estuary 360"], seed=1)
    for _ in range(10):
        now_s[0] += 1.5
        plant.draw(2400)
        twin.draw(2400)
        bench.read()
        now_s[0] += 1.5
        bench.read()

    assert plant.read() == twin.read()


def test_a_bench_left_for_days_is_answered_at_once():
    """A long absence is caught up by ten minutes, after which nothing moves any more."""
    now_s = [0.0]
    _, bench = bench_of(monotonic=lambda: now_s[0])
    bench.write_duty({"fan": 60.0, "pump": 60.0})
    now_s[0] = 600.0
    settled_c = bench.read().temperatures_c["processor"]

    now_s[0] = 1e7

    assert bench.read().temperatures_c["processor"] == pytest.approx(settled_c, abs=0.3)
