"""``evenhush calibrate``: a reference tone becomes a calibration, or the reasons why not."""

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.cli.options import (
    AsJson,
    Channels,
    ConfigFile,
    DataFolder,
    InputText,
    Keep,
    KeepAs,
    RateHz,
    ShowBudget,
)
from service.cli.runtime import open_session, print_json, remark

if TYPE_CHECKING:
    from service.documents.calibration import CalibrationDocument
    from service.documents.matched_settings import MatchedSettingsDocument

__all__ = ["calibrate"]


def calibrate(
    *,
    input_text: InputText = None,
    level_db: Annotated[
        float, typer.Option("--level-db", help="Level on the calibrator's label.")
    ] = 94.0,
    frequency_hz: Annotated[
        float, typer.Option("--frequency-hz", help="Frequency on the calibrator's label.")
    ] = 1000.0,
    seconds: Annotated[
        float, typer.Option("--seconds", min=2.0, max=120.0, help="How long to listen.")
    ] = 10.0,
    channel: Annotated[
        int, typer.Option("--channel", min=1, max=64, help="Channel the calibrator is on.")
    ] = 1,
    save: Annotated[
        Path | None,
        typer.Option(
            "--save",
            metavar="FILE",
            help="Also write it here; other channels of the same input that it holds stay in it.",
            show_default=False,
        ),
    ] = None,
    closes: Annotated[
        list[Path] | None,
        typer.Option(
            "--closes",
            metavar="SETTINGS",
            help="Enter the drift since then into these matched settings; can be repeated.",
            show_default=False,
        ),
    ] = None,
    keep: Keep = None,
    keep_as: KeepAs = None,
    rate_hz: RateHz = None,
    channels: Channels = None,
    config: ConfigFile = None,
    data: DataFolder = None,
    show_budget: ShowBudget = False,
    as_json: AsJson = False,
) -> int:
    """Calibrate the microphone against a reference tone.

    Keep the calibrator away from ears: 94 dB is loud, 114 dB harmful within a minute.
    """
    from calibration.reference_tone import ReferenceTone
    from service.cli.remembering import Remembering
    from service.clock import utc_now
    from service.jobs.calibrating import calibrate as judge
    from service.storage.calibrations import CalibrationHistory
    from service.storage.document_files import save_text
    from service.wiring.archiving import close_matches

    session = open_session(config, data)
    # Read before the tone is heard: a wrong name must not cost a minute of listening.
    series = {path: _read_settings(path) for path in closes or []}
    earlier = None if save is None else _read_earlier(save)
    history = CalibrationHistory(session.data_folder)
    with session.open_kept(
        input_text,
        rate_hz=rate_hz,
        channels=session.channels_for(channels, [channel]),
        position="calibrator",
        keep=session.keep_request(keep, keep_as, "calibrate"),
    ) as keeping:
        source = keeping.source
        remark(f"listening to the reference tone on {source.name} for {seconds:g} s")
        with keeping.measuring(f"reference tone of {level_db:g} dB at {frequency_hz:g} Hz"):
            document = judge(
                source,
                ReferenceTone(level_db, frequency_hz),
                channel=channel,
                seconds=seconds,
                time=utc_now(),
                previous=history.latest(source.name, channel),
            )
        if document.accepted:
            keeping.know([document])
    document = document.model_copy(update={"remarks": [*document.remarks, *keeping.warnings()]})
    if document.accepted:
        whole = document if earlier is None else document.with_channels_of(earlier)
        if save is not None:
            save_text(save, whole.to_json())
        history.add(document)
        document = whole
    if as_json:
        print_json(document.to_plain())
    else:
        _show(document, save)
    if show_budget and document.budget:
        _show_budget(document)
    with Remembering(session) as remembering:
        if document.accepted:
            remembering.add(lambda archive: archive.calibrations.add(document))
        stand = []
        for path, settings in series.items():
            stand.append(_close(path, settings, document))
            if document.accepted:
                remembering.add(partial(close_matches, settings=settings, after=document))
    return 0 if document.accepted and all(stand) else 1


def _read_settings(path: Path) -> "MatchedSettingsDocument":
    """Read the matched settings of a series that is to be closed."""
    from service.documents.matched_settings import MatchedSettingsDocument
    from service.storage.document_files import read_document_text

    return MatchedSettingsDocument.from_json(
        read_document_text(path, "document of matched settings"), str(path)
    )


def _read_earlier(path: Path) -> "CalibrationDocument | None":
    """Read the calibration that a file holds already, if it holds one."""
    from service.documents.calibration import CalibrationDocument
    from service.errors import DocumentError
    from service.storage.document_files import read_document_text

    if not path.exists():
        return None
    try:
        return CalibrationDocument.from_json(read_document_text(path, "calibration"), str(path))
    except DocumentError:
        return None  # it is written anew


def _close(path: Path, settings: "MatchedSettingsDocument", after: "CalibrationDocument") -> bool:
    """Enter the drift into matched settings; tell whether they stand."""
    from service.jobs.settings_document import close_series
    from service.storage.document_files import save_text

    if not after.accepted:
        return False
    closed, drift = close_series(settings, after, str(path))
    save_text(path, closed.to_json())
    of_channels = closed.chain.channels
    which = f"microphone of channel {after.channel}" if of_channels else "microphone"
    remark(f"{path}: the {which} drifted by {drift.drift_db:+.2f} dB since")
    for each in of_channels:
        if each.drift_db is None:
            remark(f"{path}: the drift of channel {each.channel} is not known yet")
    if drift.remark:
        remark(drift.remark)
    return not drift.void


def _show_budget(document: "CalibrationDocument") -> None:
    """Print what the interval is made of."""
    from acoustic.budget import CONVENTIONAL_COVERAGE
    from service.cli.budget_table import show_budget
    from service.documents.budget import budget_from

    show_budget(
        "levels measured with this calibration",
        budget_from(document.budget),
        CONVENTIONAL_COVERAGE,
    )


def _show(document: "CalibrationDocument", save: Path | None) -> None:
    """Print the verdict for a person."""
    tone = document.tone
    found = (
        f"tone: {tone.frequency_hz:.2f} Hz, {tone.level_dbfs:.2f} dB re full scale, "
        f"+-{tone.stability_db:.2f} dB, {tone.distortion_percent:.2f} % harmonics, "
        f"{tone.signal_to_noise_db:.0f} dB over everything else"
    )
    print(found)
    if document.accepted:
        print(
            f"accepted: {document.pascal_per_unit:.5g} Pa per unit, levels +-{document.U95_db:.2f} "
            "dB (95 %)"
        )
        for text in document.remarks:
            print(f"note: {text}")
        if save is not None:
            print(f"saved: {save}")
            for number, other in document.by_channel().items():
                if number != document.channel:
                    print(f"  with channel {number}, calibrated {other.time:%Y-%m-%d %H:%M} UTC")
    else:
        print("refused, nothing saved:")
        for reason in document.reasons:
            print(f"  {reason}")
