"""What is wrong with an archive, ``evenhush.data-check/1``."""

from typing import ClassVar, Literal

from pydantic import Field

from service.documents.base import Document, Part

__all__ = ["DataCheckDocument", "DataFinding"]


class DataFinding(Part):
    """One thing that is wrong."""

    kind: Literal[
        "damaged-database",
        "broken-document",
        "missing-file",
        "damaged-file",
        "unknown-file",
        "broken-levels",
    ]
    """What sort of thing."""
    what: str
    """What it is about: a table with an id, or a file."""
    why: str
    """What is wrong with it, in one sentence."""
    advice: str
    """What to do, in one sentence."""


class DataCheckDocument(Document):
    """A check of the archive."""

    kind: ClassVar[str] = "check of the archive"

    schema_name: Literal["evenhush.data-check/1"] = Field(
        default="evenhush.data-check/1", validation_alias="schema", serialization_alias="schema"
    )
    database: str
    """Which database."""
    entries: dict[str, int]
    """How many entries of each kind were looked at."""
    files: int
    """How many files were looked at."""
    findings: list[DataFinding]
    """What is wrong; empty where all is well."""
