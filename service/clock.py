"""The one place that asks what time it is."""

from datetime import UTC, datetime

__all__ = ["utc_now", "utc_text"]


def utc_now() -> datetime:
    """Return the present moment in UTC."""
    return datetime.now(UTC)  # noqa: TID251 - this module is where the ban points to


def utc_text(moment: datetime) -> str:
    """Return `moment` as ISO 8601 in UTC, to the millisecond, with a Z."""
    text = moment.astimezone(UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")
