"""``evenhush hold``: keep a matched cooler where it was matched while a thermal run goes on."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import (
    AsJson,
    BenchToken,
    BenchUrl,
    CalibrationFile,
    Channels,
    ConfigFile,
    DataFolder,
    RateHz,
    ResponseFile,
    UsedChannels,
)
from service.cli.runtime import Session, open_session, print_json, remark

if TYPE_CHECKING:
    from service.documents.held_run import HeldRunDocument
    from service.jobs.holding import Seconds
    from service.wiring.held_settings import WantedSetting

__all__ = ["hold"]

_CODES = {"held": 0, "not-held": 1, "stopped": 3, "failed": 2}


def hold(
    *,
    command: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="-- COMMAND",
            help="Runs meanwhile; the bench is given back when it ends.",
            show_default=False,
        ),
    ] = None,
    cooler: Annotated[
        str, typer.Option("--cooler", metavar="NAME", help="What is mounted.", show_default=False)
    ],
    settings: Annotated[
        list[Path] | None,
        typer.Option(
            "--settings",
            metavar="FILE",
            help="Matched settings; several may be given.",
            show_default=False,
        ),
    ] = None,
    target_db: Annotated[
        float | None,
        typer.Option(
            "--target-db", help="Which of several settings, by its target.", show_default=False
        ),
    ] = None,
    pump_duty_percent: Annotated[
        float | None,
        typer.Option(
            "--pump-duty-percent",
            help="Which pair of a fan and pump curve, by its pump duty.",
            show_default=False,
        ),
    ] = None,
    full_speed: Annotated[
        bool, typer.Option("--full-speed", help="Hold everything at full speed instead.")
    ] = False,
    for_min: Annotated[
        float | None,
        typer.Option(
            "--for-min",
            metavar="MINUTES",
            min=0.05,
            help="For how long [default: until the command ends, or Ctrl-C].",
            show_default=False,
        ),
    ] = None,
    log: Annotated[
        Path | None,
        typer.Option(
            "--log",
            metavar="FILE",
            help="New file for the log, a line a second [default: named by cooler and time].",
            show_default=False,
        ),
    ] = None,
    speed_tolerance_percent: Annotated[
        float,
        typer.Option(
            "--speed-tolerance-percent", min=0.1, help="How far a speed may be off unsaid."
        ),
    ] = 1.0,
    level_tolerance_db: Annotated[
        float,
        typer.Option("--level-tolerance-db", min=0.1, help="How far the level may be off unsaid."),
    ] = 0.5,
    bench: BenchUrl = None,
    input_text: Annotated[
        str | None,
        typer.Option(
            "--input",
            metavar="INPUT",
            help="Listen as well: device:NAME, exec:COMMAND or simulated:NAME.",
            show_default=False,
        ),
    ] = None,
    calibration: CalibrationFile = None,
    response: ResponseFile = None,
    token: BenchToken = None,
    rate_hz: RateHz = None,
    channels: Channels = None,
    used: UsedChannels = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    as_json: AsJson = False,
) -> int:
    """Hold a cooler's matched speeds during a thermal run, log them, and say if they leave.

    The fans turn slower than the machine would turn them: hold them only under a load that the
    cooler can take, and keep hands, hair and cables away from the blades.
    """
    from service.wiring.holding import HoldOrder, hold_and_record, usual_log
    from service.wiring.wrapped_command import WrappedCommand

    session = open_session(config, data)
    wanted = _wanted(cooler, settings, target_db, pump_duty_percent, full_speed=full_speed)
    order = HoldOrder(
        wanted=wanted,
        log=log or usual_log(wanted),
        seconds=None if for_min is None else 60.0 * for_min,
        command=WrappedCommand(command, quiet=as_json) if command else None,
        speed_tolerance_percent=speed_tolerance_percent,
        level_tolerance_db=level_tolerance_db,
    )
    ears = _Ears(session, input_text, calibration, response, rate_hz, channels, used)
    with session.open_bench(bench, token) as client, ears.open() as seconds:
        document = hold_and_record(order, client, seconds, remark, listens=input_text is not None)
    if as_json:
        print_json(document.to_plain())
    else:
        _show(document, order.log)
    code = _CODES[document.outcome]
    return 1 if code == 0 and (document.command_code or not document.log_complete) else code


def _wanted(
    cooler: str,
    settings: list[Path] | None,
    target_db: float | None,
    pump_duty_percent: float | None,
    *,
    full_speed: bool,
) -> "WantedSetting":
    """Find what is to be held."""
    from service.errors import SettingsError
    from service.wiring.held_settings import WantedSetting, choose_setting

    if full_speed:
        if settings or target_db is not None or pump_duty_percent is not None:
            raise SettingsError("Give either --settings or --full-speed, not both.")
        return WantedSetting(cooler, None, None, {}, None, None, None)
    if not settings:
        raise SettingsError(
            "Nothing says at which speeds to hold; give --settings FILE, or --full-speed."
        )
    return choose_setting(settings, cooler, target_db=target_db, pump_percent=pump_duty_percent)


@dataclass(frozen=True, slots=True)
class _Ears:
    """What is said of the input."""

    session: Session
    input_text: str | None
    calibration: Path | None
    response: Path | None
    rate_hz: int | None
    channels: int | None
    used: list[int] | None

    @contextmanager
    def open(self) -> Iterator["Seconds"]:
        """Make seconds pass by sound if there is an input, else by the clock."""
        from service.wiring.passing_seconds import ClockSeconds, SoundSeconds

        if self.input_text is None:
            yield ClockSeconds()
            return
        from service.jobs.listening import CalibratedSound, LevelListener

        session = self.session
        with session.open_input(
            self.input_text,
            rate_hz=self.rate_hz,
            channels=session.channels_for(self.channels, self.used),
        ) as source:
            known = session.calibration(self.calibration, source, self.used)
            sound = CalibratedSound(source, known, session.response(self.response, known))
            yield SoundSeconds(LevelListener(sound))


def _show(document: "HeldRunDocument", log: Path) -> None:
    """Print how it went."""
    at = "full speed" if document.target_db is None else f"{document.target_db:g} dB(A)"
    print(f"{document.cooler} at {at}: {document.outcome.replace('-', ' ')}. {document.why}")
    for name, speed in document.speeds.items():
        words = [f"{speed.duty_percent:.1f} % duty"]
        if speed.mean_rpm is not None:
            words.append(f"{speed.mean_rpm:.0f} rpm")
        if speed.lowest_rpm is not None and speed.highest_rpm is not None:
            words[-1] += f" ({speed.lowest_rpm:.0f} to {speed.highest_rpm:.0f} over half a minute)"
        if speed.matched_rpm is not None:
            words.append(f"matched were {speed.matched_rpm:.0f} rpm")
        print(f"  {name}: " + ", ".join(words))
    if document.level is not None and document.level.LAeq_db is not None:
        matched = document.level.matched_db
        then = "" if matched is None else f", when it was matched {matched:.1f} dB(A)"
        print(f"  the microphone read {document.level.LAeq_db:.1f} dB(A){then}")
    print(f"saved: {log}")
    print(f"saved: {log.with_suffix('.json')}")
