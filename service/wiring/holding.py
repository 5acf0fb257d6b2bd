"""Holding a matched cooler: its log, the command that runs meanwhile, and the record."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from calibration.bench_state import BenchDescription
from calibration.holding import HoldRequest
from service.clock import utc_now
from service.documents.held_run import HeldLevelPart, HeldRunDocument, HeldSpeedPart
from service.errors import SettingsError
from service.jobs.holding import HeldSpan, Seconds, hold_speeds
from service.ports import BenchConnection
from service.records.held import HeldSecond
from service.storage.document_files import save_text
from service.storage.held_logs import HeldLog
from service.storage.names import file_stem
from service.wiring.held_settings import WantedSetting
from service.wiring.wrapped_command import WrappedCommand

__all__ = ["HoldOrder", "hold_and_record", "usual_log"]


@dataclass(frozen=True, slots=True)
class HoldOrder:
    """What is to be held, for how long, and what goes on meanwhile."""

    wanted: WantedSetting
    """The setting."""
    log: Path
    """Where the log goes."""
    seconds: float | None
    """For how long; None until it is ended, or the command ends."""
    command: WrappedCommand | None
    """What runs meanwhile."""
    speed_tolerance_percent: float
    """Tolerance of the speeds."""
    level_tolerance_db: float
    """Tolerance of the level."""


def usual_log(wanted: WantedSetting) -> Path:
    """Return where a log goes if nobody says: named by cooler, setting and time.

    Parameters
    ----------
    wanted : WantedSetting
        What is held.

    Returns
    -------
    Path
        A file in the working folder.
    """
    at = "full" if wanted.target_db is None else f"{wanted.target_db:g}db"
    return Path(f"{file_stem(wanted.cooler)}-{at}-{utc_now():%Y%m%dT%H%M%SZ}.csv")


def hold_and_record(
    order: HoldOrder,
    bench: BenchConnection,
    seconds: Seconds,
    tell: Callable[[str], None],
    *,
    listens: bool,
) -> HeldRunDocument:
    """Hold a setting, and write its log and, at the end, the record beside it.

    Parameters
    ----------
    order : HoldOrder
        What is to be held.
    bench : BenchConnection
        The bench; given back on every way out.
    seconds : Seconds
        What makes time pass.
    tell : callable
        Given each remark for the person at the bench.
    listens : bool
        Whether there is a level.

    Returns
    -------
    HeldRunDocument
        The record.

    Raises
    ------
    SettingsError
        If there is such a record already, or the command cannot be started.
    EvenhushError
        If it cannot be begun, or the record cannot be written.
    """
    wanted, command = order.wanted, order.command
    record = order.log.with_suffix(".json")
    if record.exists():
        raise SettingsError(
            f"There is a {record} already, and nothing is overwritten; name another --log."
        )
    description = bench.describe()
    request = HoldRequest(
        wanted.on(description),
        order.speed_tolerance_percent,
        wanted.level_db,
        order.level_tolerance_db,
    )

    def until(held_s: float) -> str | None:
        """Say why it is enough."""
        if command is not None and command.code is not None:
            return f"The command ended with {command.code}."
        if order.seconds is not None and held_s >= order.seconds:
            return f"It was held for {order.seconds / 60.0:g} min."
        return None

    def arrived() -> None:
        """Let the command begin."""
        tell("the speeds are where they were matched" if wanted.part else "everything is at full")
        if command is not None:
            tell(f"starting {' '.join(command.words)}")
            command.start()

    with HeldLog(order.log, description, bench.state(), with_level=listens) as log:
        try:
            span = hold_speeds(
                request,
                bench,
                description,
                seconds,
                until=until,
                keep=_Keeper(log, tell).keep,
                tell=tell,
                arrived=arrived,
            )
        finally:
            # The bench is back under its own control by now.
            code = None if command is None else command.code
            if command is not None:
                command.end()
        failure = log.failure
    document = _document(order, description, span, code, log_complete=failure is None)
    save_text(record, document.to_json())
    return document


class _Keeper:
    """Keeps seconds, and says once that the disk takes no more."""

    def __init__(self, log: HeldLog, tell: Callable[[str], None]) -> None:
        self._log = log
        self._tell = tell
        self._said = False

    def keep(self, second: HeldSecond) -> None:
        """Keep a second."""
        self._log.add(second)
        if self._log.failure is not None and not self._said:
            self._said = True
            self._tell(
                f"the log {self._log.path} cannot be continued ({self._log.failure}); the speeds "
                "are held all the same"
            )


def _document(
    order: HoldOrder,
    bench: BenchDescription,
    span: HeldSpan,
    code: int | None,
    *,
    log_complete: bool,
) -> HeldRunDocument:
    """Put the record together."""
    wanted, hold = order.wanted, span.hold
    level = None
    if span.level_db is not None:
        level = HeldLevelPart(
            matched_db=wanted.level_db,
            LAeq_db=round(span.level_db, 2),
            outside_s=hold.level_outside_s,
        )
    return HeldRunDocument(
        start=span.start,
        end=span.end,
        cooler=wanted.cooler,
        bench=bench.bench,
        target_db=wanted.target_db,
        cooler_level=wanted.cooler_level,
        settings=wanted.file,
        log=order.log.name,
        log_complete=log_complete,
        outcome=span.outcome,
        why=span.why,
        held_s=hold.held_s,
        speed_tolerance_percent=order.speed_tolerance_percent,
        level_tolerance_db=order.level_tolerance_db,
        speeds={
            name: HeldSpeedPart(
                matched_duty_percent=speed.wanted.duty_percent,
                duty_percent=speed.duty_percent,
                matched_rpm=speed.wanted.rpm,
                mean_rpm=_rounded(speed.mean_rpm),
                lowest_rpm=_rounded(speed.lowest_rpm),
                highest_rpm=_rounded(speed.highest_rpm),
                outside_s=speed.outside_s,
            )
            for name, speed in hold.speeds.items()
        },
        level=level,
        command=None if order.command is None else order.command.words,
        command_code=code,
        warnings=list(span.warnings),
    )


def _rounded(rpm: float | None) -> float | None:
    """A speed to a tenth."""
    return None if rpm is None else round(rpm, 1)
