"""Column types that mean the same in SQLite and in PostgreSQL."""

from datetime import UTC, datetime, timedelta
from typing import Final

from sqlalchemy import BigInteger, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

from service.errors import DocumentError

__all__ = ["PlainText", "UtcTime", "milliseconds_since_1970", "time_from_milliseconds"]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND: Final = timedelta(milliseconds=1)


def milliseconds_since_1970(time: datetime) -> int:
    """Return a time as whole milliseconds since 1970 in UTC, as documents state it."""
    return (time - _EPOCH) // _MILLISECOND


def time_from_milliseconds(count: int) -> datetime:
    """Return the time that a number of milliseconds since 1970 stands for."""
    return _EPOCH + count * _MILLISECOND


class UtcTime(TypeDecorator[datetime]):
    """A time, stored as whole milliseconds since 1970 in UTC.

    Unlike the databases' own types it has no time zone to be lost, is the same number in both,
    and SQL can put it into intervals by a division.
    """

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:  # noqa: ARG002 - the library's signature
        """Store a time."""
        return None if value is None else milliseconds_since_1970(value)

    def process_result_value(self, value: int | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Read a time."""
        return None if value is None else time_from_milliseconds(value)


class PlainText(TypeDecorator[str]):
    """A text that every database can store."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Refuse what only some databases would take.

        Raises
        ------
        DocumentError
            If a character of it is none.
        """
        if value is not None and any(c == "\0" or "\ud800" <= c <= "\udfff" for c in value):
            raise DocumentError(
                f"The text {value!r} holds something that is no character, so it cannot be kept."
            )
        return value
