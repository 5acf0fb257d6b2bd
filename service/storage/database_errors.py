"""The one border at which errors of the database libraries become sentences of ours."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from alembic.util import CommandError
from sqlalchemy.exc import DBAPIError, SQLAlchemyError, StatementError
from sqlalchemy.exc import TimeoutError as NoFreeConnection

from acoustic.errors import EvenhushError
from service.errors import StorageError

__all__ = ["storage_errors"]

_BUSY: Final = "is being written by another program for long; try again when that is done"
_SQLITE: Final = {
    sqlite3.SQLITE_BUSY: _BUSY,
    sqlite3.SQLITE_LOCKED: _BUSY,
    sqlite3.SQLITE_FULL: "has no room left on its disk; make room",
    sqlite3.SQLITE_READONLY: "may not be written to; check the rights of the file and its folder",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened; check that its folder exists and may be used",
    sqlite3.SQLITE_IOERR: "cannot be read or written, as its disk failed; check the disk",
    sqlite3.SQLITE_CORRUPT: "is damaged; bring back a copy, or export what can still be read",
    sqlite3.SQLITE_NOTADB: "is no database; name another one, or move the file away",
}
_POSTGRESQL: Final = {
    "55P03": _BUSY,
    "53100": "has no room left on its disk; make room",
    "25006": "may only be read; connect to the server that takes writes",
    "42501": "does not let this user work in it; grant the rights",
}
"""Sentences by the codes of the SQL standard and of PostgreSQL."""


@contextmanager
def storage_errors(where: str) -> Iterator[None]:
    """Turn what the database libraries raise into one sentence.

    Misuse of the libraries, which no user can help, stays what it is.

    Parameters
    ----------
    where : str
        The database, without a password.

    Yields
    ------
    None
        For the ``with`` block.

    Raises
    ------
    StorageError
        If the database fails.
    StatementError
        If a programmer asked for something impossible.
    """
    try:
        yield
    except (DBAPIError, NoFreeConnection, sqlite3.Error, CommandError) as error:
        raise StorageError(f"The database {where} {_what(error)}.") from error
    except StatementError as error:
        # What our own column types refuse comes wrapped.
        if isinstance(error.orig, EvenhushError):
            raise error.orig from error
        raise
    except ImportError as error:
        raise StorageError(
            "PostgreSQL needs a driver that is not installed; install it with "
            "pip install 'evenhush[postgres]'."
        ) from error


def _what(error: SQLAlchemyError | sqlite3.Error | CommandError) -> str:
    """Say what is the matter and what to do."""
    cause: BaseException = error
    if isinstance(error, DBAPIError) and error.orig is not None:
        cause = error.orig
    code = getattr(cause, "sqlite_errorcode", None)
    if isinstance(code, int) and code & 0xFF in _SQLITE:  # the rest says more of the same
        return _SQLITE[code & 0xFF]
    state = getattr(cause, "sqlstate", None)
    if isinstance(state, str) and state in _POSTGRESQL:
        return _POSTGRESQL[state]
    first = (str(cause).strip().splitlines() or [type(cause).__name__])[0].rstrip(".")
    if isinstance(error, NoFreeConnection):
        return "has no free connection; try again"
    if isinstance(error, DBAPIError) and (error.connection_invalidated or _unreachable(cause)):
        _, answered, why = first.partition("FATAL:")
        if answered:
            return f"is refused by its server ({why.strip()}); check its name, user and rights"
        return f"cannot be reached ({first}); check that the server runs and its address"
    return f"did not do what it should ({first})"


def _unreachable(cause: BaseException) -> bool:
    """Tell whether no connection came about: then the server has given no code."""
    return hasattr(cause, "sqlstate") and cause.sqlstate is None
