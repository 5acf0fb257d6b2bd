"""``evenhush recheck``: hear whether matched levels still hold."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.at_the_bench import AtTheBench, SeriesInput
from service.cli.options import (
    AsJson,
    BenchToken,
    BenchUrl,
    CalibrationFile,
    Channels,
    ConfigFile,
    DataFolder,
    FloorFile,
    InputText,
    Keep,
    KeepAs,
    RateHz,
    ResponseFile,
    UsedChannels,
)
from service.cli.runtime import Session, open_session, print_json, read_floor

if TYPE_CHECKING:
    from service.documents.recheck import CoolerHistory, RecheckPart
    from service.wiring.rechecking import MatchedCooler

__all__ = ["recheck"]


def recheck(
    *,
    settings: Annotated[
        list[Path],
        typer.Argument(
            metavar="SETTINGS...", help="Matched settings to check.", show_default=False
        ),
    ],
    bench: BenchUrl = None,
    input_text: InputText = None,
    calibration: CalibrationFile = None,
    response: ResponseFile = None,
    floor: FloorFile = None,
    history: Annotated[
        bool,
        typer.Option("--history", help="Only print the earlier rechecks of these coolers."),
    ] = False,
    keep: Keep = None,
    keep_as: KeepAs = None,
    token: BenchToken = None,
    rate_hz: RateHz = None,
    channels: Channels = None,
    used: UsedChannels = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    as_json: AsJson = False,
) -> int:
    """Set matched coolers again and hear whether their levels still hold.

    Lowers fan and pump speeds: run it only under a load whose temperature is watched, and keep
    hands, hair and cables away from the blades.
    """
    from service.wiring.rechecking import histories_of, read_matched

    session = open_session(config, data)
    matched = read_matched(settings)
    if history:
        _show_history(histories_of(matched, session.data_folder), as_json=as_json)
        return 0
    keeping = session.keep_request(keep, keep_as, "recheck")
    inputs = SeriesInput(
        session, input_text, calibration, response, rate_hz, channels, used, keeping
    )
    parts = _run(session, matched, inputs, bench=bench, token=token, floor=floor)
    _show(parts, as_json=as_json)
    if any(part.outcome == "stopped" for part in parts):
        return 3
    return 0 if len(parts) == len(matched) and all(part.holds for part in parts) else 1


def _run(
    session: Session,
    matched: Sequence["MatchedCooler"],
    inputs: SeriesInput,
    *,
    bench: str | None,
    token: str | None,
    floor: Path | None,
) -> list["RecheckPart"]:
    """Do the rechecks."""
    from service.cli.remembering import Remembering
    from service.wiring.rechecking import run_rechecks

    known = read_floor(floor)
    with session.open_bench(bench, token) as client, Remembering(session) as remembering:

        def checked(part: "RecheckPart") -> None:
            """Add a recheck to the archive."""
            remembering.add(lambda archive: archive.rechecks.add(part))

        return run_rechecks(
            matched,
            client,
            inputs.open,
            AtTheBench(),
            floor=known,
            data_folder=session.data_folder,
            checked=checked,
        )


def _show(parts: Sequence["RecheckPart"], *, as_json: bool) -> None:
    """Print what the rechecks came to."""
    from service.clock import utc_now
    from service.documents.recheck import RecheckDocument

    if as_json:
        print_json(RecheckDocument(time=utc_now(), coolers=list(parts)).to_plain())
        return
    for part in parts:
        print(f"{part.cooler} at {part.then.LAeq_db:.1f} dB(A): {part.outcome}. {part.why}")
        if part.now is not None:
            print(
                f"  then {part.then.LAeq_db:.2f} +-{part.then.U95_db:.2f} dB(A), "
                f"now {part.now.LAeq_db:.2f} +-{part.now.U95_db:.2f} dB(A)"
            )
        for name, now in (part.settings_now or {}).items():
            then = part.settings_then[name]
            print(
                f"  {name}: then {_speed(then.duty_percent, then.rpm)}, "
                f"now {_speed(now.duty_percent, now.rpm)}"
            )
        for text in part.warnings:
            print(f"  note: {text}")


def _speed(duty_percent: float, rpm: float | None) -> str:
    """Say a duty with its speed."""
    return f"{duty_percent:.1f} %" + ("" if rpm is None else f" ({rpm:.0f} rpm)")


def _show_history(histories: Sequence["CoolerHistory"], *, as_json: bool) -> None:
    """Print the earlier rechecks of some coolers."""
    from service.documents.recheck import RecheckHistoryDocument

    if as_json:
        print_json(RecheckHistoryDocument(coolers=list(histories)).to_plain())
        return
    for history in histories:
        print(f"{history.cooler} on bench {history.bench}:")
        for part in history.rechecks:
            change = "not heard"
            if part.difference_db is not None:
                change = f"{part.difference_db:+.2f} +-{part.difference_U95_db:.2f} dB"
            when = f"{part.time:%Y-%m-%d %H:%M} UTC"
            print(f"  {when}  at {part.then.LAeq_db:.1f} dB(A)  {change}  {part.outcome}")
        if history.repeatability_db is not None:
            print(
                f"  repeatability: {history.repeatability_db:.2f} dB, the standard deviation of "
                f"{sum(part.difference_db is not None for part in history.rechecks)} differences"
            )
        elif not history.rechecks:
            print("  never checked again")
