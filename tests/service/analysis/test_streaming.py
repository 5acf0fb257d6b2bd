"""Any length in bounded memory, and however it is cut into blocks."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acoustic.signals import DigitalSignal
from service.jobs import recording_levels
from service.jobs.analysis import AnalysisRequest, OpenRecording, analyse_recording
from service.ports import SoundBlock


class GivenSound:
    """A recording that consists of the same samples over and over."""

    name = "given"

    def __init__(self, samples, rate_hz, frames):
        self.samples, self.rate_hz, self.frames = samples, rate_hz, frames
        self.channels = samples.shape[1]
        self.taken = 0

    def skip(self, frames):
        """Go forward."""
        self.taken += frames

    def read(self, frames):
        """Take the next frames."""
        assert self.taken + frames <= self.frames
        numbers = np.arange(self.taken, self.taken + frames) % len(self.samples)
        self.taken += frames
        return SoundBlock(DigitalSignal(self.samples[numbers], self.rate_hz))

    def close(self):
        """Do nothing."""


def analysed(samples, rate_hz, frames, **request):
    """Analyse such a recording; also return the shares and the rows that were told."""
    shares, rows = [], []
    document = analyse_recording(
        OpenRecording("given", GivenSound(samples, rate_hz, frames), "FLOAT"),
        AnalysisRequest(**request),
        keep=rows.append,
        progress=shares.append,
    )
    return document, shares, rows


@settings(max_examples=6, deadline=None, derandomize=True)
@given(at_once=st.integers(4000, 100_000), start_s=st.sampled_from([0.0, 0.3]))
def test_blocks_change_nothing(at_once, start_s):
    """Blocks of any length give the same document."""
    samples = 0.1 * np.random.default_rng(3).standard_normal((8000 * 6, 2))
    whole, _, _ = analysed(samples, 8000, len(samples), start_s=start_s)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recording_levels, "_SAMPLES_AT_ONCE", at_once)
        cut, _, _ = analysed(samples, 8000, len(samples), start_s=start_s)

    # The last digit kept may be rounded the other way.
    assert flat(cut.to_plain()) == pytest.approx(flat(whole.to_plain()), abs=0.0011)


def flat(plain):
    """All numbers of a document by their place in it."""
    if isinstance(plain, dict):
        return {
            f"{key}.{place}": number
            for key, part in plain.items()
            for place, number in flat(part).items()
        }
    if isinstance(plain, list):
        return flat(dict(enumerate(plain)))
    return {"": plain} if isinstance(plain, int | float) else {}


def test_memory_does_not_grow_with_length(monkeypatch):
    """A recording of ten times the length takes no more memory."""
    monkeypatch.setattr(recording_levels, "_SAMPLES_AT_ONCE", 2**15)
    samples = 0.1 * np.random.default_rng(4).standard_normal((8000 * 40, 1))

    def peak(frames):
        sound = GivenSound(samples, 8000, frames)
        tracemalloc.start()
        analyse_recording(OpenRecording("given", sound, "FLOAT"), AnalysisRequest())
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    peak(8000)  # what is kept for good, such as filters, comes first
    # Blocks and segments meet in more ways in a longer recording; growth would be tenfold.
    assert peak(8000 * 600) < 1.2 * peak(8000 * 60)


def test_progress_and_rows_tell_all_of_it():
    """Shares rise to exactly 1, and every whole 100 ms is handed over once, in order."""
    samples = 0.1 * np.random.default_rng(5).standard_normal((8000 * 100, 1))
    document, shares, rows = analysed(samples, 8000, 8000 * 100 - 1)

    assert shares == sorted(shares)
    assert len(shares) > 1
    assert shares[-1] == 1.0
    assert [part.first_row for part in rows] == list(
        np.cumsum([0, *[len(part) for part in rows]])[:-1]
    )
    assert sum(len(part) for part in rows) == 999
    assert document.duration_s == pytest.approx(99.999875)
