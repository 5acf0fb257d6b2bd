"""Harmonic families, waterfalls and pictures of recordings whose truth is known."""

import csv
import tracemalloc
from io import BytesIO

import numpy as np
import pytest
from matplotlib.image import imread

from acoustic.signals import DigitalSignal, PressureSignal
from acoustic.spectrum import spectrum_of
from acoustic.waterfall import waterfall_of
from service.jobs.analysis import AnalysisRequest, OpenRecording, analyse_recording
from service.ports import SoundBlock
from service.reports.sound_picture import draw_sound

RATE_HZ = 48_000


def gliding(seconds, low_hz, high_hz, rms=0.05):
    """A tone whose frequency rises steadily."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * (low_hz * time_s + (high_hz - low_hz) * time_s**2 / (2 * seconds))
    return np.sqrt(2) * rms * np.sin(phase)


def harmonic(fundamental_hz, orders, seconds, rms=0.01):
    """Tones at whole multiples of a frequency."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    tones = [np.sin(2 * np.pi * order * fundamental_hz * time_s + order) for order in orders]
    return np.sqrt(2) * rms * np.sum(tones, axis=0)


@pytest.mark.parametrize("calibrated", [True, False])
def test_a_family_of_a_known_fundamental_is_named(evenhush, analyse, record, noise, calibrated):
    """Harmonics in noise are one family with their orders and the level of all together."""
    orders = [7, 14, 21, 28]
    path = record("x.wav", harmonic(43.7, orders, 10) + noise(0.002, RATE_HZ * 10)[:, 0])
    words = ("--pascal-per-unit", 2) if calibrated else ()
    (family,) = analyse(path, *words)["harmonic_families"]
    ending, reference = ("_db", 20e-6 / 2) if calibrated else ("_dbfs", 1.0)

    # A fan with seven blades has no tone at its shaft's frequency, so its blades' is the lowest.
    assert family["fundamental_hz"] == pytest.approx(7 * 43.7, abs=0.1)
    assert [each["order"] for each in family["harmonics"]] == [1, 2, 3, 4]
    assert [each["frequency_hz"] for each in family["harmonics"]] == pytest.approx(
        [order * 43.7 for order in orders], abs=0.1
    )
    assert family["level" + ending] == pytest.approx(20 * np.log10(0.02 / reference), abs=0.2)
    printed = evenhush("analyse", path, *words).out
    assert "harmonic family of 305.9 Hz: orders 1, 2, 3, 4, " in printed


def test_noise_has_no_family(analyse, record, noise):
    """Where there are no tones there is no family."""
    assert analyse(record("x.wav", noise(0.1, RATE_HZ * 9)))["harmonic_families"] == []


def rows_of(path):
    """Times, frequencies, levels and the ending of the columns of a waterfall table."""
    with path.open(newline="") as file:
        head, *rows = csv.reader(file)
    assert head[0] == "time_s"
    endings = {name.rsplit("_", 1)[1] for name in head[1:]}
    frequency_hz = np.array([float(name.split("_")[1].removesuffix("Hz")) for name in head[1:]])
    numbers = np.array([[float(cell or "-inf") for cell in row] for row in rows])
    return numbers[:, 0], frequency_hz, numbers[:, 1:], endings


@pytest.mark.parametrize("calibrated", [True, False])
def test_a_gliding_tone_is_where_it_is(evenhush, record, tmp_path, calibrated):
    """In every row of the table the strongest line is at the tone's frequency at that time."""
    path = record("glide.wav", gliding(20, 400.0, 2400.0))
    words = ("--pascal-per-unit", 2) if calibrated else ()
    ended = evenhush("analyse", path, *words, "--waterfall-csv", tmp_path / "w.csv")
    time_s, frequency_hz, levels_db, endings = rows_of(tmp_path / "w.csv")

    assert ended.code == 0
    assert "w.csv" in ended.out
    assert endings == ({"db"} if calibrated else {"dbfs"})
    assert np.diff(time_s).max() <= 0.11
    strongest_hz = frequency_hz[levels_db.argmax(axis=1)]
    # It glides 100 Hz a second: over 0.3 s that a row sees, 15 Hz to either side, and a line.
    assert np.abs(strongest_hz - (400 + 100 * time_s)).max() < 20


def test_a_part_keeps_the_time_of_the_recording(evenhush, record, tmp_path):
    """With --from the times of the table count from the beginning of the recording."""
    path = record("glide.wav", gliding(20, 400.0, 2400.0))
    evenhush("analyse", path, "--from", 8, "--waterfall-csv", tmp_path / "w.csv")
    time_s, frequency_hz, levels_db, _ = rows_of(tmp_path / "w.csv")

    assert 8.0 < time_s[0] < 8.3
    strongest_hz = frequency_hz[levels_db.argmax(axis=1)]
    assert np.abs(strongest_hz - (400 + 100 * time_s)).max() < 20


