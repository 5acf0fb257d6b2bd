"""An archive can be moved as a whole, into the other database too, and merged into another."""

import hashlib
import json
import shutil
import zipfile
from datetime import timedelta

import kept_documents as draw
import numpy as np
import pytest
from kept_documents import INPUT, NOON
from sqlalchemy import text

from service.documents.cooler import CoolerDocument
from service.errors import DocumentError, StorageError
from service.storage.archive import Archive
from service.storage.exporting import export_archive
from service.storage.importing import import_archive
from service.storage.tables import Base

DAY = timedelta(days=1)


def rows_in(archive):
    """Read everything in the database."""
    with archive.database.reading() as session:
        return {
            table: sorted(draw.rows_of(session.connection(), table), key=json.dumps)
            for table in Base.metadata.tables
        }


def files_in(archive):
    """Hash everything in the data folder but the database and what describes sound."""
    return {
        path.relative_to(archive.files.folder).as_posix(): hashlib.sha256(
            path.read_bytes()
        ).hexdigest()
        for path in archive.files.folder.rglob("*")
        if path.is_file() and not path.name.startswith("evenhush.db") and path.suffix != ".json"
    }


@pytest.fixture(scope="module")
def one_made_before(tmp_path_factory):
    """Fill an archive with two days, once for all tests, and export it."""
    folder = tmp_path_factory.mktemp("made")
    rng = np.random.default_rng(4711)
    with Archive(folder / "from") as archive:
        draw.fill(archive, rng)
        draw.fill(archive, rng, start=NOON + DAY)
        export_archive(archive, folder / "export")
    return folder


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """Open an archive that nothing gets into."""
    with Archive(tmp_path_factory.mktemp("untouched")) as archive:
        yield archive


@pytest.fixture
def filled(one_made_before, tmp_path):
    """Open the archive that was filled."""
    shutil.copytree(one_made_before / "from", tmp_path / "from")
    with Archive(tmp_path / "from") as archive:
        yield archive


@pytest.fixture
def exported(one_made_before, tmp_path):
    """Give its export, to be changed at will."""
    shutil.copytree(one_made_before / "export", tmp_path / "export")
    return tmp_path / "export"


@pytest.mark.parametrize("name", ["export", "export.zip"])
def test_an_empty_archive_becomes_the_same(filled, archive, tmp_path, name):
    """Every row and file is the same after a way through either form into either database."""
    counts = export_archive(filled, tmp_path / name)
    came = import_archive(archive, tmp_path / name)

    assert rows_in(archive) == rows_in(filled)
    assert files_in(archive) == files_in(filled)
    assert {kind: count.added for kind, count in came.items()} == counts
    assert counts["matches"] == counts["level_minutes"] == 2
    export_archive(archive, tmp_path / "again")
    for path in (tmp_path / "again").rglob("*.jsonl"):
        with _part(tmp_path / name, path.relative_to(tmp_path / "again").as_posix()) as part:
            assert path.read_bytes() == part.read()


def _part(place, name):
    """Open a part of either form."""
    return zipfile.ZipFile(place).open(name) if place.is_file() else (place / name).open("rb")


def test_sound_gets_back_what_stands_beside_it(exported, archive):
    """The document beside a sound is written anew where it went."""
    import_archive(archive, exported)

    (record, *_) = archive.sounds.list().items
    beside = archive.sounds.path_of(record.id).with_suffix(".json")
    assert beside.read_text() == archive.sounds.get(record.id).document.to_json()


def test_nothing_comes_twice(exported, archive):
    """An export that is taken in again, also beside newer entries, adds nothing."""
    import_archive(archive, exported)
    draw.fill(archive, np.random.default_rng(1), start=NOON + 2 * DAY)
    before, files = rows_in(archive), files_in(archive)

    came = import_archive(archive, exported)

    assert rows_in(archive) == before
    assert files_in(archive) == files
    assert {(count.added, count.replaced) for count in came.values()} == {(0, 0)}


def test_two_archives_become_one(exported, archive):
    """Entries of both are there, and drift is told along both together."""
    own = draw.calibration(np.random.default_rng(7), NOON + DAY / 2)
    key = archive.calibrations.add(own)
    draw.fill(archive, np.random.default_rng(8), start=NOON + 3 * DAY)

    import_archive(archive, exported)

    trend = archive.calibrations.trend(INPUT)
    assert [each.time for each in trend] == [NOON + n * DAY for n in (0, 0.5, 1, 3)]
    assert trend[1].id == key
    assert trend[1].drift_db == pytest.approx(
        20 * np.log10(trend[0].pascal_per_unit / own.pascal_per_unit)
    )
    assert len(archive.matches.list().items) == 3
    assert len(archive.coolers.list().items) == 1
    level_starts = archive.levels.trend(INPUT, NOON, NOON + 4 * DAY, points=5760).start_s
    assert [(start - NOON.timestamp()) / DAY.total_seconds() for start in level_starts] == [0, 1, 3]


