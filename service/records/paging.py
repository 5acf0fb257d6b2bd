"""What every list and every single entry of the archive comes as."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

__all__ = ["Kept", "Page"]

Record = TypeVar("Record")
Content = TypeVar("Content")


@dataclass(frozen=True, slots=True)
class Page(Generic[Record]):
    """A part of a list, newest first."""

    items: tuple[Record, ...]
    """The entries."""
    next: str | None
    """What to give as `before` to get the entries that follow; None at the end."""


@dataclass(frozen=True, slots=True)
class Kept(Generic[Record, Content]):
    """One entry of the archive with its document."""

    record: Record
    """The searched columns."""
    document: Content
    """The document, as this version knows it."""
    plain: Mapping[str, Any]
    """The document as it is stored, also with fields that this version does not know."""
