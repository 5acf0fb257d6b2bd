"""``evenhush floor``: the level of the room with everything stopped."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import (
    AsJson,
    CalibrationFile,
    Channels,
    ConfigFile,
    DataFolder,
    InputText,
    Keep,
    KeepAs,
    RateHz,
    ResponseFile,
    ShowBudget,
    UsedChannels,
)
from service.cli.runtime import open_session, print_json, remark

if TYPE_CHECKING:
    from service.documents.floor import FloorDocument

__all__ = ["floor"]


def floor(
    *,
    input_text: InputText = None,
    calibration: CalibrationFile = None,
    response: ResponseFile = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=6.0, max=3600.0, help="How long to listen.")
    ] = 30.0,
    target_db: Annotated[
        float | None,
        typer.Option(
            "--target-db",
            help="Also answer whether the room is quiet enough for this target.",
            show_default=False,
        ),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option(
            "--save", metavar="FILE", help="Write it here, for match --floor.", show_default=False
        ),
    ] = None,
    keep: Keep = None,
    keep_as: KeepAs = None,
    rate_hz: RateHz = None,
    channels: Channels = None,
    used: UsedChannels = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    show_budget: ShowBudget = False,
    as_json: AsJson = False,
) -> int:
    """Check the room floor. Stop fans only where the processor stays cool without them."""
    from service.cli.remembering import Remembering
    from service.clock import utc_now
    from service.jobs.floor_checking import check_floor
    from service.storage.document_files import save_text

    session = open_session(config, data)
    request = session.keep_request(keep, keep_as, "floor")
    with session.open_kept(
        input_text,
        rate_hz=rate_hz,
        channels=session.channels_for(channels, used),
        keep=request,
    ) as keeping:
        source = keeping.source
        document = session.calibration(calibration, source, used)
        remark(f"listening to the room on {source.name} for {seconds:g} s")
        table = session.response(response, document)
        keeping.know(list(document.by_channel().values()), table)
        with keeping.measuring("room floor"):
            found = check_floor(source, document, seconds=seconds, time=utc_now(), response=table)
    found = found.model_copy(update={"warnings": [*found.warnings, *keeping.warnings()]})
    if save is not None:
        save_text(save, found.to_json())
    with Remembering(session) as remembering:
        remembering.add(lambda archive: archive.floors.add(found))
    if as_json:
        print_json(found.to_plain())
    else:
        _show(found, save)
    if show_budget:
        _show_budget(found)
    too_high = target_db is not None and found.fit_for_target_db > target_db
    if too_high:
        remark(
            f"The room is too loud for {target_db:g} dB(A): the lowest target it is fit for is "
            f"{found.fit_for_target_db:.1f} dB(A)."
        )
    return 1 if too_high else 0


def _show_budget(found: "FloorDocument") -> None:
    """Print what the intervals are made of."""
    from service.cli.budget_table import show_budget
    from service.documents.budget import budget_from

    show_budget("room floor", budget_from(found.budget))
    show_budget(
        "room floor against the true sound pressure level",
        budget_from(found.budget, found.chain_budget),
    )


def _show(found: "FloorDocument", save: Path | None) -> None:
    """Print the floor for a person."""
    print(f"room floor: {found.LAeq_db:.1f} +-{found.U95_db:.1f} dB(A), LA90 {found.LA90_db:.1f}")
    print(f"listened {found.listened_s:.0f} s, left out {found.rejected_s:.1f} s of disturbance")
    print(
        f"fit for targets from {found.fit_for_target_db:.1f} dB(A), "
        f"with ease from {found.comfortable_target_db:.1f} dB(A)"
    )
    for tone in found.tones:
        print(f"tone at {tone.frequency_hz:.1f} Hz, {tone.level_db:.1f} dB")
    for text in found.warnings:
        print(f"note: {text}")
    if save is not None:
        print(f"saved: {save}")
