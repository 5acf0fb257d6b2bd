"""Bringing a database up to date before it is used, with a copy of what it was."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect

from service.clock import utc_now
from service.errors import StorageError
from service.storage.database import Database
from service.storage.database_errors import storage_errors
from service.storage.files import replacement_of

__all__ = ["MIGRATIONS", "VERSION_TABLE", "bring_up_to_date", "revision_of"]

MIGRATIONS: Final = Path(__file__).parent / "migrations"
"""Where the steps stand."""
VERSION_TABLE: Final = "evenhush_version"
"""Table that says which of them a database has gone through."""


def bring_up_to_date(database: Database, migrations: Path = MIGRATIONS) -> Path | None:
    """Make the tables, or change them to what this version needs; all of it or nothing.

    Parameters
    ----------
    database : Database
        The database; nobody has written to it yet.
    migrations : Path, optional
        Where the steps stand.

    Returns
    -------
    Path or None
        The copy of an SQLite file from before an upgrade; None where none was due.

    Raises
    ------
    StorageError
        If it belongs to something else, comes from a newer version, or the database fails.
    """
    config = Config()
    config.set_main_option("script_location", str(migrations).replace("%", "%%"))
    steps = ScriptDirectory.from_config(config)
    with storage_errors(database.name):
        with database.writing_engine.connect() as connection:
            current = revision_of(connection)
            tables = inspect(connection).get_table_names() if current is None else []
        newest = steps.get_current_head()
        if current == newest:
            return None
        _check_ours(database, current, tables, {step.revision for step in steps.walk_revisions()})
        copy = None if current is None else _copy_of(database, str(newest))
        _upgrade(database, config)
    return copy


def revision_of(connection: Connection) -> str | None:
    """Return which step a database has come to; None for none."""
    context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
    return context.get_current_revision()


def _check_ours(
    database: Database, current: str | None, tables: list[str], known: set[str]
) -> None:
    """Refuse a database that this version must not touch."""
    if current is None and database.file is not None and tables:
        raise StorageError(f"{database.name} is the database of something else; name another file.")
    if current is not None and current not in known:
        raise StorageError(
            f"The database {database.name} was written by a newer version of Evenhush "
            f"({current}); install that version, or name another database."
        )


def _copy_of(database: Database, newest: str) -> Path | None:
    """Copy an SQLite file, also while it is being used."""
    if database.file is None:
        return None
    stamp = f"{utc_now():%Y%m%dT%H%M%SZ}"
    path = database.file.with_name(f"{database.file.stem}-before-{newest}-{stamp}.db")
    with (
        replacement_of(path) as file,
        closing(sqlite3.connect(database.file)) as source,
        closing(sqlite3.connect(file.name)) as copy,
    ):
        source.backup(copy)
    return path


def _upgrade(database: Database, config: Config) -> None:
    """Go through all steps that are left, in one transaction."""
    engine = database.writing_engine
    if database.file is None:
        with engine.begin() as connection:
            _go(connection, config)
        return
    # A table that is copied leaves the ones that refer to it alone only with the rule switched
    # off, which works only outside of a transaction.
    with engine.connect() as connection:
        raw = connection.connection.dbapi_connection
        assert isinstance(raw, sqlite3.Connection)  # noqa: S101 - for the type checker
        connection.rollback()
        raw.execute("PRAGMA foreign_keys=OFF").close()
        try:
            with connection.begin():
                _go(connection, config)
                if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
                    raise StorageError(
                        f"The upgrade of {database.name} would leave entries without what they "
                        "refer to, so nothing was changed; run 'evenhush data check'."
                    )
        finally:
            raw.execute("PRAGMA foreign_keys=ON").close()


def _go(connection: Connection, config: Config) -> None:
    """Go through the steps; another program that came first may have left none."""
    config.attributes["connection"] = connection
    config.attributes["version_table"] = VERSION_TABLE
    command.upgrade(config, "head")
