"""Several targets and several coolers in a row on a simulated bench, and going on after a break."""

import json
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from bench_doubles import HandClock

from calibration.goal import LoudnessTarget
from calibration.results import FloorReading, MatchRequest
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.documents.calibration import CalibrationDocument, CalibrationTone
from service.errors import CaptureError, SettingsError
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.simulation.truth import cooler_level_db
from service.wiring.match_series import Hearing, run_series
from service.wiring.series_plan import SeriesPlan

CALIBRATION = CalibrationDocument(
    accepted=True,
    pascal_per_unit=6.4,
    rate_hz=48_000,
    tone=CalibrationTone(
        frequency_hz=1000.0,
        level_dbfs=-20.0,
        stability_db=0.01,
        distortion_percent=0.1,
        signal_to_noise_db=60.0,
    ),
    U95_db=0.3,
    time=datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC),
    reasons=[],
    input="simulated:south",
    channel=1,
)
FLOOR = FloorReading(26.17, 0.3)


class Somebody:
    """A person who mounts a number of coolers, and remembers what was said."""

    def __init__(self, mounts=0):
        self.left, self.said, self.asked = mounts, [], []

    def tell(self, text):
        """Remember a remark."""
        self.said.append(text)

    def mounts(self, cooler):
        """Mount it, as long as there is time."""
        self.asked.append(cooler)
        self.left -= 1
        return self.left >= 0


class PullsTheCable(Somebody):
    """A person who pulls the microphone's cable some time after a remark."""

    def __init__(self, source, *, when, after_s):
        super().__init__()
        self.source, self.when, self.after_s = source, when, after_s

    def tell(self, text):
        """Remember a remark, and pull the cable after the right one."""
        super().tell(text)
        if self.when in text and self.source.fails_after_s is None:
            self.source.fails_after_s = self.after_s


class CountedBench(BenchClient):
    """A connection that counts how often the lease is taken."""

    leases = 0

    def acquire(self, holder):
        """Count it."""
        super().acquire(holder)
        self.leases += 1


class FailingSource(SimulatedSource):
    """A microphone whose cable is pulled after a time."""

    fails_after_s = None

    def read(self, frames):
        """Read, or fail."""
        if self.fails_after_s is not None:
            self.fails_after_s -= frames / self.rate_hz
            if self.fails_after_s < 0:
                raise CaptureError("The cable was pulled.")
        return super().read(frames)


class Bench:
    """A simulated bench over HTTP with everything that a series needs."""

    def __init__(self, folder, **surroundings):
        self.folder = folder
        self.plant = Plant(COOLERS["Fjord 140"], seed=4, **surroundings)
        self.guard = BenchGuard(SimulatedBench(self.plant), clock=HandClock())
        self.client = None
        self.source = FailingSource(self.plant, name="simulated:south")

    @contextmanager
    def hear(self):
        """Give the input."""
        yield Hearing(self.source, CALIBRATION)

    def run(self, plan, somebody=None, **more):
        """Run a series."""
        return run_series(
            plan,
            self.client,
            self.hear,
            somebody or Somebody(),
            data_folder=self.folder / "data",
            **more,
        )


@pytest.fixture
def bench(tmp_path):
    """Serve the bench."""
    found = Bench(tmp_path)
    with BenchServer(found.guard) as server:
        found.client = CountedBench(server.url)
        try:
            yield found
        finally:
            found.client.close()


def requests(*targets_db):
    """Ask for levels."""
    return tuple(MatchRequest(float(level_db), 0.3, floor=FLOOR) for level_db in targets_db)


