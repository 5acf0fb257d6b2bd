"""Kept sound says what was measured: a floor and a match, analysed afterwards."""

from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from series_doubles import CALIBRATION, Somebody, requests
from sound_keepers import SmallDisk

from acoustic.analyser import analyse, finish, start
from acoustic.decibels import level_db
from acoustic.short_levels import join_short_levels
from acoustic.signals import DigitalSignal, PressureSignal
from service.capture.recording import RecordingSource
from service.errors import StorageError
from service.jobs.analysis import AnalysisRequest
from service.jobs.floor_checking import check_floor
from service.simulation.cooler import Cooler
from service.simulation.plant import Plant
from service.simulation.room import Room
from service.simulation.sound_source import SimulatedSource
from service.storage.kept_files import read_kept_sound
from service.storage.trails import read_trail
from service.wiring.analysis import analyse_file
from service.wiring.keeping import KeepRequest, keep_sound
from service.wiring.match_series import Hearing, run_series
from service.wiring.series_plan import SeriesPlan

TIME = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
UNDISTURBED = Room(wander_db=0.0, intrusions_per_minute=0.0)


class Remembered(SimulatedSource):
    """A simulated microphone that remembers what it has delivered."""

    def __init__(self, plant):
        super().__init__(plant)
        self.blocks = []

    def read(self, frames):
        """Take the next frames."""
        self.blocks.append(super().read(frames))
        return self.blocks[-1]

    def LAeq_db(self):
        """Equivalent level of all of it."""
        samples = np.concatenate([block.signal.samples for block in self.blocks])
        sound = PressureSignal.from_digital(DigitalSignal(samples, 48_000), 6.4)
        state, rows = analyse(start(48_000, 1), sound)
        rows = join_short_levels([rows, finish(state)])
        return float(level_db(rows.A_mean_square_pa2.mean()))


def hear_and_keep(bench, command, said):
    """Open a bench's input for a cooler, and keep it."""

    @contextmanager
    def hear(cooler):
        request = KeepRequest(bench.folder / "sound", "flac", command)
        with keep_sound(bench.source, request, cooler=cooler, tell=said.append) as keeping:
            keeping.know([CALIBRATION])
            yield Hearing(keeping.source, CALIBRATION, None, keeping)

    return hear


def kept_in(folder):
    """Return the one file that was kept, with what stands beside it."""
    (path,) = folder.glob("*.flac")
    return path, read_kept_sound(path, rate_hz=48_000, channels=1)


def heard_in(trail, begin_s):
    """Return where each stretch of a trail lies in the sound, and its levels of 100 ms."""
    heard = []
    for taken in read_trail(trail)[1]:
        step = taken.step()
        if hasattr(step, "seconds"):
            end_s = round(begin_s + step.seconds, 6)
            heard.append((begin_s, end_s, taken.answer().levels_db))
            begin_s = end_s
    return heard


@pytest.mark.parametrize("form", ["flac", "wav"])
def test_a_floor_is_the_same_when_it_is_analysed(tmp_path, form):
    """Level and one-third octaves of a floor come out again, and so does the floor itself."""
    source = Remembered(Plant(Cooler("nothing", {}), seed=5, room=UNDISTURBED))
    said = []
    with keep_sound(source, KeepRequest(tmp_path, form, "floor"), tell=said.append) as keeping:
        keeping.know([CALIBRATION])
        with keeping.measuring("room floor"):
            floor = check_floor(keeping.source, CALIBRATION, seconds=12.0, time=TIME)
    (path,) = tmp_path.glob(f"*-floor.{form}")
    found = analyse_file(path, AnalysisRequest())
    again = check_floor(RecordingSource(path), CALIBRATION, seconds=12.0, time=TIME)

    assert said == [f"sound kept: {path}"]
    assert floor.rejected_s == 0.0
    assert again.LAeq_db == pytest.approx(floor.LAeq_db, abs=0.001)
    assert again.LA90_db == pytest.approx(floor.LA90_db, abs=0.001)
    assert found.levels.LAeq_db == pytest.approx(source.LAeq_db(), abs=0.01)
    # The floor is an estimate that weighs its seconds, so it may differ by what it leaves open.
    assert found.levels.LAeq_db == pytest.approx(floor.LAeq_db, abs=floor.U95_db / 2)
    for weighted in ("LZeq_db", "LAeq_db"):
        live, kept = (getattr(each.third_octaves, weighted) for each in (floor, found))
        assert kept == pytest.approx(live, abs=0.01)
    assert keeping.warnings() == []


