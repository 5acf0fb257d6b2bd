"""Archives on both databases: SQLite in a file, PostgreSQL on a private server."""

import os
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import numpy as np
import psycopg
import pytest

from service.storage.archive import Archive
from service.storage.tables import Base

_START_S = 30.0
_AS_EVERYWHERE = ["-A", "trust", "-U", "evenhush", "--no-sync", "-E", "UTF8", "--locale=C"]


def _programs():
    """Folder with the programs of PostgreSQL, newest first where there are several."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)
    named = shutil.which("initdb")
    if named:
        found.append(Path(named))
    return found[0].parent if found else None


def _as_somebody():
    """Return how to start a program that refuses to be run by root."""
    if os.name == "nt" or os.geteuid() != 0:
        return [], None
    return ["runuser", "-u", "postgres", "--"], "postgres"


@pytest.fixture(scope="session")
def postgresql():
    """Run a private server that listens on a socket only; yields the folder of the socket."""
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL is not installed")
    prefix, owner = _as_somebody()
    with tempfile.TemporaryDirectory(prefix="pg", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        if owner:
            shutil.chown(folder, owner)
        subprocess.run(
            [*prefix, programs / "initdb", "-D", folder / "d", *_AS_EVERYWHERE],
            check=True,
            capture_output=True,
            cwd=folder,
        )
        control = [*prefix, programs / "pg_ctl", "-D", folder / "d", "-w"]
        options = f"-k {folder} -c listen_addresses='' -c fsync=off"
        subprocess.run(
            [*control, "-t", str(_START_S), "-l", folder / "log", "-o", options, "start"],
            check=True,
            stdout=subprocess.DEVNULL,
            cwd=folder,
        )
        yield folder
        subprocess.run(
            [*control, "-m", "immediate", "stop"], check=True, capture_output=True, cwd=folder
        )


@pytest.fixture(scope="session")
def numbers():
    """Count, for names that nothing else has."""
    return count()


@contextmanager
def _new_database(postgresql, numbers):
    """Make an empty database and drop it afterwards; yields its address."""
    name = f"lab{next(numbers)}"
    with psycopg.connect(host=str(postgresql), user="evenhush", dbname="postgres") as server:
        server.autocommit = True
        server.execute(f"CREATE DATABASE {name}")
        yield f"postgresql://evenhush@/{name}?host={postgresql}"
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def postgresql_url(postgresql, numbers):
    """Return the address of a new, empty database."""
    with _new_database(postgresql, numbers) as url:
        yield url


@pytest.fixture(scope="session")
def shared_postgresql_url(postgresql, numbers):
    """Return the address of a database that is emptied after each test, which is quicker."""
    with _new_database(postgresql, numbers) as url:
        yield url


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request):
    """Return what the configuration says: nothing, or the address of an empty database."""
    return None if request.param == "sqlite" else request.getfixturevalue("postgresql_url")


@pytest.fixture(params=["sqlite", "postgresql"])
def archive(request, tmp_path):
    """Open an empty archive on each database."""
    if request.param == "sqlite":
        with Archive(tmp_path / "data") as opened:
            yield opened
        return
    url = request.getfixturevalue("shared_postgresql_url")
    with Archive(tmp_path / "data", url) as opened:
        yield opened
    with psycopg.connect(url) as server:
        tables = ", ".join(Base.metadata.tables)
        server.execute(f"TRUNCATE {tables} RESTART IDENTITY")


@pytest.fixture
def rng():
    """Draw the same numbers every time."""
    return np.random.default_rng(4711)
