"""Whatever is damaged, missing or left over in an archive is found, and nothing else."""

import json
import sqlite3
from contextlib import closing

import kept_documents as draw
import pytest
from kept_documents import INPUT
from sqlalchemy import text

from service.documents.data_check import DataCheckDocument
from service.errors import DocumentError
from service.storage.archive import Archive
from service.storage.checking import check_archive, forget_missing


@pytest.fixture
def filled(archive, rng):
    """Fill an archive with something of every kind."""
    draw.fill(archive, rng)
    return archive


def found_in(archive):
    """Check; return what was found as kind and place."""
    return [(finding.kind, finding.what) for finding in check_archive(archive).findings]


def change(archive, statement, **values):
    """Change a database behind the archive's back."""
    archive.database.write(
        lambda session: session.execute(text(statement), values) and None
    ).result()


def test_a_whole_archive_has_nothing_wrong(filled):
    """Every entry and file is looked at and found as it should be, in steps that are told."""
    shares = []
    found = check_archive(filled, progress=shares.append)

    assert found.findings == []
    assert (sum(found.entries.values()), found.files) == (10, 2)
    assert shares == sorted(shares)
    assert DataCheckDocument.from_json(found.to_json(), "here") == found


def test_missing_damaged_and_left_over_files_are_found(filled):
    """Sound and trails are compared with what was written; other files are left over."""
    sound, match = filled.sounds.list().items[0], filled.matches.list().items[0]
    filled.sounds.path_of(sound.id).with_name("other.wav").write_bytes(b"x")
    filled.sounds.path_of(sound.id).with_suffix(".json").write_text("{}")
    filled.files.path_of(match.trail).unlink()
    with filled.sounds.path_of(sound.id).open("r+b") as file:
        file.write(b"!")

    assert sorted(found_in(filled)) == [
        ("damaged-file", sound.path),
        ("missing-file", match.trail),
        ("unknown-file", "sounds/other.wav"),
    ]


def test_what_is_missing_can_be_forgotten(filled):
    """Sound and trails that are gone are referred to no more, and nothing else changes."""
    sound, match = filled.sounds.list().items[0], filled.matches.list().items[0]
    filled.sounds.path_of(sound.id).unlink()
    filled.files.path_of(match.trail).unlink()

    assert forget_missing(filled, check_archive(filled).findings) == 2
    assert found_in(filled) == []
    assert filled.sounds.list().items == ()
    assert filled.matches.list().items[0].trail is None


def test_broken_documents_are_found(filled):
    """A document that is none, no JSON, or listed otherwise is named with its entry."""
    floor, match = filled.floors.list().items[0], filled.matches.list().items[0]
    (recheck,) = filled.rechecks.list().items
    for table, key in (("floor_checks", floor.id), ("rechecks", recheck.id)):
        change(filled, f"UPDATE {table} SET document = '{{}}' WHERE id = :key", key=key)  # noqa: S608
    change(filled, 'UPDATE matches SET "LAeq_db" = 12')

    assert found_in(filled) == [
        ("broken-document", f"floor_checks {floor.id}"),
        ("broken-document", f"matches {match.id}"),
        ("broken-document", f"rechecks {recheck.id}"),
    ]
    with pytest.raises(DocumentError, match=f"floor check {floor.id} in .* is no room floor"):
        filled.floors.get(floor.id)


def test_a_document_that_is_no_json_is_found(tmp_path, rng):
    """Half a document does not hinder the check, and is one sentence to everybody else."""
    with Archive(tmp_path) as archive:
        key = archive.floors.add(draw.floor(rng))
        change(archive, "UPDATE floor_checks SET document = substr(document, 1, 100)")

        assert found_in(archive) == [("broken-document", f"floor_checks {key}")]
        with pytest.raises(DocumentError, match="is damaged; run 'evenhush data check'"):
            archive.floors.get(key)


@pytest.mark.parametrize(
    "statement", ["UPDATE level_blocks SET levels = :short", "DELETE FROM level_minutes"]
)
def test_broken_levels_are_found(filled, statement):
    """A minute with too few levels, or without what it comes to, is found."""
    change(filled, statement, **({"short": b"12"} if ":short" in statement else {}))

    assert found_in(filled) == [("broken-levels", "level_series 1")]


def test_references_to_nothing_are_found(tmp_path, rng):
    """SQLite's own checks are part of it."""
    with Archive(tmp_path) as archive:
        archive.matches.add(draw.match(rng), source=INPUT)
    # A connection of its own does not watch references.
    with closing(sqlite3.connect(tmp_path / "evenhush.db")) as other, other:
        other.execute("DELETE FROM coolers")
    with Archive(tmp_path) as archive:
        assert found_in(archive) == [("damaged-database", str(tmp_path / "evenhush.db"))]


def test_a_damaged_file_is_found(tmp_path, rng):
    """Bytes that fell over in the middle of a database are found."""
    with Archive(tmp_path) as archive:
        for _ in range(30):
            archive.floors.add(draw.floor(rng))
    path = tmp_path / "evenhush.db"
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 9000] = bytes(rng.bytes(9000))
    path.write_bytes(data)

    with Archive(tmp_path) as archive:
        assert {kind for kind, _ in found_in(archive)} == {"damaged-database"}


def test_advice_is_given_with_everything(filled):
    """Each finding says in sentences what is wrong and what to do."""
    (sound,) = filled.sounds.list().items
    filled.sounds.path_of(sound.id).unlink()
    (finding,) = check_archive(filled).findings

    assert json.loads(check_archive(filled).to_json())["findings"][0]["kind"] == "missing-file"
    assert finding.why.endswith(".")
    assert "--forget-missing" in finding.advice
