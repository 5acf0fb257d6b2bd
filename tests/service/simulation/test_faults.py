import numpy as np
import pytest

from service.errors import CaptureError, CaptureStalled, HardwareFault
from service.ports import BenchHardware, SoundSource
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.faults import (
    DoorSlam,
    DriftingMicrophone,
    FailingWrite,
    MissingFrames,
    Overload,
    Stall,
    StuckFan,
    UnreadableSensor,
)
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource

COOLER = COOLERS["Lagoon 240"]


def source_of() -> SoundSource:
    """Return a sound source, the same one every time."""
    return SimulatedSource(Plant(COOLER, seed=1))


def read_all(source, blocks, frames=4800):
    """Return the samples and the faults of several blocks."""
    read = [source.read(frames) for _ in range(blocks)]
    samples = np.concatenate([block.signal.samples for block in read])[:, 0]
    return samples, [block.faults for block in read]


@pytest.fixture
def clean():
    """Return one second of undisturbed sound, and a little more."""
    return read_all(source_of(), 12)[0]


def test_missing_frames_are_gone_and_marked(clean):
    """The frames are cut out where they were lost, and only that block says so."""
    samples, faults = read_all(MissingFrames(source_of(), at_s=0.55, frames=480), 10)

    assert np.array_equal(samples[:26_400], clean[:26_400])
    assert np.array_equal(samples[26_400:], clean[26_880 : 48_000 + 480])
    assert [index for index, fault in enumerate(faults) if fault] == [5]
    assert faults[5] == ("480 frames are missing",)


def test_a_stall_lets_sound_before_it_through_and_then_nothing(clean):
    """Sound from before the stall arrives whole; the read that reaches into it is refused."""
    stalled = Stall(source_of(), at_s=0.5)

    samples, _ = read_all(stalled, 5)

    assert np.array_equal(samples, clean[:24_000])
    with pytest.raises(CaptureStalled, match="delivers nothing any more"):
        stalled.read(4800)


def test_overload_clips_at_full_scale(clean):
    """With too much gain samples stand at full scale, and the quiet ones are only louder."""
    gain_db = float(-20.0 * np.log10(np.quantile(np.abs(clean), 0.9)))
    samples, _ = read_all(Overload(source_of(), gain_db=gain_db), 10)

    clipped = np.abs(samples) == 1.0
    assert np.abs(samples).max() == 1.0
    assert 0.05 < clipped.mean() < 0.15
    assert samples[~clipped] == pytest.approx(
        clean[: len(samples)][~clipped] * 10.0 ** (gain_db / 20.0)
    )


def test_a_door_slams_once_across_blocks(clean):
    """The bang begins when it was asked for, dies down, and leaves everything else alone."""
    samples, faults = read_all(DoorSlam(source_of(), at_s=0.27, peak_dbfs=-14.0), 10)

    bang = samples - clean[:48_000]
    assert not bang[:12_960].any()
    assert bang[12_960] == pytest.approx(10.0 ** (-14.0 / 20.0))
    assert np.abs(bang[12_960 + 12_000 :]).max() < 0.2 * np.exp(-0.25 / 0.08)
    assert not bang[12_960 + 24_000 :].any()
    assert np.abs(np.diff(bang[12_961:36_960])).max() < 0.006  # no jump where blocks meet
    assert not any(faults)  # a bang is real sound: nothing is wrong with the input


def test_a_drifting_microphone_gains_steadily(clean):
    """At 6 dB per minute one second later everything is 0.1 dB louder, and half of it halfway."""
    samples, _ = read_all(DriftingMicrophone(source_of(), drift_db_per_minute=6.0), 11)

    some = clean[:52_800] != 0.0
    gain_db = 20.0 * np.log10(samples[some] / clean[:52_800][some])
    assert gain_db == pytest.approx(np.flatnonzero(some) / 48_000 * 0.1, abs=1e-9)


def test_wrapped_sources_stay_sources(clean):
    """Faults can be stacked, and name, rate, channels and closing reach the source below."""
    below = source_of()
    stacked: SoundSource = Stall(DoorSlam(below, at_s=9.0, peak_dbfs=-20.0), at_s=5.0)

    assert (stacked.name, stacked.rate_hz, stacked.channels) == (below.name, 48_000, 1)
    assert np.array_equal(stacked.read(4800).signal.samples[:, 0], clean[:4800])
    stacked.close()
    with pytest.raises(CaptureError, match="was closed"):
        below.read(1)


def bench_of() -> BenchHardware:
    """Return bench hardware."""
    return SimulatedBench(Plant(COOLER, seed=1))


def test_a_stuck_fan_reads_no_speed_at_any_duty():
    """The blocked fan stands still while its duty is taken; the pump goes on."""
    stuck = StuckFan(bench_of(), actuator="fan")

    stuck.write_duty({"fan": 100.0})

    assert stuck.read().rpm["fan"] == 0.0
    assert stuck.read().duty_percent["fan"] == 100.0
    assert stuck.read().rpm["pump"] > 1000.0


def test_an_unreadable_sensor_has_no_value():
    """The temperature is None, not a number that looks like one; the rest is read."""
    blind = UnreadableSensor(bench_of(), temperature="processor")

    assert blind.read().temperatures_c == {"processor": None}
    assert blind.read().rpm == bench_of().read().rpm


def test_a_failing_write_sets_nothing():
    """Good writes get through; the first bad one is a fault and leaves the duty as it was."""
    failing = FailingWrite(bench_of(), good_writes=1)
    failing.write_duty({"fan": 60.0})

    with pytest.raises(HardwareFault, match="refuses the duty of fan"):
        failing.write_duty({"fan": 70.0})

    assert failing.read().duty_percent["fan"] == 60.0


def test_wrapped_hardware_stays_hardware():
    """Description, hand-back and closing reach the bench below."""
    below = bench_of()
    own = below.read().duty_percent
    wrapped: BenchHardware = FailingWrite(StuckFan(below, actuator="fan"), good_writes=2)

    assert wrapped.name == below.name
    assert wrapped.actuators == below.actuators
    assert wrapped.temperature_limits_c == below.temperature_limits_c
    for give_back in (wrapped.hand_back, wrapped.close):
        wrapped.write_duty({"fan": 99.0})
        give_back()
        assert below.read().duty_percent == own
