"""Records of what the lab has and does: coolers, jobs, events."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

__all__ = ["CoolerRecord", "EventRecord", "JobRecord", "JobResult"]


@dataclass(frozen=True, slots=True)
class CoolerRecord:
    """A cooler of the lab."""

    id: str
    """Its id, the same in every archive."""
    name: str
    """Its name, which is never changed, as every document calls it so."""
    created: datetime
    """When it was first heard of."""
    changed: datetime
    """When its description or retirement was last changed."""
    retired: datetime | None
    """Since when it is no longer in use; None while it is."""
    matches: int
    """How many matches there are of it."""
    last_match: datetime | None
    """When the newest of them ended."""


@dataclass(frozen=True, slots=True)
class JobResult:
    """One thing that a job put into the archive."""

    kind: str
    """Such as ``match``."""
    id: str
    """Its id."""


@dataclass(frozen=True, slots=True)
class JobRecord:
    """A measurement that was asked for."""

    id: str
    """Its id."""
    kind: str
    """What is to be done, such as ``match``."""
    state: str
    """Where it stands."""
    who: str
    """Who asked."""
    request: Mapping[str, Any]
    """What was asked, as JSON types."""
    created: datetime
    """When it was asked."""
    started: datetime | None = None
    """When it began."""
    ended: datetime | None = None
    """When it came to an end."""
    position: int | None = None
    """Place in the queue; None when it does not wait any more."""
    progress: Mapping[str, Any] | None = None
    """How far it is, as JSON types."""
    why: str | None = None
    """Why it is in its state, in one sentence."""
    results: tuple[JobResult, ...] = ()
    """What it put into the archive."""


@dataclass(frozen=True, slots=True)
class EventRecord:
    """Something that happened."""

    id: str
    """Its id."""
    time: datetime
    """When."""
    kind: str
    """What sort of thing, such as ``calibration-overdue``."""
    who: str
    """Who or what did or found it."""
    what: str
    """What happened, in one sentence."""
