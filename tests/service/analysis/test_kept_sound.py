"""Analysing kept sound: its sidecar is found, and what it marks is left out."""

import json

import numpy as np
import pytest
from series_doubles import CALIBRATION
from sound_keepers import GivenSound

from acoustic.microphone_response import microphone_response
from service.errors import SoundEnded
from service.storage.kept_sound import KeptSound

SECONDS = 9


@pytest.fixture
def keep(tmp_path):
    """Keep samples in blocks of 100 ms; return where they stand."""

    def run(samples, *, form="flac", faulty=(), factors=(6.4,), response=None, judge=False):
        source = GivenSound(samples, faulty=faulty, judge=judge)
        kept = KeptSound(source, tmp_path, form, stem="x", command="floor", tell=lambda _: None)
        kept.know(
            [
                CALIBRATION.model_copy(update={"channel": channel, "pascal_per_unit": factor})
                for channel, factor in enumerate(factors, start=1)
                if factor is not None
            ],
            response,
        )
        try:
            while True:
                kept.read(4800)
        except SoundEnded:
            kept.close()
        return kept.path

    return run


def test_the_sidecar_is_found(analyse, evenhush, keep, noise):
    """Kept sound is analysed with its calibration, as if that had been named."""
    path = keep(noise(0.01, 48_000 * SECONDS))
    found = analyse(path)
    by_factor = analyse(path, "--pascal-per-unit", 6.4)

    assert found["calibrated"] is True
    assert found["pascal_per_unit"] == 6.4
    assert found["calibration_time"] == "2026-01-02T03:04:05.000Z"
    assert found["levels"] == by_factor["levels"]
    assert by_factor["calibration_time"] is None
    # The interval against the true level needs the calibration's own, which stands beside.
    assert found["LAeq_interval"]["U95_absolute_db"] > found["LAeq_interval"]["U95_db"]
    assert found["warnings"] == []
    assert "calibrated 2026-01-02T03:04:05.000Z" in evenhush("analyse", path).out


def test_a_named_calibration_comes_first(analyse, keep, noise, tmp_path):
    """What is asked for on the command line counts, and the marks still do."""
    path = keep(noise(0.01, 48_000 * SECONDS), faulty={3})
    found = analyse(path)
    doubled = analyse(path, "--pascal-per-unit", 12.8)
    (tmp_path / "named.json").write_text(
        CALIBRATION.model_copy(update={"pascal_per_unit": 0.64}).to_json()
    )
    named = analyse(path, "--calibration", tmp_path / "named.json")

    LAeq_db = found["levels"]["LAeq_db"]
    assert doubled["levels"]["LAeq_db"] == pytest.approx(LAeq_db + 20 * np.log10(2), abs=0.002)
    assert named["levels"]["LAeq_db"] == pytest.approx(LAeq_db - 20, abs=0.002)
    assert found["left_out_s"] == doubled["left_out_s"] == named["left_out_s"] == 0.1


@pytest.mark.parametrize("form", ["flac", "wav"])
def test_marked_intervals_are_left_out(analyse, keep, noise, form):
    """However bad a marked interval is, levels, tones and loudness are those of the rest."""
    samples = noise(0.01, 48_000 * SECONDS)
    clean = analyse(keep(samples, form=form))
    bad = samples.copy()
    time_s = np.arange(4800) / 48_000
    bad[4800 * 20 : 4800 * 21, 0] = 0.4 * np.sin(2 * np.pi * 3000 * time_s)
    bad[4800 * 30 : 4800 * 31] = 0.0
    found = analyse(keep(bad, form=form, faulty={20, 30}))

    for name, level in clean["levels"].items():
        # Minima and percentiles leave out the rise after each gap, so they are of less sound.
        assert found["levels"][name] == pytest.approx(level, abs=0.2), name
    assert found["levels"]["LAeq_db"] == pytest.approx(clean["levels"]["LAeq_db"], abs=0.03)
    assert found["tones"] == clean["tones"] == []
    assert found["loudness"]["N_sone"] == pytest.approx(clean["loudness"]["N_sone"], rel=0.01)
    assert found["left_out_s"] == pytest.approx(0.2)
    (warning,) = (text for text in found["warnings"] if "left out" in text)
    assert "0.2 s are left out, first 2.0 s from the beginning" in warning


