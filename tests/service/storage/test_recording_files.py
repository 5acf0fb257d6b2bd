import json

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from acoustic.signals import DigitalSignal
from service.errors import StorageError
from service.storage.recording_files import write_recording


@settings(max_examples=25, deadline=None)
@given(
    steps=arrays(
        np.int32,
        st.tuples(st.integers(1, 50), st.integers(1, 3)),
        elements=st.integers(-(2**23), 2**23 - 1),
    ),
    rate_hz=st.sampled_from([44_100, 48_000, 96_000, 192_000]),
)
def test_every_24_bit_sample_comes_back_exactly(tmp_path_factory, steps, rate_hz):
    """Samples on the grid of 24 bits, any rate and channels, are read back bit for bit."""
    path = tmp_path_factory.mktemp("flac") / "x.flac"

    write_recording(path, DigitalSignal(steps / 2.0**23, rate_hz), {})

    samples, rate_back_hz = soundfile.read(path, dtype="int32", always_2d=True)
    assert rate_back_hz == rate_hz
    assert np.array_equal(samples >> 8, steps)


def test_sidecar_stands_beside_and_reads_back(tmp_path):
    """The sidecar has the recording's name with .json and holds what was given."""
    sidecar = {"pascal_per_unit": 6.4, "what": "größer", "tones": [{"level_db": 40.0}]}

    write_recording(tmp_path / "a.b.flac", DigitalSignal(np.zeros((10, 1)), 48_000), sidecar)

    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.b.flac", "a.b.json"]
    assert json.loads((tmp_path / "a.b.json").read_text(encoding="utf-8")) == sidecar


def test_full_scale_fits_and_more_is_refused(tmp_path):
    """A sample of 1.0 is kept as the highest there is; a louder one is refused, nothing written."""
    write_recording(tmp_path / "full.flac", DigitalSignal(np.array([[1.0], [-1.0]]), 48_000), {})

    samples, _ = soundfile.read(tmp_path / "full.flac")
    assert samples.tolist() == [1.0 - 2.0**-23, -1.0]
    with pytest.raises(StorageError, match=r"reaches 1\.2 times full scale"):
        write_recording(tmp_path / "over.flac", DigitalSignal(np.array([[1.2]]), 48_000), {})
    assert not list(tmp_path.glob("over*"))


def test_what_flac_cannot_hold_is_refused_in_a_sentence(tmp_path):
    """More channels than FLAC has are refused and nothing is written."""
    with pytest.raises(StorageError, match="cannot be encoded as FLAC"):
        write_recording(tmp_path / "x.flac", DigitalSignal(np.zeros((10, 9)), 48_000), {})

    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_missing_is_refused_in_a_sentence(tmp_path):
    """Writing into a folder that does not exist says so."""
    with pytest.raises(StorageError, match="check that its folder exists"):
        write_recording(tmp_path / "none" / "x.flac", DigitalSignal(np.zeros((10, 1)), 48_000), {})