def test_the_later_state_of_what_can_change_stays(filled, exported, archive, tmp_path):
    """A description or a drift that was entered later wins, whichever way it is brought."""
    import_archive(archive, exported)
    archive.coolers.describe(CoolerDocument(cooler="Fjord 140", blades=9))
    kept = archive.matches.get(archive.matches.list().items[0].id)
    chain = kept.document.chain.model_copy(update={"drift_db": 0.1})
    archive.matches.close_chain(kept.record.id, kept.document.model_copy(update={"chain": chain}))

    assert import_archive(archive, exported)["coolers"].known == 1
    export_archive(archive, tmp_path / "later")
    came = import_archive(filled, tmp_path / "later")

    assert (came["coolers"].replaced, came["matches"].replaced) == (1, 1)
    for each in (filled, archive):
        assert each.coolers.get(each.coolers.id_of("Fjord 140")).document.blades == 9
        assert each.matches.get(kept.record.id).record.drift_db == 0.1


def test_jobs_of_another_lab_do_not_start_here(exported, archive):
    """What waited elsewhere is interrupted, unless the archive has no jobs of its own yet."""
    own = archive.jobs.add(kind="floor", request={}, who="here")
    import_archive(archive, exported)

    assert archive.jobs.waiting() == (own,)
    others = [job for job in archive.jobs.list().items if job.id != own.id]
    assert {job.state for job in others} == {"interrupted"}
    assert all(job.ended is not None and job.why for job in others)


def test_another_file_of_the_same_name_is_left_alone(exported, archive):
    """A file that stands where another should go stays, and the other gets a name of its own."""
    import_archive(archive, exported)
    (newest, *_) = archive.sounds.list().items
    path = archive.sounds.path_of(newest.id)
    archive.sounds.forget(newest.id)
    path.write_bytes(b"something else")

    import_archive(archive, exported)

    (again, *_) = archive.sounds.list().items
    assert again.id == newest.id
    assert again.path == newest.path.replace(".flac", "-2.flac")
    assert path.read_bytes() == b"something else"
    assert hashlib.sha256(archive.sounds.path_of(again.id).read_bytes()).hexdigest() == again.sha256


def test_a_missing_file_is_told_and_left_out(filled, archive, tmp_path):
    """An archive that lacks a file can be moved all the same, and lacks it afterwards."""
    (sound, *_) = filled.sounds.list().items
    filled.sounds.path_of(sound.id).unlink()
    told = []

    export_archive(filled, tmp_path / "export", tell=told.append)
    import_archive(archive, tmp_path / "export")

    assert told == [f"{sound.path} is missing or cannot be read, and is left out"]
    assert rows_in(archive) == rows_in(filled)
    assert not archive.sounds.path_of(sound.id).exists()


