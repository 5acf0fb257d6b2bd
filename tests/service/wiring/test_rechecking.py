"""Rechecks on a simulated bench over HTTP, and the history they go into."""

import json
from contextlib import contextmanager

import pytest
from bench_doubles import HandClock
from series_doubles import CALIBRATION, Somebody

from calibration.results import FloorReading, MatchRequest
from service.bench.client import BenchClient
from service.bench.guard import BenchGuard
from service.bench.serving import BenchServer
from service.documents.matched_settings import MatchedSettingsDocument
from service.errors import DocumentError, SettingsError
from service.jobs.rechecking import cooler_history
from service.simulation.bench_hardware import SimulatedBench
from service.simulation.catalogue import COOLERS
from service.simulation.plant import Plant
from service.simulation.sound_source import SimulatedSource
from service.storage.rechecks import RecheckHistory
from service.wiring.match_series import Hearing, run_series
from service.wiring.rechecking import MatchedCooler, histories_of, read_matched, run_rechecks
from service.wiring.series_plan import SeriesPlan


@contextmanager
def simulated(name, seed):
    """Serve a cooler; yield the connection and its sound."""
    plant = Plant(COOLERS[name], seed=seed)
    with BenchServer(BenchGuard(SimulatedBench(plant), clock=HandClock())) as server:
        client = BenchClient(server.url)
        try:
            yield client, SimulatedSource(plant, name="simulated:south")
        finally:
            client.close()


@pytest.fixture(scope="module", params=["Fjord 140", "Lagoon 240"])
def matched(request, tmp_path_factory):
    """A cooler that was matched to two levels, and where its settings stand."""
    folder = tmp_path_factory.mktemp("matched")
    asked = tuple(MatchRequest(x, 0.3, floor=FloorReading(26.17, 0.3)) for x in (38.0, 42.0))
    with simulated(request.param, seed=4) as (client, source):

        @contextmanager
        def hear(_cooler):
            yield Hearing(source, CALIBRATION)

        plan = SeriesPlan((request.param,), asked, folder / "a.json")
        series = run_series(plan, client, hear, Somebody(), data_folder=folder / "data")
    return request.param, series.paths


def check_again(name, paths, data_folder, *, louder_db=0.0, somebody=None):
    """Check it on another day, with everything read louder by so much."""
    found = read_matched(paths)
    with simulated(name, seed=99) as (client, source):

        @contextmanager
        def hear(_cooler):
            yield Hearing(
                source,
                CALIBRATION.model_copy(update={"pascal_per_unit": 6.4 * 10 ** (louder_db / 20)}),
            )

        return run_rechecks(
            found, client, hear, somebody or Somebody(mounts=1), floor=None, data_folder=data_folder
        )


@pytest.mark.parametrize(("louder_db", "outcome"), [(0.0, "holds"), (1.0, "changed")])
def test_levels_hold_until_they_change(matched, tmp_path, louder_db, outcome):
    """Mounted again on another day both levels hold; 1 dB louder they do not."""
    name, paths = matched

    parts = check_again(name, paths, tmp_path, louder_db=louder_db)

    assert [part.outcome for part in parts] == [outcome] * 2
    assert parts[0].then.LAeq_db == pytest.approx(42.0, abs=0.3)
    assert parts[1].then.LAeq_db == pytest.approx(38.0, abs=0.3)
    for part in parts:
        assert part.difference_db == pytest.approx(louder_db, abs=part.difference_U95_db)
        assert part.difference_U95_db < 0.9
        rpm_then, rpm_now = part.settings_then["fan"].rpm, part.settings_now["fan"].rpm
        assert rpm_now == pytest.approx(rpm_then, rel=0.012)


def test_every_recheck_goes_into_the_history(matched, tmp_path):
    """A line each, whole, oldest first, with the scatter of the differences."""
    name, paths = matched
    parts = check_again(name, paths[:1], tmp_path)
    parts += check_again(name, paths[:1], tmp_path, louder_db=0.3)

    (history,) = histories_of(read_matched(paths), tmp_path)
    written = [part.model_dump(mode="json") for part in parts]
    assert [part.model_dump(mode="json") for part in history.rechecks] == written
    first, second = (part.difference_db for part in parts)
    assert history.repeatability_db == pytest.approx(abs(first - second) / 2**0.5, abs=1e-3)
    (file,) = (tmp_path / "rechecks").iterdir()
    assert [json.loads(line)["cooler"] for line in file.read_text().splitlines()] == [name] * 2


def test_settings_of_another_bench_are_refused_before_anything_moves(matched, tmp_path):
    """Levels hold only where they were heard."""
    name, paths = matched
    document = json.loads(paths[0].read_text())
    document["coolers"][0]["bench"] = "elsewhere"
    (tmp_path / "other.json").write_text(json.dumps(document))

    with pytest.raises(SettingsError, match="elsewhere"):
        check_again(name, [tmp_path / "other.json"], tmp_path)
    assert not (tmp_path / "rechecks").exists()


def test_each_cooler_is_mounted_once(matched, tmp_path):
    """Two coolers in three files: the settings of one are checked together, loud ones first."""
    name, paths = matched
    renamed = json.loads(paths[0].read_text())
    renamed["coolers"][0]["cooler"] = "Other"
    (tmp_path / "other.json").write_text(json.dumps(renamed))
    somebody = Somebody(mounts=1)

    parts = check_again(
        name, [paths[0], tmp_path / "other.json", paths[1]], tmp_path, somebody=somebody
    )

    assert [part.cooler for part in parts] == [name, name, "Other"]
    assert parts[0].then.LAeq_db > parts[1].then.LAeq_db
    assert somebody.asked == ["Other"]


def test_settings_without_a_level_have_nothing_to_check(matched, tmp_path):
    """A match that was refused gave no setting: that is said."""
    document = json.loads(matched[1][0].read_text())
    document["coolers"][0] |= {"settings": None, "level": None}
    (tmp_path / "none.json").write_text(json.dumps(document))

    with pytest.raises(DocumentError, match=r"none\.json gives no settings"):
        read_matched([tmp_path / "none.json"])


def test_a_damaged_history_is_named(matched, tmp_path):
    """The line that cannot be read is told, and nothing is added to it."""
    document = MatchedSettingsDocument.from_json(matched[1][0].read_text(), "it")
    settings = [MatchedCooler("it", document, document.coolers[0])]
    assert histories_of(settings, tmp_path) == [
        cooler_history(document.coolers[0].cooler, document.coolers[0].bench, [])
    ]
    (tmp_path / "rechecks").mkdir()
    cooler = document.coolers[0]
    path = RecheckHistory(tmp_path)._path(cooler.cooler, cooler.bench)
    path.write_text("{}\n")

    with pytest.raises(DocumentError, match="Line 1"):
        histories_of(settings, tmp_path)
