"""Rows of the archive as lines of JSON, and back with everything checked."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from sqlalchemy import JSON, Boolean, Column, Double, Integer, inspect
from sqlalchemy.orm import Mapper

from service.clock import utc_text
from service.errors import DocumentError
from service.storage.column_types import UtcTime
from service.storage.document_columns import FILED, columns_of
from service.storage.keys import content_key
from service.storage.tables import Base, Cooler

__all__ = ["line_of", "values_in"]

_DIGITS: Final = frozenset("0123456789abcdef")


def line_of(row: Mapping[str, Any]) -> bytes:
    """Return a row as a line.

    Parameters
    ----------
    row : mapping
        Values by column.

    Returns
    -------
    bytes
        One JSON object with a line end; times as ISO 8601 in UTC, to the millisecond.
    """
    plain = {
        name: utc_text(value) if isinstance(value, datetime) else value
        for name, value in row.items()
    }
    return json.dumps(plain, ensure_ascii=False, allow_nan=False).encode() + b"\n"


def values_in(row: type[Base], line: bytes, where: str) -> dict[str, Any]:
    """Read a row from a line.

    Parameters
    ----------
    row : type
        The table it belongs to.
    line : bytes
        The line; fields that this version does not know are left out.
    where : str
        What to call it in an error's sentence.

    Returns
    -------
    dict
        Values by column.

    Raises
    ------
    DocumentError
        If a column is missing or of another kind, or the columns are not those of the document.
    """
    try:
        plain = json.loads(line)
    except ValueError as error:
        raise DocumentError(f"{where} is not JSON.") from error
    if not isinstance(plain, dict):
        raise DocumentError(f"{where} is no JSON object.")
    mapper: Mapper[Any] = inspect(row)
    values = {column.key: _value(column, plain, where) for column in mapper.columns}
    if not _is_id(values["id"]):
        raise DocumentError(f"{where} has no id of 32 hexadecimal digits.")
    if row in FILED:
        filled = columns_of(row, values["document"], where)
        other = next((name for name, value in filled.items() if values[name] != value), None)
        if other is not None:
            raise DocumentError(f"{where} says another {other} than its document.")
    if row is Cooler and values["id"] != content_key("cooler", values["name"]):
        raise DocumentError(f"{where} has an id that is not of its name.")
    return values


def _value(column: "Column[Any]", plain: Mapping[str, Any], where: str) -> Any:
    """Return the value of one column."""
    value = plain.get(column.key)
    if value is None:
        if not column.nullable:
            raise DocumentError(f"{where} lacks {column.key}.")
        return None
    if isinstance(column.type, UtcTime):
        return _time(value, f"{column.key} of {where}")
    match column.type:
        case Boolean():
            fits = isinstance(value, bool)
        case Integer():
            fits = isinstance(value, int) and not isinstance(value, bool)
        case Double():
            fits = isinstance(value, int | float) and not isinstance(value, bool)
        case JSON():
            fits = isinstance(value, dict | list)
        case _:
            fits = isinstance(value, str)
    if not fits:
        raise DocumentError(f"{column.key} of {where} is of another kind than it should be.")
    return value


def _time(value: object, where: str) -> datetime:
    """Read a time."""
    try:
        time = datetime.fromisoformat(str(value))
    except ValueError as error:
        raise DocumentError(f"{where} is no time.") from error
    if time.tzinfo is None:
        raise DocumentError(f"{where} does not say its time zone.")
    return time


def _is_id(value: object) -> bool:
    """Tell whether something is an id of ours."""
    return isinstance(value, str) and len(value) == 32 and set(value) <= _DIGITS
