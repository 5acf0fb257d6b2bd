"""Calibrating from a source."""

from datetime import UTC, datetime

import numpy as np
import pytest

from calibration.reference_tone import ReferenceTone
from service.errors import DocumentError, SoundEnded
from service.jobs.calibrating import calibrate
from service.simulation.catalogue import COOLERS
from service.simulation.microphone import LOOSE_CALIBRATOR, OFF_FREQUENCY_CALIBRATOR, Microphone
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
REFERENCE = ReferenceTone(94.0, 1000.0)


def listen(source, **changes):
    """Calibrate with usual arguments."""
    usual = {"channel": 1, "seconds": 4.0, "time": TIME}
    return calibrate(source, REFERENCE, **{**usual, **changes})


def simulated(**surroundings):
    """Return a simulated microphone with a calibrator over it."""
    plant = Plant(COOLERS["Fjord 140"], seed=3, **surroundings)
    return SimulatedSource(plant, position="calibrator")


@pytest.mark.parametrize("pascal_per_unit", [0.8, 6.4, 40.0])
def test_a_good_tone_finds_the_simulated_sensitivity(pascal_per_unit):
    """The factor is found within 0.05 dB, whatever the microphone."""
    document = listen(simulated(microphone=Microphone(pascal_per_unit=pascal_per_unit)))

    assert document.accepted or pascal_per_unit == 0.8
    if document.accepted:
        assert 20 * np.log10(document.pascal_per_unit / pascal_per_unit) == pytest.approx(
            0, abs=0.05
        )
    else:
        assert "full scale" in " ".join(document.reasons)


def test_the_interval_is_what_its_budget_says():
    """U95 is twice the root sum of squares of calibrator, seating and fluctuation."""
    document = listen(simulated())
    parts = {row.component: row for row in document.budget}

    assert set(parts) == {"calibrator", "seating", "fluctuation"}
    assert document.U95_db == pytest.approx(
        2 * np.linalg.norm([row.contribution_db for row in document.budget]), abs=6e-4
    )
    # Rectangular bounds: half-width over the root of 3.
    assert parts["calibrator"].u_db == pytest.approx(0.25 / np.sqrt(3), abs=1e-5)
    assert parts["fluctuation"].u_db == pytest.approx(
        document.tone.stability_db / np.sqrt(3), abs=5e-4
    )
    assert listen(simulated(calibrator=LOOSE_CALIBRATOR)).budget == []


@pytest.mark.parametrize(
    ("calibrator", "words"),
    [(LOOSE_CALIBRATOR, "fluctuates"), (OFF_FREQUENCY_CALIBRATOR, "strongest tone")],
)
def test_a_bad_tone_is_refused_with_its_reason(calibrator, words):
    """A loose coupling and a wrong frequency are seen, and no factor is given."""
    document = listen(simulated(calibrator=calibrator))

    assert not document.accepted
    assert document.pascal_per_unit is None
    assert words in " ".join(document.reasons)


def test_a_drop_out_is_a_reason(array_source):
    """A tone with a dropped block calibrates nothing."""
    time_s = np.arange(48_000 * 6) / 48_000
    source = array_source(0.5 * np.sin(2 * np.pi * 1000 * time_s), 48_000, faulty_s=[(3.0, 3.1)])

    assert listen(source).reasons == ["Dropped."]


def test_another_channel_may_be_faulty(array_source):
    """What is wrong with a channel speaks against that one only."""
    time_s = np.arange(48_000 * 6) / 48_000
    tone = 0.5 * np.sin(2 * np.pi * 1000 * time_s)
    source = {"samples": np.stack([tone, tone], axis=1), "rate_hz": 48_000}
    faults = {"faulty_s": [(3.0, 3.1)], "faulty_channel": 1}

    assert listen(array_source(**source, **faults), channel=1).accepted
    assert listen(array_source(**source, **faults), channel=2).reasons == ["Dropped."]


def test_a_clipped_tone_is_a_reason(array_source):
    """A tone that stays at full scale calibrates nothing."""
    time_s = np.arange(48_000 * 6) / 48_000
    source = array_source(np.clip(1.5 * np.sin(2 * np.pi * 1000 * time_s), -1, 1), 48_000)

    assert any("clipped" in reason for reason in listen(source).reasons)


def test_a_recording_that_ends_early_is_judged_if_it_is_long_enough(array_source):
    """Three seconds of a tone are enough, one is not."""
    time_s = np.arange(48_000 * 4) / 48_000
    samples = 0.5 * np.sin(2 * np.pi * 1000 * time_s)

    assert listen(array_source(samples[: round(3.5 * 48_000)], 48_000), seconds=10.0).accepted
    with pytest.raises(SoundEnded):
        listen(array_source(samples[:72_000], 48_000), seconds=10.0)


def test_a_channel_that_is_not_there(array_source):
    """A missing channel is said in words."""
    with pytest.raises(DocumentError, match="no channel 2"):
        listen(array_source(np.ones(48_000), 48_000), channel=2)


def test_a_moved_sensitivity_is_remarked():
    """A factor far from the last one is accepted with a remark."""
    first = listen(simulated())
    moved = first.model_copy(update={"pascal_per_unit": first.pascal_per_unit * 1.2})

    assert listen(simulated(), previous=first).remarks == []
    assert "moved" in listen(simulated(), previous=moved).remarks[0]