def test_a_match_is_found_again_in_its_sound(bench):
    """The sidecar leads to each target and its last setting, whose level comes out again."""
    plan = SeriesPlan(("Fjord 140",), requests(40, 36), bench.folder / "fjord.json")
    series = run_series(
        plan,
        bench.client,
        hear_and_keep(bench, "match", []),
        Somebody(),
        data_folder=bench.folder / "data",
    )
    path, kept = kept_in(bench.folder / "sound")
    trails = sorted((bench.folder / "data" / "trails").iterdir())

    assert path.name.endswith("-match-fjord-140.flac")
    assert (kept.command, kept.cooler, kept.bench) == ("match", "Fjord 140", "simulated")
    assert [stretch.what for stretch in kept.stretches] == [
        "match of Fjord 140, 40db",
        "match of Fjord 140, 36db",
    ]
    for stretch, trail, document in zip(kept.stretches, trails, series.documents(), strict=True):
        (part,) = document.coolers
        last = [each for each in kept.settings if each.end_s <= stretch.end_s][-1]
        heard = heard_in(trail, stretch.start_s)
        listened = [levels for begin_s, _, levels in heard if begin_s >= last.steady_from_s]
        live_db = 10 * np.log10(np.mean(10 ** (np.concatenate(listened) / 10)))
        again = analyse_file(path, AnalysisRequest(start_s=last.steady_from_s, end_s=last.end_s))

        assert part.outcome == "matched"
        assert last.end_s == stretch.end_s == heard[-1][1]
        assert last.end_s - last.steady_from_s >= 6.0
        fan = part.settings["fan"]
        assert last.actuators["fan"].duty_percent == fan.duty_percent
        assert last.actuators["fan"].rpm == pytest.approx(fan.rpm, rel=0.01)
        assert again.levels.LAeq_db == pytest.approx(live_db, abs=0.01)


def test_a_match_on_a_full_disk_comes_to_its_end(bench, monkeypatch):
    """The settings are what they would be, and carry the sentence that was said."""
    real_open = Path.open

    def small(path, mode="r", **more):
        if path.suffix == ".flac" and mode == "xb":
            return SmallDisk(path, 500_000)
        return real_open(path, mode, **more)

    monkeypatch.setattr(Path, "open", small)
    said = []
    plan = SeriesPlan(("Fjord 140",), requests(40), bench.folder / "fjord.json")
    series = run_series(
        plan,
        bench.client,
        hear_and_keep(bench, "match", said),
        Somebody(),
        data_folder=bench.folder / "data",
    )
    (part,) = series.documents()[0].coolers
    path, kept = kept_in(bench.folder / "sound")

    assert part.outcome == "matched"
    full, _ = said
    assert "No space left on device" in full
    assert full in part.warnings
    assert kept.warnings == [full]
    assert analyse_file(path, AnalysisRequest()).duration_s == pytest.approx(kept.duration_s)


def test_a_folder_that_is_gone_later_is_only_said(tmp_path):
    """In the middle of a series nothing kept is no reason to stop; at its beginning it is."""
    (tmp_path / "file").touch()
    request = KeepRequest(tmp_path / "file", "flac", "match")
    source = SimulatedSource(Plant(Cooler("nothing", {}), seed=5))
    said = []
    with pytest.raises(StorageError), keep_sound(source, request, tell=said.append):
        pass
    with keep_sound(source, request, insist=False, tell=said.append) as keeping:
        keeping.know([CALIBRATION])
        with keeping.measuring("anything"):
            heard = keeping.source.read(4800)

    assert len(heard.signal.samples) == 4800
    assert said == keeping.warnings()
    assert len(said) == 1
