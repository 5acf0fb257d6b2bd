"""``evenhush match``: turn a cooler's speeds until it alone makes the target level."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from service.cli.options import (
    AsJson,
    CalibrationFile,
    Channels,
    ConfigFile,
    DataFolder,
    InputText,
    RateHz,
    ResponseFile,
    ShowBudget,
)
from service.cli.runtime import Session, open_session, remark

if TYPE_CHECKING:
    from calibration.results import MatchRequest
    from service.documents.matched_settings import MatchedSettingsDocument

__all__ = ["match"]


def match(
    *,
    cooler: Annotated[
        str, typer.Option("--cooler", metavar="NAME", help="What is mounted.", show_default=False)
    ],
    bench: Annotated[
        str | None,
        typer.Option(
            "--bench",
            metavar="URL",
            help="Bench control API, with any path prefix.",
            show_default=False,
        ),
    ] = None,
    input_text: InputText = None,
    calibration: CalibrationFile = None,
    response: ResponseFile = None,
    target_db: Annotated[
        float | None,
        typer.Option(
            "--target-db", help="Level to reach, dB(A) [default: 40].", show_default=False
        ),
    ] = None,
    target_sone: Annotated[
        float | None,
        typer.Option(
            "--target-sone",
            help="Loudness to reach instead, in sone (ISO 532-1).",
            show_default=False,
        ),
    ] = None,
    sound_field: Annotated[
        str,
        typer.Option("--sound-field", help="Sound field of a loudness: 'free' or 'diffuse'."),
    ] = "free",
    tolerance_db: Annotated[
        float | None,
        typer.Option(
            "--tolerance-db",
            min=0.05,
            max=3.0,
            show_default=False,
            help="How far from it counts as matched [default: 0.3].",
        ),
    ] = None,
    applies_to: Annotated[
        str,
        typer.Option(
            "--applies-to",
            help="'cooler': its own level, floor subtracted; 'reading': as the microphone reads.",
        ),
    ] = "cooler",
    floor: Annotated[
        Path | None,
        typer.Option(
            "--floor",
            metavar="FILE",
            show_default=False,
            help="Room floor from 'evenhush floor --save' [default: listened for].",
        ),
    ] = None,
    pump_duty_percent: Annotated[
        float | None,
        typer.Option(
            "--pump-duty-percent",
            help="Hold the pump here [default: as the match needs it].",
            show_default=False,
        ),
    ] = None,
    pump_follows: Annotated[
        bool, typer.Option("--pump-follows", help="Lead the pump along with the fans.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            show_default=False,
            help="Where the settings go, with table, pictures and trail beside [default: in the "
            "data folder].",
        ),
    ] = None,
    token: Annotated[
        str | None,
        typer.Option(
            "--bench-token", help="Token of a bench that asks for one.", show_default=False
        ),
    ] = None,
    rate_hz: RateHz = None,
    channels: Channels = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    show_budget: ShowBudget = False,
    as_json: AsJson = False,
) -> int:
    """Match one cooler to a target level.

    Lowers fan and pump speeds: run it only under a load whose temperature is watched, and keep
    hands, hair and cables away from the blades.
    """
    session = open_session(config, data)
    request = _request(
        session,
        target_db=target_db,
        target_sone=target_sone,
        sound_field=sound_field,
        tolerance_db=tolerance_db,
        applies_to=applies_to,
        floor=floor,
        pump_duty_percent=pump_duty_percent,
        follows=pump_follows,
    )
    settings, files = _run(
        session,
        request,
        cooler,
        bench=bench,
        token=token,
        input_text=input_text,
        calibration=calibration,
        response=response,
        rate_hz=rate_hz,
        channels=channels,
        out=out,
    )
    if as_json:
        from service.storage.document_files import read_document_text

        print(read_document_text(files[0], "document"), end="")
    else:
        _show(settings, files)
    if show_budget:
        _show_budget(settings)
    return {"matched": 0, "stopped": 3}.get(settings.coolers[0].outcome, 1)


def _request(
    session: Session,
    *,
    target_db: float | None,
    target_sone: float | None,
    sound_field: str,
    tolerance_db: float | None,
    applies_to: str,
    floor: Path | None,
    pump_duty_percent: float | None,
    follows: bool,
) -> "MatchRequest":
    """Put together what is asked of the match."""
    from calibration.goal import LoudnessTarget
    from calibration.results import MatchRequest
    from service.documents.floor import FloorDocument
    from service.errors import SettingsError
    from service.jobs.floor_checking import floor_reading
    from service.storage.document_files import read_document_text

    if follows and pump_duty_percent is not None:
        raise SettingsError("Give either --pump-duty-percent or --pump-follows, not both.")
    if applies_to not in ("cooler", "reading"):
        raise SettingsError(f"--applies-to is 'cooler' or 'reading', not {applies_to!r}.")
    if target_db is not None and target_sone is not None:
        raise SettingsError("Give either --target-db or --target-sone, not both.")
    if sound_field not in ("free", "diffuse"):
        raise SettingsError(f"--sound-field is 'free' or 'diffuse', not {sound_field!r}.")
    loudness = None
    if target_sone is not None:
        loudness = LoudnessTarget(target_sone, "free" if sound_field == "free" else "diffuse")
    elif target_db is None:
        target_db = session.settings.target_db
    known = None
    if floor is not None:
        document = FloorDocument.from_json(read_document_text(floor, "room floor"), str(floor))
        known = floor_reading(document)
    fixed: Literal["fixed", "automatic"] = "automatic" if pump_duty_percent is None else "fixed"
    return MatchRequest(
        target_db=target_db,
        loudness=loudness,
        tolerance_db=session.settings.tolerance_db if tolerance_db is None else tolerance_db,
        applies_to="cooler" if applies_to == "cooler" else "reading",
        floor=known,
        pump="follows" if follows else fixed,
        pump_duty_percent=pump_duty_percent,
    )


def _run(
    session: Session,
    request: "MatchRequest",
    cooler: str,
    *,
    bench: str | None,
    token: str | None,
    input_text: str | None,
    calibration: Path | None,
    response: Path | None,
    rate_hz: int | None,
    channels: int | None,
    out: Path | None,
) -> tuple["MatchedSettingsDocument", list[Path]]:
    """Do the match and write what it comes to."""
    from service.bench.client import BenchClient
    from service.clock import utc_now
    from service.errors import SettingsError
    from service.jobs.settings_document import settings_document
    from service.reports.level_picture import LevelPanel
    from service.storage.document_files import read_document_text, save_text
    from service.storage.names import file_stem
    from service.wiring.matching import match_and_record
    from service.wiring.series import write_series

    url = bench or session.settings.bench
    if not url:
        raise SettingsError("No bench is named; give --bench URL, or set it in the configuration.")
    stem = f"{utc_now():%Y%m%dT%H%M%SZ}-{file_stem(cooler)}"
    if out is None:
        out = session.data_folder / "matches" / f"{stem}.json"
    _check_out(out)
    # The trail grows in the data folder, so that an interrupted run leaves its evidence there and
    # nothing unfinished beside the settings.
    trail_path = session.data_folder / "trails" / f"{stem}.trail.jsonl"
    client = BenchClient(url, token=token or session.settings.bench_token)
    try:
        with session.open_input(input_text, rate_hz=rate_hz, channels=channels) as source:
            document = session.calibration(calibration, source)
            result, part = match_and_record(
                cooler,
                request,
                client,
                source,
                document,
                response=session.response(response, document),
                trail_path=trail_path,
                tell=remark,
            )
    finally:
        client.close()
    settings = settings_document(request, [part], time=utc_now(), calibration=document, drift=None)
    files = write_series(out, settings, [LevelPanel(cooler, request, result)])
    files.append(out.with_suffix(".trail.jsonl"))
    save_text(files[-1], read_document_text(trail_path, "trail"))
    return settings, files


def _check_out(out: Path) -> None:
    """Refuse a name for the settings before minutes of listening go into them."""
    from service.errors import SettingsError

    if out.suffix in (".csv", ".png", ".svg", ".jsonl"):
        raise SettingsError(
            f"--out {out} names the JSON document, and {out.suffix} is for what goes beside it; "
            "let it end in .json."
        )
    if out.is_dir() or (out.parent.exists() and not out.parent.is_dir()):
        raise SettingsError(f"--out {out} is no name for a file; choose another.")


def _show_budget(settings: "MatchedSettingsDocument") -> None:
    """Print what the intervals are made of."""
    from service.cli.budget_table import show_budget, show_comparison
    from service.documents.budget import budget_from

    (part,) = settings.coolers
    if part.level is None or not part.level.budget:
        remark(f"{part.cooler} was given no level, so there is no budget to print")
        return
    whole = budget_from(part.level.budget, settings.chain.budget)
    show_budget(f"level of {part.cooler}, calibration apart", budget_from(part.level.budget))
    show_budget(f"level of {part.cooler} against the true sound pressure level", whole)
    show_comparison(whole)


def _show(settings: "MatchedSettingsDocument", files: list[Path]) -> None:
    """Print the result for a person."""
    (part,) = settings.coolers
    print(f"{part.cooler}: {part.outcome}. {part.why}")
    for name, setting in (part.settings or {}).items():
        speed = "" if setting.rpm is None else f", {setting.rpm:.0f} rpm"
        print(f"  {name}: {setting.duty_percent:.1f} % duty{speed}")
    if part.level is not None and part.margin_db is not None:
        print(
            f"  level: {part.level.LAeq_db:.2f} +-{part.level.U95_db:.2f} dB(A), "
            f"{part.margin_db:.1f} dB over the floor of {part.floor.LAeq_db:.1f} dB(A)"
        )
        if part.level.loudness is not None:
            loudness = part.level.loudness
            print(
                f"  loudness: {loudness.N_sone:.2f} +-{loudness.U95_sone:.2f} sone "
                f"({loudness.LN_phon:.1f} phon, {loudness.field} field)"
            )
    print(
        f"  {part.settings_visited} settings, {part.listened_s:.0f} s listened, "
        f"{part.bench_s:.0f} s in all"
    )
    for text in part.warnings:
        print(f"  note: {text}")
    print(f"settings: {files[0]} (table, pictures and trail beside it)")
