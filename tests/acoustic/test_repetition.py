import numpy as np
import pytest

from acoustic.repetition import repeating_channels
from acoustic.signals import DigitalSignal, Samples

RATE_HZ = 48_000


def noise(frames: int, seed: int = 1, *, bits: int = 16, level: float = 0.01) -> Samples:
    """Make noise as a converter of so many bits gives it."""
    steps = 2.0 ** (bits - 1)
    return np.round(level * steps * np.random.default_rng(seed).standard_normal(frames)) / steps


def repeating(sound: Samples, split: int) -> tuple[int, ...]:
    """Judge what comes after a frame by what comes before it."""
    sound = sound.reshape(len(sound), -1)
    return repeating_channels(sound[:split], DigitalSignal(sound[split:], RATE_HZ))


@pytest.mark.parametrize("period", [256, 1024, 4800, 5000, 19_200, 24_000])
@pytest.mark.parametrize("split", [24_000, 25_000])
def test_a_buffer_that_comes_again_and_again(period: int, split: int) -> None:
    """A buffer of any usual length is found, wherever in it the judged part begins."""
    stuck = np.resize(noise(period), 30_000)

    assert repeating(stuck, split) == (0,)


@pytest.mark.parametrize("level", [1e-5, 3e-5, 1e-3, 0.3])
def test_noise_never_repeats(level: float) -> None:
    """Noise of 16 bits does not, however quiet it is."""
    for seed in range(20):
        assert repeating(noise(28_800, seed, level=level), 24_000) == ()


def test_the_first_buffer_and_a_single_echo_are_no_repetition() -> None:
    """What repeats only in part is sound: a buffer that is heard once more ends nothing."""
    sound = noise(28_800)
    sound[24_000:27_000] = sound[19_000:22_000]

    assert repeating(sound, 24_000) == ()
    assert repeating(sound[24_000:], 0) == ()


def test_computed_tones_and_standstill_are_somebody_elses_matter() -> None:
    """A tone of 1 kHz without any noise, and a constant, are not called a repetition."""
    tone = np.round(1000 * np.sin(2 * np.pi * np.arange(28_800) / 48)) / 32_768

    assert repeating(tone, 24_000) == ()
    assert repeating(np.zeros(28_800), 24_000) == ()


def test_each_channel_is_judged_by_itself() -> None:
    """One channel may be stuck while the other is heard."""
    both = np.column_stack([noise(28_800), np.resize(noise(2400, 2), 28_800)])

    assert repeating(both, 24_000) == (1,)


def test_too_little_is_not_judged() -> None:
    """Less than 20 ms of quiet sound may equal anything."""
    assert repeating(np.tile([0.0, 1 / 32_768], 600), 500) == ()
