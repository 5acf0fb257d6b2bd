"""``evenhush match``: turn a cooler's speeds until it alone makes the target level."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Literal

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
    PumpFollows,
    RateHz,
    ResponseFile,
    ShowBudget,
    UsedChannels,
)
from service.cli.runtime import Session, check_out, check_pump_options, open_session, read_floor

if TYPE_CHECKING:
    from calibration.results import MatchRequest
    from service.wiring.series_plan import SeriesPlan
    from service.wiring.series_progress import SeriesProgress

__all__ = ["match"]

_USUAL_PAIRS: Final = 5


def match(
    *,
    cooler: Annotated[
        list[str],
        typer.Option(
            "--cooler",
            metavar="NAME",
            help="What is mounted; several are mounted one after another.",
            show_default=False,
        ),
    ],
    bench: BenchUrl = None,
    input_text: InputText = None,
    calibration: CalibrationFile = None,
    response: ResponseFile = None,
    target_db: Annotated[
        list[float] | None,
        typer.Option(
            "--target-db",
            help="Level to reach, dB(A); several are reached in one go [default: 40].",
            show_default=False,
        ),
    ] = None,
    target_sone: Annotated[
        list[float] | None,
        typer.Option(
            "--target-sone",
            help="Loudness to reach instead, in sone (ISO 532-1); or several.",
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
    floor: FloorFile = None,
    pump_duty_percent: Annotated[
        float | None,
        typer.Option(
            "--pump-duty-percent",
            help="Hold the pump here [default: as the match needs it].",
            show_default=False,
        ),
    ] = None,
    pump_follows: PumpFollows = False,
    detune_percent: Annotated[
        float,
        typer.Option(
            "--detune-percent",
            min=0.0,
            max=5.0,
            help="Set the duties of fans that beat this far apart, keeping their mean.",
        ),
    ] = 0.0,
    curve: Annotated[
        bool,
        typer.Option(
            "--curve",
            help="Find the pairs of fan and pump speed that make the target.",
        ),
    ] = False,
    curve_points: Annotated[
        int | None,
        typer.Option(
            "--curve-points",
            min=2,
            max=20,
            help="How many, spread over the pump's range [default: 5].",
            show_default=False,
        ),
    ] = None,
    curve_pump_percent: Annotated[
        list[float] | None,
        typer.Option(
            "--curve-pump-percent",
            help="A pump duty to find a pair at, instead of evenly spread ones; give several.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            show_default=False,
            help="Where the settings go, with table, pictures and trail beside; of several "
            "targets each has it in its name [default: in the data folder].",
        ),
    ] = None,
    fresh: Annotated[
        bool,
        typer.Option(
            "--fresh",
            help="Do everything anew, whatever a run that broke off has done or heard, and "
            "whatever a sweep has found.",
        ),
    ] = False,
    keep: Keep = None,
    keep_as: KeepAs = None,
    token: BenchToken = None,
    rate_hz: RateHz = None,
    channels: Channels = None,
    used: UsedChannels = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    show_budget: ShowBudget = False,
    as_json: AsJson = False,
) -> int:
    """Match coolers to target levels.

    Lowers fan and pump speeds: run it only under a load whose temperature is watched, and keep
    hands, hair and cables away from the blades.
    """
    from service.cli.match_result import print_results, show_budgets
    from service.wiring.series_plan import SeriesPlan

    session = open_session(config, data)
    requests = _requests(
        session,
        target_db=target_db or [],
        target_sone=target_sone or [],
        sound_field=sound_field,
        tolerance_db=tolerance_db,
        applies_to=applies_to,
        floor=floor,
        pump_duty_percent=pump_duty_percent,
        follows=pump_follows,
        curve=bool(curve or curve_points or curve_pump_percent),
        detune_percent=detune_percent,
    )
    plan = SeriesPlan(tuple(cooler), requests, out)
    keeping = session.keep_request(keep, keep_as, "match")
    series = _run(
        session,
        plan,
        bench=bench,
        token=token,
        inputs=SeriesInput(
            session, input_text, calibration, response, rate_hz, channels, used, keeping
        ),
        fresh=fresh,
        pairs=_pairs(curve_points, curve_pump_percent, curve=curve),
    )
    settings = series.documents()
    print_results(settings, series.paths, as_json=as_json)
    if show_budget:
        show_budgets(settings)
    outcomes = [part.outcome for document in settings for part in document.coolers]
    if "stopped" in outcomes:
        return 3
    whole = len(outcomes) == len(plan.coolers) * len(plan.requests)
    return 0 if whole and set(outcomes) == {"matched"} else 1


def _requests(
    session: Session,
    *,
    target_db: list[float],
    target_sone: list[float],
    sound_field: str,
    tolerance_db: float | None,
    applies_to: str,
    floor: Path | None,
    pump_duty_percent: float | None,
    follows: bool,
    curve: bool,
    detune_percent: float,
) -> tuple["MatchRequest", ...]:
    """Put together what is asked of the matches, one for each target."""
    from calibration.goal import LoudnessTarget
    from calibration.results import MatchRequest
    from service.errors import SettingsError

    check_pump_options(pump_duty_percent, follows=follows)
    if curve and (follows or pump_duty_percent is not None):
        raise SettingsError(
            "--curve sets the pump itself; leave --pump-duty-percent and --pump-follows out."
        )
    if applies_to not in ("cooler", "reading"):
        raise SettingsError(f"--applies-to is 'cooler' or 'reading', not {applies_to!r}.")
    if target_db and target_sone:
        raise SettingsError("Give either --target-db or --target-sone, not both.")
    for level_db in target_db:
        if not 0.0 <= level_db <= 120.0:
            raise SettingsError(f"--target-db is from 0 to 120 dB(A), not {level_db:g}.")
    if sound_field not in ("free", "diffuse"):
        raise SettingsError(f"--sound-field is 'free' or 'diffuse', not {sound_field!r}.")
    field: Literal["free", "diffuse"] = "free" if sound_field == "free" else "diffuse"
    targets: list[tuple[float | None, LoudnessTarget | None]] = [
        (None, LoudnessTarget(sone, field)) for sone in target_sone
    ]
    if not targets:
        targets = [(each_db, None) for each_db in target_db or [session.settings.target_db]]
    known = read_floor(floor)
    fixed: Literal["fixed", "automatic"] = "automatic" if pump_duty_percent is None else "fixed"
    return tuple(
        MatchRequest(
            target_db=level_db,
            loudness=loudness,
            tolerance_db=session.settings.tolerance_db if tolerance_db is None else tolerance_db,
            applies_to="cooler" if applies_to == "cooler" else "reading",
            floor=known,
            pump="follows" if follows else fixed,
            pump_duty_percent=pump_duty_percent,
            detune_percent=detune_percent,
        )
        for level_db, loudness in targets
    )


def _pairs(
    count: int | None, pump_percents: list[float] | None, *, curve: bool
) -> list[float] | int | None:
    """Pump duties of a curve, or how many of them; None where one pair is asked for."""
    from service.errors import SettingsError

    if count is not None and pump_percents:
        raise SettingsError("Give either --curve-points or --curve-pump-percent, not both.")
    return pump_percents or count or (_USUAL_PAIRS if curve else None)


def _run(
    session: Session,
    plan: "SeriesPlan",
    *,
    bench: str | None,
    token: str | None,
    inputs: SeriesInput,
    fresh: bool,
    pairs: list[float] | int | None,
) -> "SeriesProgress":
    """Do the matches and write what they come to."""
    from calibration.pump_curve import curve_duties
    from service.cli.remembering import RememberedSeries, Remembering
    from service.wiring.match_series import run_series

    if plan.out is not None:
        for path in plan.paths(plan.out):
            check_out(path)
    with session.open_bench(bench, token) as client, Remembering(session) as remembering:
        if pairs is not None:
            duties = (
                curve_duties(client.describe(), pairs) if isinstance(pairs, int) else tuple(pairs)
            )
            plan = replace(plan, pump_percents=duties)
        remembered = RememberedSeries(remembering, inputs)
        return run_series(
            plan,
            client,
            remembered.hear,
            AtTheBench(),
            data_folder=session.data_folder,
            fresh=fresh,
            watch=remembered,
        )
