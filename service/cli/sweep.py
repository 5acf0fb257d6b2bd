"""``evenhush sweep``: learn a cooler's level over its whole range of speeds."""

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
    FloorFile,
    InputText,
    Keep,
    KeepAs,
    PumpFollows,
    RateHz,
    ResponseFile,
    UsedChannels,
)
from service.cli.runtime import (
    check_out,
    check_pump_options,
    open_session,
    print_json,
    read_floor,
    remark,
)

if TYPE_CHECKING:
    from calibration.sweep_results import SweepRequest
    from service.documents.profile import PointPart, ProfileDocument

__all__ = ["sweep"]


def sweep(
    *,
    cooler: Annotated[
        str, typer.Option("--cooler", metavar="NAME", help="What is mounted.", show_default=False)
    ],
    bench: BenchUrl = None,
    input_text: InputText = None,
    calibration: CalibrationFile = None,
    response: ResponseFile = None,
    floor: FloorFile = None,
    pump_duty_percent: Annotated[
        float | None,
        typer.Option(
            "--pump-duty-percent", help="Hold the pump here [default: 80].", show_default=False
        ),
    ] = None,
    pump_follows: PumpFollows = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            show_default=False,
            help="Where the profile goes too, with table, pictures and trail beside [default: "
            "in the data folder].",
        ),
    ] = None,
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
    """Learn a cooler's level over all its speeds; later matches start from it.

    Slows the fans down, and stops them for seconds where the bench allows duties so low: run it
    only under a light load whose temperature is watched, and keep hands, hair and cables away.
    """
    from service.cli.remembering import Remembering
    from service.clock import utc_now
    from service.storage.document_files import read_document_text, save_text
    from service.storage.names import file_stem
    from service.storage.trails import TRAIL_ENDING, trail_stamp
    from service.wiring.sweeping import keep_profile, sweep_and_record, write_profile

    session = open_session(config, data)
    request = _request(floor, pump_duty_percent, follows=pump_follows)
    stem = f"{trail_stamp(utc_now())}-{file_stem(cooler)}"
    given = out or session.data_folder / "sweeps" / f"{stem}.json"
    check_out(given)
    wanted = session.keep_request(keep, keep_as, "sweep")
    trail_path = session.data_folder / "trails" / f"{stem}-sweep{TRAIL_ENDING}"
    with (
        session.open_bench(bench, token) as client,
        session.open_kept(
            input_text,
            rate_hz=rate_hz,
            channels=session.channels_for(channels, used),
            keep=wanted,
            cooler=cooler,
        ) as keeping,
    ):
        known = session.calibration(calibration, keeping.source, used)
        table = session.response(response, known)
        keeping.know(list(known.by_channel().values()), table)
        with keeping.measuring(f"sweep of {cooler}"):
            result, document = sweep_and_record(
                cooler,
                request,
                keeping.beside(client),
                keeping.source,
                known,
                response=table,
                trail_path=trail_path,
                tell=remark,
            )
    warnings = [*document.warnings, *keeping.warnings()]
    document = document.model_copy(update={"warnings": warnings})
    kept = keep_profile(session.data_folder, document)
    if kept is not None:
        write_profile(given, document, result)
        save_text(given.with_suffix(TRAIL_ENDING), read_document_text(trail_path, "trail"))
    with Remembering(session) as remembering:
        remembering.add(lambda archive: archive.profiles.add(document, trail=trail_path))
    if as_json:
        print_json(document.to_plain())
    else:
        _show(document)
        if kept is not None:
            print(f"profile: {given} (table, pictures and trail beside it)")
            print("later matches of this cooler on this bench start from it")
    return {"complete": 0, "stopped": 3}.get(document.outcome, 1)


def _request(
    floor: Path | None, pump_duty_percent: float | None, *, follows: bool
) -> "SweepRequest":
    """Put together what is asked of the sweep."""
    from calibration.sweep_results import SweepRequest

    check_pump_options(pump_duty_percent, follows=follows)
    known = read_floor(floor)
    if follows:
        return SweepRequest(floor=known, pump="follows")
    if pump_duty_percent is None:
        return SweepRequest(floor=known)
    return SweepRequest(floor=known, pump="fixed", pump_duty_percent=pump_duty_percent)


def _show(document: "ProfileDocument") -> None:
    """Print the profile for a person."""
    print(f"{document.cooler}: {document.why}")
    for words, point in (("full speed", document.highest), ("lowest speed", document.lowest)):
        if point is not None:
            print(f"  {words}: {_point_words(point)}")
    if document.exponent is not None:
        print(
            f"  rises by {document.exponent.db_per_decade:.1f} "
            f"+-{document.exponent.U95_db_per_decade:.1f} dB per decade of speed"
        )
    told = document.highest is None or document.highest.fan_rpm is not None
    unit = "rpm" if told else "% duty"
    for found in document.resonances:
        print(
            f"  resonance at {found.centre:.0f} {unit}: +{found.height_db:.1f} "
            f"+-{found.U95_db:.1f} dB, from {found.low:.0f} to {found.high:.0f} {unit}"
        )
    if document.outcome == "complete" and not document.resonances:
        print("  no resonance stands out for sure")
    if document.stall_duty_percent is not None:
        print(f"  stops below {document.stall_duty_percent:.1f} % duty")
        if document.restart_duty_percent is not None:
            print(f"  starts again from {document.restart_duty_percent:.1f} % duty")
    elif document.outcome == "complete":
        print("  turns at every duty that the bench takes")
    print(
        f"  {len(document.points)} settings, {document.listened_s:.0f} s listened, "
        f"{document.bench_s:.0f} s in all; room floor {document.floor.LAeq_db:.1f} "
        f"+-{document.floor.U95_db:.1f} dB(A)"
    )
    for text in document.warnings:
        print(f"  note: {text}")


def _point_words(point: "PointPart") -> str:
    """Say what one setting comes to."""
    speed = "" if point.fan_rpm is None else f", {point.fan_rpm:.0f} rpm"
    here = f"at {point.fan_duty_percent:.1f} % duty{speed}"
    if point.upper_bound:
        return f"at most {point.LAeq_db:.1f} dB(A) {here}, as the room hides it"
    return f"{point.LAeq_db:.1f} +-{point.U95_db or 0.0:.1f} dB(A) {here}"