def drawn(samples, form="png", title="glide", rate_hz=RATE_HZ):
    """Draw a sound."""
    sound = PressureSignal(samples[:, None], rate_hz)
    waterfall = waterfall_of(sound, spacing_hz=5.0, step_s=0.1, most_columns=360)
    spectrum = spectrum_of(sound, spacing_hz=1.0)
    return draw_sound(title, "dB", spectrum, waterfall, form)


def test_the_picture_shows_a_gliding_tone_moving():
    """The bright line of the picture goes to the right as time goes down."""
    image = imread(BytesIO(drawn(gliding(20, 100.0, 10_000.0, rms=1.0))), format="png")[:, :, :3]
    below = image[image.shape[0] * 2 // 5 : image.shape[0] * 9 // 10, : image.shape[1] * 8 // 10]
    # The brightest colour is a pale yellow, which nothing else in the picture has.
    pale = (below[..., 0] > 0.95) & (below[..., 1] > 0.8) & (below[..., 2] < 0.85)
    where = [np.flatnonzero(row).mean() for row in pale if row.any()]

    assert len(where) > 0.8 * len(below) * 0.8
    assert np.all(np.diff(where[::20]) > 0)


@pytest.mark.parametrize("form", ["png", "svg"])
def test_the_same_sound_gives_the_same_file(form):
    """Pictures carry no date and no random name."""
    samples = gliding(3, 400.0, 2400.0)

    assert drawn(samples, form) == drawn(samples, form)


@pytest.mark.parametrize("rate_hz", [8000, 192_000])
def test_any_rate_and_any_name_can_be_drawn(rate_hz):
    """Rates that end below or far above hearing, and names that look like formulas, are drawn."""
    samples = np.random.default_rng(1).standard_normal(3 * rate_hz)

    assert drawn(samples, title=r"$\frac{$.wav", rate_hz=rate_hz).startswith(b"\x89PNG")


@pytest.mark.parametrize(("name", "begins"), [("p.png", b"\x89PNG"), ("p.svg", b"<?xml")])
def test_a_picture_by_its_ending(evenhush, record, name, begins):
    """PNG or SVG is written as the name asks."""
    path = record("x.wav", gliding(3, 400.0, 2400.0))
    ended = evenhush("analyse", path, "--picture", path.with_name(name), "--json")

    assert ended.code == 0
    assert path.with_name(name).read_bytes().startswith(begins)


@pytest.mark.parametrize(
    ("words", "seconds", "said"),
    [
        (("--picture", "p.jpg"), 3, "png or .svg"),
        (("--picture", "p.png"), 0.6, "shorter than 1 s"),
        (("--waterfall-csv", "gone/w.csv"), 3, "cannot be written"),
    ],
)
def test_what_cannot_be_shown_is_said(  # noqa: PLR0917 - fixtures and a table
    refusal, record, monkeypatch, words, seconds, said
):
    """A wrong ending, too little sound and a missing folder end in one sentence and no file."""
    path = record("x.wav", gliding(seconds, 400.0, 2400.0))
    monkeypatch.chdir(path.parent)

    assert said in refusal(path, *words)
    assert [file.name for file in path.parent.iterdir()] == ["x.wav"]


def test_one_picture_is_of_one_recording(refusal, record, noise):
    """Several recordings and one picture are refused."""
    path = record("x.wav", noise(0.1, RATE_HZ * 3))

    assert "one recording" in refusal(path, path, "--picture", "p.png")


class LongSound:
    """A recording that consists of the same samples over and over."""

    name = "long"
    channels = 1
    rate_hz = 8000

    def __init__(self, seconds):
        self.samples = 0.1 * np.random.default_rng(4).standard_normal((8000 * 2, 1))
        self.frames = 8000 * seconds

    def skip(self, frames):
        """Go forward."""

    def read(self, frames):
        """Take the next frames."""
        return SoundBlock(DigitalSignal(np.resize(self.samples, (frames, 1)), self.rate_hz))

    def close(self):
        """Do nothing."""


def test_memory_of_a_view_does_not_grow_with_length():
    """A recording of ten times the length looks as good and takes no more memory."""

    def peak(seconds):
        views = []
        tracemalloc.start()
        analyse_recording(
            OpenRecording("long", LongSound(seconds), "FLOAT"),
            AnalysisRequest(),
            view=views.append,
        )
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        (view,) = views
        assert 180 <= len(view.waterfall.time_s) <= 361
        assert view.waterfall.time_s[-1] == pytest.approx(seconds, rel=0.02)
        return most

    peak(40)  # what is kept for good, such as filters, comes first
    assert peak(600) < 1.2 * peak(60)