@pytest.mark.parametrize("faulty", [{0}, {1}, {0, 2, 4}, {89}, {1, 3, 88}, set(range(2, 88))])
def test_marks_may_be_anywhere(analyse, keep, noise, faulty, tmp_path):
    """Whatever stretches are left over are used, each row of 100 ms at its own time."""
    path = keep(noise(0.01, 48_000 * SECONDS), faulty=faulty)
    found = analyse(path, "--csv", tmp_path / "levels.csv")
    rows = (tmp_path / "levels.csv").read_text().splitlines()[1:]

    used = sorted(set(range(90)) - faulty)
    assert [float(row.split(",")[0]) for row in rows] == pytest.approx([0.1 * n for n in used])
    assert found["left_out_s"] == pytest.approx(0.1 * len(faulty))
    assert found["levels"]["LAeq_db"] == pytest.approx(67.35, abs=0.3)


def test_clipped_sound_that_is_marked_does_not_refuse_the_rest(analyse, refusal, keep, noise):
    """Where clipping was marked while it was heard, the rest has levels; unmarked it has none."""
    samples = noise(0.01, 48_000 * SECONDS)
    samples[4800 * 30 + 100 : 4800 * 30 + 200] = 1.0
    marked = keep(samples, faulty={30})

    assert analyse(marked)["left_out_s"] == pytest.approx(0.1)
    assert "is clipped 3.00 s" in refusal(keep(samples))


def test_sound_beyond_full_scale_is_left_out_of_a_flac_file(analyse, keep, noise):
    """What FLAC had to cut off does not enter a level; WAV holds it, and it does."""
    samples = noise(0.01, 48_000 * SECONDS)
    samples[4800 * 30 : 4800 * 30 + 480] *= 300.0
    cut_off, whole = analyse(keep(samples)), analyse(keep(samples, form="wav"))

    assert cut_off["left_out_s"] > 0.0
    quiet_db = 20 * np.log10(0.01 * 6.4 / 20e-6)
    assert cut_off["levels"]["LZeq_db"] == pytest.approx(quiet_db, abs=0.1)
    assert whole["left_out_s"] == 0.0
    loud_db = quiet_db + 10 * np.log10(1 + 300**2 * 480 / len(samples))
    assert whole["levels"]["LZeq_db"] == pytest.approx(loud_db, abs=0.3)
    assert any("holds it cut off there" in text for text in cut_off["warnings"])


def test_a_part_that_is_all_marked_is_refused(refusal, analyse, keep, noise):
    """Nothing but marked sound gives no level, and the sentence says so."""
    path = keep(noise(0.01, 48_000 * SECONDS), faulty={10, 11, 12})

    assert "touch what was marked as bad" in refusal(path, "--from", 1.02, "--to", 1.28)
    assert analyse(path, "--from", 2)["left_out_s"] == 0.0


def test_only_calibrated_channels_have_levels(analyse, evenhush, keep, noise):
    """Each channel is taken with its own factor; one without is left out, and said to be."""
    samples = noise(0.01, 48_000 * SECONDS, channels=3)
    samples[:, 1] = np.clip(100.0 * samples[:, 1], -1.0, 1.0)
    path = keep(samples, factors=(6.4, None, 64.0))
    found = analyse(path)
    one = analyse(keep(samples, factors=(None, None, 64.0)))
    first, third = found["per_channel"]

    assert (first["channel"], third["channel"]) == (1, 3)
    assert (first["pascal_per_unit"], third["pascal_per_unit"]) == (6.4, 64.0)
    assert third["levels"]["LAeq_db"] == pytest.approx(first["levels"]["LAeq_db"] + 20, abs=0.2)
    assert any("Channel 2 was not calibrated" in text for text in found["warnings"])
    assert one["levels"] == third["levels"]
    assert (one["channels"], one["pascal_per_unit"]) == (3, 64.0)
    assert "per_channel" not in one
    assert "mean of 2 channels" in evenhush("analyse", path).out


