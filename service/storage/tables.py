"""The tables of the archive: what is searched as columns, and the document as it was published.

A change here needs a migration in ``migrations/versions``; a test compares both.
"""

from datetime import datetime
from typing import Any, Final

from sqlalchemy import (
    JSON,
    BigInteger,
    ForeignKey,
    Index,
    LargeBinary,
    MetaData,
    SmallInteger,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from service.storage.column_types import PlainText, UtcTime

__all__ = [
    "KINDS",
    "Base",
    "Calibration",
    "Cooler",
    "Event",
    "FloorCheck",
    "Job",
    "LevelBlock",
    "LevelMinuteRow",
    "LevelSeries",
    "Match",
    "Profile",
    "Recheck",
    "Sound",
]


class Base(DeclarativeBase):
    """What all tables share."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 - the library's name for it
        str: PlainText,
        datetime: UtcTime,
        dict[str, Any]: JSON(none_as_null=True),
        list[Any]: JSON(none_as_null=True),
    }


class Job(Base):
    """A measurement that was asked for."""

    __tablename__ = "jobs"
    __table_args__ = (Index(None, "created", "id"), Index(None, "state", "created", "id"))

    id: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str]
    state: Mapped[str]
    who: Mapped[str]
    request: Mapped[dict[str, Any]]
    created: Mapped[datetime]
    changed: Mapped[datetime]
    started: Mapped[datetime | None]
    ended: Mapped[datetime | None]
    position: Mapped[int | None]
    progress: Mapped[dict[str, Any] | None]
    why: Mapped[str | None]
    results: Mapped[list[Any]]


class Calibration(Base):
    """A calibration, or a reference tone that was refused."""

    __tablename__ = "calibrations"
    __table_args__ = (
        Index(None, "time", "id"),
        Index(None, "input", "channel", "time", "id"),
    )

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    input: Mapped[str]
    channel: Mapped[int]
    accepted: Mapped[bool]
    pascal_per_unit: Mapped[float | None]
    U95_db: Mapped[float | None]
    drift_db: Mapped[float | None]
    next_due: Mapped[datetime | None]
    job: Mapped[str | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class FloorCheck(Base):
    """A check of the room floor."""

    __tablename__ = "floor_checks"
    __table_args__ = (
        Index(None, "time", "id"),
        Index(None, "input", "time", "id"),
        # Years of the floor are read from here, without going through the documents.
        Index("ix_floor_checks_trend", "time", "input", "LAeq_db", "LA90_db", "fit_for_target_db"),
    )

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    input: Mapped[str]
    LAeq_db: Mapped[float]
    LA90_db: Mapped[float]
    U95_db: Mapped[float]
    fit_for_target_db: Mapped[float]
    scheduled: Mapped[bool]
    job: Mapped[str | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class Cooler(Base):
    """A cooler of the lab."""

    __tablename__ = "coolers"
    __table_args__ = (Index(None, "created", "id"),)

    id: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    created: Mapped[datetime]
    changed: Mapped[datetime]
    retired: Mapped[datetime | None]
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class Profile(Base):
    """A sweep of a cooler."""

    __tablename__ = "profiles"
    __table_args__ = (Index(None, "time", "id"), Index(None, "cooler", "time", "id"))

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    cooler: Mapped[str] = mapped_column(ForeignKey("coolers.name"))
    bench: Mapped[str]
    input: Mapped[str]
    outcome: Mapped[str]
    pump: Mapped[str]
    trail: Mapped[str | None]
    trail_sha256: Mapped[str | None]
    job: Mapped[str | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class Match(Base):
    """A match of a cooler to a target."""

    __tablename__ = "matches"
    __table_args__ = (
        Index(None, "time", "id"),
        Index(None, "cooler", "time", "id"),
        Index(None, "outcome", "time", "id"),
        Index(None, "target_db", "time", "id"),
    )

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    changed: Mapped[datetime]
    cooler: Mapped[str] = mapped_column(ForeignKey("coolers.name"))
    bench: Mapped[str]
    input: Mapped[str]
    target_db: Mapped[float | None]
    target_sone: Mapped[float | None]
    tolerance_db: Mapped[float]
    outcome: Mapped[str]
    LAeq_db: Mapped[float | None]
    U95_db: Mapped[float | None]
    floor_LAeq_db: Mapped[float]
    margin_db: Mapped[float | None]
    fan_duty_percent: Mapped[float | None]
    fan_rpm: Mapped[float | None]
    pump_duty_percent: Mapped[float | None]
    pump_rpm: Mapped[float | None]
    calibration: Mapped[str | None] = mapped_column(ForeignKey("calibrations.id"), index=True)
    drift_db: Mapped[float | None]
    void: Mapped[bool]
    trail: Mapped[str | None]
    trail_sha256: Mapped[str | None]
    job: Mapped[str | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class Recheck(Base):
    """A recheck of a matched cooler."""

    __tablename__ = "rechecks"
    __table_args__ = (Index(None, "time", "id"), Index(None, "cooler", "time", "id"))

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    cooler: Mapped[str] = mapped_column(ForeignKey("coolers.name"))
    bench: Mapped[str]
    outcome: Mapped[str]
    holds: Mapped[bool | None]
    then_LAeq_db: Mapped[float]
    difference_db: Mapped[float | None]
    difference_U95_db: Mapped[float | None]
    job: Mapped[str | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class Sound(Base):
    """A file with the sound of a measurement."""

    __tablename__ = "sounds"
    __table_args__ = (Index(None, "time", "id"), Index(None, "cooler", "time", "id"))

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    path: Mapped[str] = mapped_column(unique=True)
    bytes: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str]
    rate_hz: Mapped[int]
    channels: Mapped[int]
    duration_s: Mapped[float]
    command: Mapped[str]
    cooler: Mapped[str | None]
    job: Mapped[str | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    document: Mapped[dict[str, Any]] = mapped_column(deferred=True)


class Event(Base):
    """Something that happened."""

    __tablename__ = "events"
    __table_args__ = (Index(None, "time", "id"), Index(None, "kind", "time", "id"))

    id: Mapped[str] = mapped_column(primary_key=True)
    time: Mapped[datetime]
    kind: Mapped[str]
    who: Mapped[str]
    what: Mapped[str]


class LevelSeries(Base):
    """What the level log of one input consists of."""

    __tablename__ = "level_series"
    __table_args__ = (UniqueConstraint("input", "unit", "bands"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    input: Mapped[str]
    unit: Mapped[str]
    bands: Mapped[str]
    """Nominal mid-band frequencies in hertz, with a space between them."""


class LevelMinuteRow(Base):
    """What a minute of the level log comes to.

    Apart from its levels, which are a thousand times as long, so that months are read quickly.
    """

    __tablename__ = "level_minutes"
    __table_args__ = ({"sqlite_with_rowid": False},)

    minute: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    """Minutes since 1970 in UTC."""
    series: Mapped[int] = mapped_column(
        ForeignKey("level_series.id"), primary_key=True, autoincrement=False
    )
    rows: Mapped[int] = mapped_column(SmallInteger)
    """How many of its 600 rows have a level."""
    energy: Mapped[float]
    """Mean of 10^(LAeq/10)."""
    LA10: Mapped[float | None]
    LA50: Mapped[float | None]
    LA90: Mapped[float | None]
    LAFmax: Mapped[float | None]


class LevelBlock(Base):
    """The levels of a minute: rows of whole numbers of 0.01 dB, 16 bits each, low byte first."""

    __tablename__ = "level_blocks"

    minute: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    series: Mapped[int] = mapped_column(
        ForeignKey("level_series.id"), primary_key=True, autoincrement=False
    )
    levels: Mapped[bytes] = mapped_column(LargeBinary)


KINDS: Final[tuple[type[Base], ...]] = (
    Job,
    Event,
    Cooler,
    Calibration,
    FloorCheck,
    Profile,
    Match,
    Recheck,
    Sound,
)
"""Every table with an id, those that others refer to first."""
