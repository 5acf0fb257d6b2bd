"""Databases of every earlier version come up to date, whole and with all they hold."""

import json
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import kept_documents as draw
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from service.errors import StorageError
from service.storage.archive import Archive
from service.storage.database import Database, database_address
from service.storage.migrating import MIGRATIONS, VERSION_TABLE, bring_up_to_date, revision_of
from service.storage.tables import Base

KEPT = Path(__file__).parent / "kept_rows"
"""Rows of every table as each version kept them, a file a version."""
REVISIONS = sorted(path.name.split("_")[0][1:] for path in (MIGRATIONS / "versions").glob("r*.py"))

NEXT_STEP = '''
"""A later step, as it might be."""

import sqlalchemy as sa
from alembic import op

revision = "9999"
down_revision = "{newest}"


def upgrade():
    """Give coolers a colour, and let nobody be without one."""
    with op.batch_alter_table("coolers") as table:
        table.add_column(sa.Column("colour", sa.Text(), nullable=False, server_default="grey"))
    {more}
'''


@contextmanager
def database_of(tmp_path, url):
    """Open a database without bringing it up to date."""
    database = Database(database_address(url, tmp_path / "data"))
    try:
        yield database
    finally:
        database.close()


def upgrade_to(database, revision):
    """Make the tables of an earlier version."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with database.writing_engine.begin() as connection:
        config.attributes.update(connection=connection, version_table=VERSION_TABLE)
        command.upgrade(config, revision)


def put_back(connection, table, rows):
    """Put rows into a table of an earlier version."""
    kinds = {each["name"]: each["type"] for each in inspect(connection).get_columns(table)}
    names = ", ".join(f'"{name}"' for name in rows[0])
    places = ", ".join(f":{name}" for name in rows[0])
    insert = text(f"INSERT INTO {table} ({names}) VALUES ({places})")  # noqa: S608 - tables of ours
    for row in rows:
        values = dict(row)
        for name, value in row.items():
            if isinstance(value, dict | list):
                values[name] = json.dumps(value)
            elif kinds[name].python_type is bool:
                values[name] = bool(value)
            elif kinds[name].python_type is bytes:
                values[name] = bytes.fromhex(value)
        connection.execute(insert, values)


@pytest.fixture
def later_steps(tmp_path):
    """Return a function that puts a later step beside the real ones."""

    def make(more=""):
        folder = tmp_path / "steps"
        shutil.copytree(MIGRATIONS, folder, ignore=shutil.ignore_patterns("__pycache__"))
        step = NEXT_STEP.format(newest=REVISIONS[-1], more=more)
        (folder / "versions" / "r9999_later.py").write_text(step)
        return folder

    return make


def test_steps_follow_each_other():
    """The steps are one line, and files are named after them."""
    steps = list(ScriptDirectory(str(MIGRATIONS)).walk_revisions())

    assert [step.revision for step in reversed(steps)] == REVISIONS
    assert [step.down_revision for step in steps] == [*REVISIONS[-2::-1], None]


def test_new_tables_are_what_the_code_says(archive):
    """The steps together make exactly the tables of the code."""
    with archive.database.writing_engine.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"version_table": VERSION_TABLE, "compare_server_default": True}
        )
        assert compare_metadata(context, Base.metadata) == []
        assert revision_of(connection) == REVISIONS[-1]


@pytest.mark.parametrize("revision", REVISIONS)
def test_every_earlier_version_comes_up_to_date(tmp_path, database_url, revision):
    """What a version kept is there after the upgrade, in the tables of the code."""
    kept = json.loads((KEPT / f"{revision}.json").read_text())
    with database_of(tmp_path, database_url) as database:
        upgrade_to(database, revision)
        with database.writing_engine.begin() as connection:
            for table, rows in kept.items():
                put_back(connection, table, rows)

    with Archive(tmp_path / "data", database_url) as archive:
        with archive.database.reading() as session:
            for table, rows in kept.items():
                now = draw.rows_of(session.connection(), table)
                assert [{key: row[key] for key in rows[0]} for row in now] == rows
        with archive.database.writing_engine.connect() as connection:
            context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
            assert compare_metadata(context, Base.metadata) == []
        for kind in (archive.calibrations, archive.matches, archive.coolers, archive.sounds):
            (record,) = kind.list().items
            assert kind.get(record.id).record == record


def test_rows_are_kept_of_every_version_and_table():
    """Each version has its sample, and the newest one has rows in every table."""
    assert {path.stem for path in KEPT.glob("*.json")} == set(REVISIONS)
    newest = json.loads((KEPT / f"{REVISIONS[-1]}.json").read_text())
    assert {name for name, rows in newest.items() if rows} == set(Base.metadata.tables)


def test_a_file_is_copied_before_it_is_upgraded(tmp_path, later_steps, rng):
    """An SQLite file is copied whole before a step changes it; what is in it goes along."""
    with Archive(tmp_path / "data") as archive:
        assert archive.copy_before_upgrade is None
        draw.fill(archive, rng)
    with database_of(tmp_path, None) as database:
        copy = bring_up_to_date(database, later_steps())

        with database.reading() as session:
            assert session.execute(text("SELECT colour FROM coolers")).scalars().all() == ["grey"]
            assert session.execute(text("SELECT count(*) FROM matches")).scalar_one() == 1
            assert session.execute(text("PRAGMA foreign_key_check")).first() is None
    assert copy.name.startswith("evenhush-before-9999-")
    with Archive(tmp_path / "data", f"sqlite:///{copy}") as before:
        assert len(before.matches.list().items) == 1


def test_references_are_watched_after_an_upgrade(tmp_path, later_steps, rng):
    """The rule that upgrades switch off in SQLite is on again afterwards."""
    with Archive(tmp_path / "data") as archive:
        draw.fill(archive, rng)
    with database_of(tmp_path, None) as database:
        bring_up_to_date(database, later_steps())
        remove = text("DELETE FROM coolers")
        with pytest.raises(StorageError, match="FOREIGN KEY"):
            database.write(lambda session: session.execute(remove) and None).result()


@pytest.mark.parametrize(
    "more",
    [
        "op.execute(\"UPDATE matches SET cooler = 'nobody'\")",
        'op.execute("no statement")',
    ],
)
def test_a_step_that_fails_changes_nothing(tmp_path, later_steps, database_url, rng, more):
    """An upgrade that fails, or would leave references to nothing, is undone as a whole."""
    with Archive(tmp_path / "data", database_url) as archive:
        draw.fill(archive, rng)
    with database_of(tmp_path, database_url) as database:
        with pytest.raises(StorageError):
            bring_up_to_date(database, later_steps(more))
        with database.writing_engine.connect() as connection:
            assert revision_of(connection) == REVISIONS[-1]
            columns = {column["name"] for column in inspect(connection).get_columns("coolers")}
            assert "colour" not in columns
    with Archive(tmp_path / "data", database_url) as archive:
        assert archive.matches.list().items[0].cooler == "Fjord 140"


def test_a_newer_database_is_refused(tmp_path, later_steps, database_url):
    """A database that knows a later step is left alone, with a sentence."""
    with database_of(tmp_path, database_url) as database:
        bring_up_to_date(database, later_steps())
    with pytest.raises(StorageError, match=r"newer version of Evenhush \(9999\); install that"):
        Archive(tmp_path / "data", database_url)


def test_two_programs_that_start_at_once_make_the_tables_once(tmp_path, database_url):
    """The one that comes second finds everything done."""
    together = threading.Barrier(2)

    def start():
        with database_of(tmp_path, database_url) as database:
            together.wait(10)
            bring_up_to_date(database)

    with ThreadPoolExecutor(2) as threads:
        for started in [threads.submit(start) for _ in range(2)]:
            started.result()
    Archive(tmp_path / "data", database_url).close()