def test_marks_of_other_channels_do_not_count(analyse, keep, noise):
    """Clipping in a channel that is not used leaves nothing out of the one that is."""
    samples = noise(0.01, 48_000 * SECONDS, channels=2)
    samples[4800 * 30 : 4800 * 31, 1] = 1.0

    assert analyse(keep(samples, factors=(6.4,), judge=True))["left_out_s"] == 0.0
    assert analyse(keep(samples, factors=(6.4, 6.4), judge=True))["left_out_s"] == 0.1


def test_the_response_that_was_taken_out_is_taken_out_again(analyse, keep, noise, tmp_path):
    """The sidecar holds the microphone's response, so that levels are those that were heard."""
    table = np.array([[20.0, 0.0], [250.0, 0.0], [1000.0, 0.0], [4000.0, 3.0], [16_000.0, 9.0]])
    (tmp_path / "table.txt").write_text("\n".join(f"{hz} {db}" for hz, db in table))
    middle = [[hz, 0.0] for hz in (31.5, 63.0, 125.0, 500.0, 2000.0, 8000.0)]
    table = np.array(sorted([*table.tolist(), *middle]))
    (tmp_path / "table.txt").write_text("\n".join(f"{hz} {db}" for hz, db in table))
    response = microphone_response(table, calibrated_at_hz=1000.0)
    samples = noise(0.01, 48_000 * SECONDS)
    found = analyse(keep(samples, response=response))
    plain = keep(samples)

    asked = analyse(plain, "--response", tmp_path / "table.txt")
    assert found["levels"] == asked["levels"]
    assert found["levels"] != analyse(plain)["levels"]


def test_flac_that_lost_its_sidecar_still_knows(analyse, keep, noise):
    """The document inside the file serves where none stands beside it."""
    path = keep(noise(0.01, 48_000 * SECONDS), faulty={3})
    with_sidecar = analyse(path)
    path.with_suffix(".json").unlink()

    assert analyse(path) == with_sidecar


@pytest.mark.parametrize(
    "text",
    ["no JSON", "[]", "{}", '{"schema": "evenhush.recording/1", "pascal_per_unit": 6.4}'],
)
def test_other_files_of_that_name_are_none_of_it(analyse, record, noise, text):
    """Whatever else stands beside a recording under its name changes nothing."""
    path = record("x.wav", noise(0.01, 48_000 * 2))
    path.with_suffix(".json").write_text(text)

    assert analyse(path)["calibrated"] is False


def test_a_sidecar_of_other_sound_is_not_used(analyse, record, keep, noise):
    """A recording of another form that happens to stand beside kept sound is not calibrated."""
    samples = noise(0.01, 48_000 * 2)
    keep(samples)

    assert analyse(record("x.wav", samples))["calibrated"] is False


def test_a_sidecar_that_cannot_be_right_is_refused(refusal, record, keep, noise):
    """A document that contradicts the sound, or is damaged, is named."""
    samples = noise(0.01, 48_000 * 2)
    path = keep(samples)
    record(path.name, samples, rate_hz=44_100, subtype="PCM_24")
    assert "is about 1 channel(s) at 48000 Hz, but" in refusal(path)

    beside = path.with_suffix(".json")
    beside.write_text(json.dumps(json.loads(beside.read_text()) | {"marked": "none"}))
    assert "is no document beside kept sound: marked" in refusal(path)


def test_keeping_that_broke_off_is_told(analyse, keep, noise):
    """After a crash the levels carry a warning about what may not be marked."""
    path = keep(noise(0.01, 48_000 * 2))
    beside = path.with_suffix(".json")
    plain = json.loads(beside.read_text())
    beside.write_text(json.dumps(plain | {"finished": False}))

    assert any("broke off" in text for text in analyse(path)["warnings"])