def test_targets_are_reached_under_one_lease_and_told_in_the_order_asked(bench):
    """Loud ones go first, one that cannot be reached ends nothing, and each has its own files."""
    somebody = Somebody()
    out = bench.folder / "fjord.json"

    series = bench.run(SeriesPlan(("Fjord 140",), requests(36, 80, 40.5), out), somebody)

    documents = series.documents()
    assert [document.target.LAeq_db for document in documents] == [36, 80, 40.5]
    outcomes = [document.coolers[0].outcome for document in documents]
    assert outcomes == ["matched", "quieter-at-full-speed", "matched"]
    for document in (documents[0], documents[2]):
        duties = {n: s.duty_percent for n, s in document.coolers[0].settings.items()}
        true_db = cooler_level_db(bench.plant.cooler, duties)
        assert true_db == pytest.approx(document.target.LAeq_db, abs=0.35)
    assert [text for text in somebody.said if "going for" in text] == [
        f"Fjord 140: going for {words}" for words in ("80db", "40.5db", "36db")
    ]
    assert bench.client.leases == 1
    assert bench.guard.state().control == "own"
    assert {path.name for path in bench.folder.glob("fjord*")} == {
        f"fjord-{target}.{ending}"
        for target in ("36db", "80db", "40.5db")
        for ending in ("json", "csv", "png", "svg", "trail.jsonl")
    }


def test_later_targets_start_from_what_the_earlier_ones_heard(bench):
    """The trail of the second holds the settings of the first, and the floor that was heard."""
    asked = tuple(replace(request, floor=None) for request in requests(42, 38))

    bench.run(SeriesPlan(("Fjord 140",), asked))

    first, second = sorted((bench.folder / "data" / "trails").iterdir())
    headers = [json.loads(path.read_text().splitlines()[0]) for path in (first, second)]
    assert headers[0]["learned"] is None
    assert headers[0]["request"]["floor"] is None
    assert len(headers[1]["learned"]["settings"]) >= 2
    assert headers[1]["request"]["floor"]["level_db"] == pytest.approx(26.2, abs=0.6)


def test_coolers_are_mounted_one_after_another(bench):
    """The bench is handed back in between, and one document holds all of them."""
    controls = []
    somebody = Somebody(mounts=1)
    before = somebody.mounts
    somebody.mounts = lambda cooler: controls.append(bench.guard.state().control) or before(cooler)

    series = bench.run(
        SeriesPlan(("North one", "South one"), requests(40), bench.folder / "both.json"), somebody
    )

    (document,) = series.documents()
    written = json.loads((bench.folder / "both.json").read_text())
    assert somebody.asked == ["South one"]
    assert controls == ["own"]
    assert bench.client.leases == 2
    assert [part.cooler for part in document.coolers] == ["North one", "South one"]
    assert [part["cooler"] for part in written["coolers"]] == ["North one", "South one"]
    assert len(written["differences"]) == 1
    assert (bench.folder / "both-north-one.trail.jsonl").exists()
    assert (bench.folder / "both-south-one.trail.jsonl").exists()


def test_when_nobody_mounts_the_next_cooler_the_same_command_goes_on_there(bench):
    """What was done is written at once, and not repeated the second time."""
    plan = SeriesPlan(("North one", "South one"), requests(40), bench.folder / "both.json")

    first = bench.run(plan)
    written = json.loads((bench.folder / "both.json").read_text())
    somebody = Somebody(mounts=1)
    second = bench.run(plan, somebody)

    assert first.targets_left("South one") == [0]
    assert [part["cooler"] for part in written["coolers"]] == ["North one"]
    assert any("not repeated" in text for text in somebody.said)
    assert bench.client.leases == 2
    north, south = second.documents()[0].coolers
    assert north.model_dump(mode="json") == written["coolers"][0]
    assert south.outcome == "matched"