def change(place, name, edit, *, list_it=True):
    """Change a part of an export, and what its list says of it."""
    path = place / name
    path.write_bytes(edit(path.read_bytes()))
    if list_it:
        about = json.loads((place / "about.json").read_text())
        data = path.read_bytes()
        about["parts"][name] = {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        (place / "about.json").write_text(json.dumps(about))


def replaced(old, new):
    """Return an edit."""
    return lambda data: data.replace(old, new)


DAMAGE = (
    ("matches.jsonl", replaced(b"40.0", b"41.0"), False, "is not what was written there"),
    ("rechecks.jsonl", lambda data: data[:-20], False, "Line 2 of rechecks.jsonl .* not JSON"),
    ("matches.jsonl", replaced(b'"fan_rpm": ', b'"fan_rpm": 1'), True, "another fan_rpm than"),
    ("matches.jsonl", replaced(b'"outcome"', b'"out"'), True, "matches.jsonl .* lacks outcome"),
    ("floor_checks.jsonl", replaced(b"floor/1", b"flaw/1"), True, "is no room floor: schema"),
    ("jobs.jsonl", replaced(b'"position": 0', b'"position": "0"'), True, "position of Line [12]"),
    ("events.jsonl", replaced(b"Z", b""), True, "does not say its time zone"),
    ("events.jsonl", replaced(b"2026-", b"26-"), True, "time of Line 1 .* is no time"),
    ("events.jsonl", lambda _: b"[]\n", True, "Line 1 of events.jsonl .* is no JSON object"),
    ("events.jsonl", replaced(b'"id": "', b'"id": "x'), True, "has no id of 32 hexadecimal"),
    ("coolers.jsonl", replaced(b"Fjord 140", b"Fjord 150"), True, "not of its name"),
    ("coolers.jsonl", lambda _: b"", True, "refers to what is neither there nor"),
    ("sounds.jsonl", replaced(b"sounds/", b"../sounds/"), True, "is no file of the archive"),
    ("sounds.jsonl", replaced(b"sounds/", b"models/"), True, "neither in sounds nor in trails"),
    ("level_series.jsonl", replaced(b'"db"', b'"phon"'), True, "levels in 'phon'"),
    ("level_series.jsonl", replaced(b"20.0, ", b""), True, "is not as its list says"),
    ("level_minutes.jsonl", replaced(b"12:00:00", b"12:00:30"), True, "no minute of levels"),
    ("level_minutes.jsonl", replaced(b'"series": 1', b'"series": 9'), True, "no minute of"),
    ("level_minutes.jsonl", replaced(b'"series": ', b'"s": '), True, "no minute of levels"),
    ("levels/1-2026-05-05.i16", lambda data: data[1:], True, "ends too early"),
    ("levels/1-2026-05-05.i16", lambda data: data[::-1], False, "is not what was written"),
    ("sounds/20260505T120000-match.flac", lambda data: data[:9], False, "is not what was"),
    ("about.json", lambda _: b"{}", False, "is no export of the form"),
    ("about.json", lambda _: b"}", False, "no readable about.json"),
    ("about.json", replaced(b'"parts"', b'"bits"'), False, "lists no parts"),
    ("about.json", replaced(b'"events.jsonl"', b'"../events.jsonl"'), False, "lists no parts"),
    ("about.json", replaced(b'"events.jsonl"', b'"other.jsonl"'), False, "lacks events.jsonl"),
)


@pytest.mark.parametrize("damage", DAMAGE, ids=lambda damage: damage[3])
def test_of_a_damaged_export_nothing_is_taken(exported, untouched, damage):
    """Whatever is wrong is one sentence, and neither the database nor a folder has changed."""
    name, edit, list_it, words = damage
    change(exported, name, edit, list_it=list_it)
    with pytest.raises((DocumentError, StorageError), match=words):
        import_archive(untouched, exported)

    assert [table for table, rows in rows_in(untouched).items() if rows] == []
    assert files_in(untouched) == {}


def test_what_is_no_export_is_one_sentence(archive, tmp_path):
    """A missing place, a letter and a damaged zip file are told."""
    (tmp_path / "letter.txt").write_text("Dear all")
    (tmp_path / "folder").mkdir()
    for place in ("nowhere", "letter.txt", "folder"):
        with pytest.raises(
            DocumentError, match=f"{place} (is neither a folder nor|holds no readab)"
        ):
            import_archive(archive, tmp_path / place)


def test_a_damaged_zip_file_is_one_sentence(filled, untouched, tmp_path):
    """A bit that fell over anywhere in a part of a zip file is found, whatever it does there."""
    place = tmp_path / "export.zip"
    export_archive(filled, place)
    whole = place.read_bytes()
    with zipfile.ZipFile(place) as listed:
        part = listed.getinfo("matches.jsonl")
    begin = part.header_offset + 80  # behind its name
    for offset in range(begin, part.header_offset + part.compress_size, 23):
        data = bytearray(whole)
        data[offset] ^= 1 << offset % 8
        place.write_bytes(data)
        with pytest.raises(DocumentError, match=r"matches\.jsonl in "):
            import_archive(untouched, place)
    assert untouched.events.list().items == ()
    assert files_in(untouched) == {}


def test_nothing_is_overwritten_by_an_export(filled, tmp_path):
    """Where something stands already, nothing is written."""
    (tmp_path / "export.zip").write_text("mine")
    (tmp_path / "export").mkdir()
    for name in ("export.zip", "export"):
        with pytest.raises(StorageError, match="is there already; choose another name"):
            export_archive(filled, tmp_path / name)

    assert (tmp_path / "export.zip").read_text() == "mine"
    assert list((tmp_path / "export").iterdir()) == []


def test_an_export_that_fails_leaves_nothing(filled, tmp_path, monkeypatch):
    """A full disk in the middle of an export leaves no part of it."""

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("service.storage.exporting._write_files", fail)
    for name in ("export.zip", "export"):
        with pytest.raises(StorageError, match="No space left on device"):
            export_archive(filled, tmp_path / name)
    assert {path.name for path in tmp_path.iterdir()} == {"from"}


def test_an_import_that_cannot_be_confirmed_leaves_no_file(exported, tmp_path):
    """Files that came go again when the database refuses to confirm at the very end."""
    with Archive(tmp_path / "to") as archive:

        def shrink(session):
            pages = session.execute(text("PRAGMA page_count")).scalar_one()
            session.execute(text(f"PRAGMA max_page_count = {pages + 2}"))

        archive.database.write(shrink).result()
        with pytest.raises(StorageError, match="no room left"):
            import_archive(archive, exported)

        assert files_in(archive) == {}


def test_an_import_can_be_interrupted(exported, tmp_path):
    """Ctrl-C while it waits undoes all of it before it is answered."""
    with Archive(tmp_path / "to") as archive:

        def interrupt(_share):
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            import_archive(archive, exported, progress=interrupt)
        assert archive.events.list().items == ()
        assert files_in(archive) == {}


def test_fields_of_a_later_version_are_left_out(exported, archive, filled):
    """An export may carry more than this version knows."""
    change(exported, "events.jsonl", replaced(b'"who"', b'"mood": "calm", "who"'))
    shutil.copy(exported / "events.jsonl", exported / "unknown.jsonl")

    import_archive(archive, exported)

    assert archive.events.list() == filled.events.list()
