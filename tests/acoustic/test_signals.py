"""What a signal takes, refuses and protects."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acoustic.errors import EvenhushError, SignalError
from acoustic.signals import DigitalSignal, PressureSignal

KINDS = pytest.mark.parametrize("kind", [DigitalSignal, PressureSignal])


@KINDS
def test_length_is_frames_over_rate(kind):
    """A signal lasts its frames over its rate, whatever the number of channels."""
    assert kind(np.zeros((48_000, 3)), 48_000).duration_s == 1.0
    assert kind(np.zeros((0, 1)), 44_100).duration_s == 0.0


@KINDS
def test_samples_are_float64_and_read_only(kind):
    """Whatever number type comes in, float64 comes out, and nobody writes to it."""
    signal = kind(np.ones((4, 2), dtype=np.float32), 48_000)

    assert signal.samples.dtype == np.float64
    with pytest.raises(ValueError, match="read-only"):
        signal.samples[0, 0] = 2.0


@KINDS
def test_the_callers_array_stays_writable(kind):
    """Making a signal does not freeze the array that it was made from."""
    own = np.zeros((4, 1))
    kind(own, 48_000)
    own[0, 0] = 1.0

    assert own[0, 0] == 1.0


@KINDS
@pytest.mark.parametrize("shape", [(10,), (), (10, 0), (2, 3, 4)])
def test_other_shapes_are_refused(kind, shape):
    """Only (frames, channels) with at least one channel is a signal."""
    with pytest.raises(SignalError, match=r"shape \(frames, channels\)"):
        kind(np.zeros(shape), 48_000)


@KINDS
@pytest.mark.parametrize("rate_hz", [0.0, -48_000.0, np.nan, np.inf])
def test_impossible_rates_are_refused(kind, rate_hz):
    """A rate is a positive finite number of hertz."""
    with pytest.raises(SignalError, match="positive number of hertz"):
        kind(np.zeros((10, 1)), rate_hz)


@KINDS
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_value_that_is_no_number_is_refused_with_its_place(kind, value):
    """The first sample that is not finite is named by its time, in whichever channel it is."""
    samples = np.zeros((2000, 2))
    samples[1500, 1] = value
    samples[1700, 0] = value

    with pytest.raises(SignalError, match=r"1\.500 s into"):
        kind(samples, 1000.0)


def test_refusals_are_errors_of_the_project_and_values():
    """A refused signal can be caught as an error of the project and as a ValueError."""
    assert issubclass(SignalError, EvenhushError)
    assert issubclass(SignalError, ValueError)


@given(factor=st.floats(1e-6, 1e6), value=st.floats(-1, 1))
def test_pressure_is_the_sample_times_the_factor(factor, value):
    """One factor scales every channel and keeps rate and shape."""
    pressure = PressureSignal.from_digital(DigitalSignal(np.full((5, 2), value), 96_000), factor)

    assert pressure.samples == pytest.approx(np.full((5, 2), value * factor), rel=1e-15)
    assert pressure.rate_hz == 96_000


def test_each_channel_takes_its_own_factor():
    """Factors given for each channel scale that channel alone."""
    digital = DigitalSignal(np.ones((3, 2)), 48_000)
    pressure = PressureSignal.from_digital(digital, np.array([2.0, 0.5]))

    assert pressure.samples.tolist() == [[2.0, 0.5]] * 3


@pytest.mark.parametrize("factor", [0.0, -1.0, np.nan, np.inf, np.array([1.0, 0.0])])
def test_impossible_factors_are_refused(factor):
    """A factor that is no positive number of pascals never reaches a level."""
    with pytest.raises(SignalError, match="calibrate the microphone again"):
        PressureSignal.from_digital(DigitalSignal(np.ones((3, 2)), 48_000), factor)


@pytest.mark.parametrize(("factors", "channels"), [((3,), 2), ((2,), 1), ((4, 1), 2)])
def test_there_is_one_factor_for_all_or_one_for_each(factors, channels):
    """Factors that do not fit the channels are refused, and never make channels of their own."""
    with pytest.raises(SignalError, match="do not fit"):
        PressureSignal.from_digital(DigitalSignal(np.ones((4, channels)), 48_000), np.ones(factors))
