import json
from itertools import chain
from pathlib import Path

import numpy as np
import pytest
import soundfile
from spectral_levels import laeq_db, level_db, power_spectrum_pa2

from service.errors import StorageError
from service.wiring.recordings import make_demo_recordings

IN_THE_TREE = Path(__file__).parents[3] / "recordings"
STEMS = sorted(path.stem for path in IN_THE_TREE.glob("*.flac"))


def load(stem, directory=IN_THE_TREE):
    """Return samples, rate and sidecar of a recording."""
    samples, rate_hz = soundfile.read(directory / f"{stem}.flac", always_2d=True)
    sidecar = json.loads((directory / f"{stem}.json").read_text(encoding="utf-8"))
    return samples, rate_hz, sidecar


@pytest.fixture(scope="module")
def made_anew(tmp_path_factory):
    """Return a folder with freshly made recordings."""
    directory = tmp_path_factory.mktemp("made") / "recordings"
    make_demo_recordings(directory)
    return directory


def test_the_tree_holds_what_is_made(made_anew):
    """The recordings in the repository are those that the program makes, and small enough."""
    assert len(STEMS) == 6
    assert sorted(path.name for path in made_anew.iterdir()) == sorted(
        path.name for path in IN_THE_TREE.iterdir()
    )
    assert sum(path.stat().st_size for path in IN_THE_TREE.iterdir()) < 10e6


@pytest.mark.parametrize("stem", STEMS)
def test_the_same_seed_makes_the_same_recording(stem, made_anew):
    """Samples and sidecar are made the same again."""
    samples, rate_hz, sidecar = load(stem)
    again, rate_again_hz, sidecar_again = load(stem, made_anew)

    assert rate_hz == rate_again_hz
    assert sidecar == sidecar_again
    # Another processor may round a sine the other way: one step of 24 bits.
    assert np.abs(samples - again).max() <= 1.01 * 2.0**-23


@pytest.mark.parametrize("stem", STEMS)
def test_sidecar_describes_the_file(stem):
    """Rate, channels, duration and the number of bits are those of the file."""
    samples, rate_hz, sidecar = load(stem)

    assert sidecar["schema"] == "evenhush.recording/1"
    assert sidecar["rate_hz"] == rate_hz
    assert sidecar["channels"] == samples.shape[1] == 1
    assert sidecar["duration_s"] == len(samples) / rate_hz
    assert 10 <= sidecar["duration_s"] <= 15
    assert soundfile.info(IN_THE_TREE / f"{stem}.flac").subtype == "PCM_24"


@pytest.mark.parametrize("stem", STEMS)
def test_stated_level_is_the_one_recorded(stem):
    """The A-weighted level by a plain Fourier transform is the one that the sidecar states."""
    samples, rate_hz, sidecar = load(stem)

    heard_db = laeq_db(samples, rate_hz, sidecar["pascal_per_unit"])

    # Twelve seconds of a room's noise, a few hundred hertz wide, scatter by 0.07 dB.
    assert heard_db == pytest.approx(sidecar["LAeq_db"], abs=0.15)


@pytest.mark.parametrize("stem", STEMS)
def test_stated_tones_are_in_the_recording(stem):
    """Every stated tone that stands out of the noise is heard at its frequency and level."""
    samples, rate_hz, sidecar = load(stem)
    frequency_hz, power = power_spectrum_pa2(samples, rate_hz, sidecar["pascal_per_unit"])
    parts = (sidecar, sidecar.get("floor", {}), sidecar.get("cooler", {}))
    tones = list(chain.from_iterable(part.get("tones", []) for part in parts))
    outstanding = 0
    for tone in tones:
        offset_hz = np.abs(frequency_hz - tone["frequency_hz"])
        # 17 dB over 7 lines of noise leaves a scatter of 0.35 dB in the tone's own line.
        # The median of noise power is ln 2 of its mean, and does not see other tones.
        line_pa2 = np.median(power[offset_hz < 20.0]) / np.log(2.0)
        heard_pa2 = np.sum(power[offset_hz < 0.3]) - line_pa2 * np.sum(offset_hz < 0.3)
        crowd = sum(abs(other["frequency_hz"] - tone["frequency_hz"]) < 1.0 for other in tones)
        if crowd == 1 and tone["level_db"] > level_db(line_pa2 * np.sum(offset_hz < 0.3)) + 17.0:
            outstanding += 1

            assert level_db(heard_pa2) == pytest.approx(tone["level_db"], abs=1.0)

    assert outstanding >= 1


def test_a_folder_that_cannot_be_made_is_refused_in_a_sentence(tmp_path):
    """Where a file stands in the way no folder is made and no recording written."""
    in_the_way = tmp_path / "file"
    in_the_way.write_text("mine")

    with pytest.raises(StorageError, match="cannot be made"):
        make_demo_recordings(in_the_way / "folder")

    assert in_the_way.read_text() == "mine"