@pytest.mark.parametrize("fresh", [False, True])
def test_a_run_that_broke_off_goes_on_with_what_it_had_heard(bench, fresh):
    """After a pulled cable the finished target stays and the other starts from what is known."""
    plan = SeriesPlan(("Fjord 140",), requests(42, 38), bench.folder / "fjord.json")
    trails = bench.folder / "data" / "trails"
    with pytest.raises(CaptureError):
        bench.run(plan, PullsTheCable(bench.source, when="going for 38db", after_s=5.0))
    written = {path.name for path in bench.folder.glob("*.json")}
    before = set(trails.iterdir())
    control = bench.guard.state().control
    bench.source.fails_after_s = None
    somebody = Somebody()

    series = bench.run(plan, somebody, fresh=fresh)

    assert written == {"fjord-42db.json"}
    assert control == "own"
    assert [len(document.coolers) for document in series.documents()] == [1, 1]
    added = sorted(set(trails.iterdir()) - before)
    headers = [json.loads(path.read_text().splitlines()[0]) for path in added]
    if fresh:
        assert len(added) == 2
        assert headers[0]["learned"] is None
        assert not any("broke off" in text for text in somebody.said)
    else:
        assert len(added) == 1
        assert headers[0]["request"]["target_db"] == 38.0
        assert headers[0]["learned"]["settings"]
        assert sum("broke off" in text for text in somebody.said) == 2


def test_half_a_line_at_the_end_of_a_trail_does_no_harm(bench):
    """A machine that lost its power in the middle of writing leaves a trail to go on from."""
    plan = SeriesPlan(("Fjord 140",), requests(42))
    with pytest.raises(CaptureError):
        bench.run(plan, PullsTheCable(bench.source, when="going to", after_s=3.0))
    (trail,) = (bench.folder / "data" / "trails").iterdir()
    trail.write_bytes(trail.read_bytes()[:-7])
    bench.source.fails_after_s = None
    somebody = Somebody()

    series = bench.run(plan, somebody)

    assert series.documents()[0].coolers[0].outcome == "matched"
    assert any("setting(s) is used" in text for text in somebody.said)


def test_a_finished_series_is_done_anew(bench):
    """Only what broke off is gone on with: after a whole run the same command starts anew."""
    plan = SeriesPlan(("Fjord 140",), requests(40), bench.folder / "fjord.json")
    bench.run(plan)
    bench.run(plan)

    trails = sorted((bench.folder / "data" / "trails").iterdir())
    assert len(trails) == 2
    assert json.loads(trails[1].read_text().splitlines()[0])["learned"] is None
    assert list((bench.folder / "data" / "series").iterdir()) == []


def test_a_safety_stop_ends_the_whole_series(tmp_path):
    """After one the bench is left alone: no further target, no further cooler."""
    bench = Bench(tmp_path, load_w=600.0)
    bench.plant.advance(600.0)
    somebody = Somebody(mounts=1)
    with BenchServer(bench.guard) as server:
        bench.guard.tick()
        bench.client = BenchClient(server.url)
        try:
            series = bench.run(SeriesPlan(("One", "Other"), requests(42, 38)), somebody)
        finally:
            bench.client.close()

    (stopped,) = [part for document in series.documents() for part in document.coolers]
    assert stopped.outcome == "stopped"
    assert somebody.asked == []


def test_names_and_targets_that_would_share_a_file_are_refused():
    """Twice the same cooler or target is a slip of the pen, said before anything is set."""
    with pytest.raises(SettingsError, match="'north ONE'"):
        SeriesPlan(("north ONE", "North one"), requests(40))
    with pytest.raises(SettingsError, match="40db"):
        SeriesPlan(("One",), requests(40, 40))


def test_files_of_each_target_have_it_in_their_name(tmp_path):
    """One target leaves the name as it is; dots and a missing ending do no harm."""
    sones = tuple(MatchRequest(None, 0.3, loudness=LoudnessTarget(n)) for n in (2.0, 1.5))

    assert SeriesPlan(("One",), requests(40)).paths(tmp_path / "a") == [tmp_path / "a"]
    assert SeriesPlan(("One",), sones).paths(tmp_path / "a.json") == [
        tmp_path / "a-2sone.json",
        tmp_path / "a-1.5sone.json",
    ]
    assert SeriesPlan(("One",), requests(37.5, 40)).paths(tmp_path / "a")[0] == (
        tmp_path / "a-37.5db.json"
    )
