"""A report on recordings: what is heard, drawn and said, as one page with its pictures inside."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Final

from service.clock import utc_now
from service.documents.cooler import CoolerDocument
from service.documents.orders import OrdersDocument
from service.documents.spectra import SpectrumDocument
from service.documents.tones import TonesDocument
from service.errors import SettingsError
from service.jobs.analysis import AnalysisRequest
from service.jobs.kept_speeds import speed_courses
from service.jobs.order_review import is_swept
from service.jobs.spectrum_document import spectrum_document
from service.reports.drawing import FORMS
from service.reports.page import Block, Heading, Notes, Page, Text, written_page
from service.reports.report_blocks import (
    CAUTIONS,
    METHOD,
    budget_block,
    chain_blocks,
    difference_blocks,
    headlines,
    orders_blocks,
    settings_block,
    tones_block,
)
from service.storage.document_files import make_folder, save_bytes, save_text
from service.wiring.order_naming import OrderRequest, orders_of_file
from service.wiring.report_drawings import (
    Drawing,
    Reported,
    bands_drawing,
    orders_drawing,
    side_drawings,
    spectrum_drawing,
    time_drawing,
)
from service.wiring.reviewing import ComparedSounds, review_file
from service.wiring.tone_naming import ToneRequest, name_tones_of

__all__ = ["Report", "ReportRequest", "described", "report_on", "write_report"]

_MOST_PASSAGES: Final = 4
"""Settings of a recording whose spectra are drawn; more are only listed."""
_MOST_BESIDE_ORDERS: Final = 2
"""The same of a sweep, which is better seen over speed."""


@dataclass(frozen=True, slots=True)
class ReportRequest:
    """What is asked of a report."""

    recording: AnalysisRequest
    """Calibration and part of each recording."""
    whole: bool
    """Whether each is one passage, as where a part was chosen."""
    descriptions: Sequence[CoolerDocument | None]
    """What is known of the cooler in each recording."""
    rpm: dict[str, float]
    """Speeds that were given."""
    speeds: Path | None = None
    """Table of speed over time of the only recording; None for what was noted beside each."""
    mains_hz: float | None = None
    """Mains frequency; None to find out."""
    room: Path | None = None
    """A recording of the room with everything at rest."""
    title: str | None = None
    """What stands above; None for the names of the coolers."""


@dataclass(frozen=True, slots=True, eq=False)
class Report:
    """A report, ready to be written."""

    page: str
    """HTML that needs nothing beside it."""
    drawings: tuple[Drawing, ...]
    """Its pictures."""
    tones: tuple[TonesDocument, ...]
    """Tones of each recording."""
    orders: tuple[OrdersDocument | None, ...]
    """Orders of each, where a speed is swept."""
    spectra: SpectrumDocument | None
    """Their spectra beside one another; None for one recording."""


def report_on(
    paths: Sequence[Path],
    request: ReportRequest,
    *,
    progress: Callable[[float], None] = lambda _: None,
) -> Report:
    """Make a report on recordings.

    Parameters
    ----------
    paths : sequence of Path
        The recordings, at least one; each further one is compared with the first.
    request : ReportRequest
        What is asked.
    progress : callable, optional
        Told the share that is done, 0 to 1.

    Returns
    -------
    Report
        The report.

    Raises
    ------
    EvenhushError
        If a recording cannot be used.
    """
    reported = []
    for place, path in enumerate(paths):

        def note(share: float, place: int = place) -> None:
            progress((place + share) / len(paths))

        reported.append(_reported(path, request.descriptions[place], request, note))
    reported = _with_labels(reported)
    compared, pairs = _compared(reported)
    drawings: list[Drawing] = []
    blocks: list[Block] = [Heading("In short"), Notes(_in_short(reported))]
    for each in reported:
        blocks += _about_one(each, drawings)
    if compared is not None:
        blocks += _side_by_side(compared, pairs, drawings)
    blocks += _about_all(reported)
    made = f"Evenhush {version('evenhush')}, made {utc_now():%Y-%m-%d %H:%M} UTC"
    title = request.title or " and ".join(dict.fromkeys(each.label for each in reported))
    return Report(
        written_page(Page(title, made, blocks)),
        tuple(drawings),
        tuple(each.named.document for each in reported),
        tuple(None if each.swept is None else each.swept.document for each in reported),
        None if compared is None else compared.document,
    )


def write_report(path: Path, report: Report, pictures: Path | None) -> list[Path]:
    """Write a report, and perhaps its pictures and what they show.

    Parameters
    ----------
    path : Path
        Where the page goes.
    report : Report
        The report.
    pictures : Path or None
        Folder for every picture as PNG and SVG and its data as CSV; None for none.

    Returns
    -------
    list of Path
        What was written, the page first.

    Raises
    ------
    EvenhushError
        If a file cannot be written.
    """
    save_text(path, report.page)
    written = [path]
    if pictures is not None:
        make_folder(pictures)
        for drawing in report.drawings:
            for form in FORMS:
                written.append(pictures / f"{drawing.name}.{form}")
                save_bytes(written[-1], drawing.draw(form))
            written.append(pictures / f"{drawing.name}.csv")
            drawing.save_data(written[-1])
    return written


def _reported(
    path: Path,
    description: CoolerDocument | None,
    request: ReportRequest,
    progress: Callable[[float], None],
) -> Reported:
    """Listen to one recording."""
    asked = ToneRequest(
        request.recording,
        whole=request.whole,
        rpm=request.rpm,
        description=description,
        mains_hz=request.mains_hz,
        room=request.room,
    )
    named = name_tones_of([path], asked, progress=lambda share: progress(0.3 * share))
    whole = named.sounds[0]
    if len(named.sounds) > 1:
        whole = review_file(path, request.recording, progress=lambda s: progress(0.3 + 0.1 * s))
    swept = None
    courses = {} if whole.kept is None else speed_courses(whole.kept)
    start_s = whole.review.start_s
    ends_s = start_s + whole.review.duration_s
    if request.speeds is not None or is_swept(courses, start_s, ends_s):
        orders = OrderRequest(
            request.recording,
            speeds=request.speeds,
            description=description,
            mains_hz=request.mains_hz,
        )
        swept = orders_of_file(path, orders, progress=lambda s: progress(0.4 + 0.6 * s))
    kept = whole.kept
    known = None if description is None else description.cooler
    label = (kept.cooler if kept is not None else None) or known or path.stem
    if label == "as described by options":
        label = path.stem
    return Reported(label, named, whole, swept)


def _with_labels(reported: Sequence[Reported]) -> list[Reported]:
    """Tell recordings of one cooler apart by their files, or by their number."""
    labels = [each.label for each in reported]
    named = []
    for place, each in enumerate(reported):
        label = each.label
        if labels.count(label) > 1:
            stem = Path(each.whole.review.file).stem
            label = f"{label} ({stem})" if stem != label else f"{label} ({place + 1})"
        named.append(replace(each, label=label))
    if len({each.label for each in named}) < len(named):
        return [replace(each, label=f"{k}. {each.label}") for k, each in enumerate(named, 1)]
    return named


def _in_short(reported: Sequence[Reported]) -> list[str]:
    """Say what matters most."""
    texts = []
    for each in reported:
        if each.swept is None:
            last = len(each.named.sounds) - 1
            passage = each.named.document.passages[last]
            texts += headlines(each.passage_label(last), passage)
        else:
            document = each.swept.document
            texts += [f"{each.label}, {crossing.text}." for crossing in document.crossings]
            calm = max(document.calm, key=lambda c: c.high_rpm - c.low_rpm, default=None)
            rotor = document.rotor.name
            texts.append(
                f"{each.label}: a tone is prominent at every speed of {rotor}."
                if calm is None
                else f"{each.label}: no tone is prominent from {calm.low_rpm:.0f} to "
                f"{calm.high_rpm:.0f} rpm of {rotor}."
            )
    return texts


def _about_one(each: Reported, drawings: list[Drawing]) -> list[Block]:
    """Show one recording: its sound over time, its tones, and its orders."""
    blocks: list[Block] = [Heading(each.label)]
    new: list[Drawing] = []
    sounds, parts = each.named.sounds, each.named.document.passages
    first = max(0, len(sounds) - (_MOST_PASSAGES if each.swept is None else _MOST_BESIDE_ORDERS))
    for place in range(first, len(sounds)):
        label = each.passage_label(place)
        if len(sounds) > 1:
            blocks.append(Heading(label, 3))
        new.append(spectrum_drawing(each, place, label))
        blocks += [new[-1].figure(), tones_block(parts[place], label)]
    if first:
        blocks.append(
            Text(
                f"{first} more settings were heard; their levels stand below, and 'evenhush tones' "
                "lists their tones."
            )
        )
    new.append(bands_drawing(each))
    blocks.append(new[-1].figure())
    new.append(time_drawing(each))
    blocks.append(new[-1].figure())
    if each.swept is not None:
        new.append(orders_drawing(each, each.swept))
        blocks += [
            Heading(f"{each.label} over its speeds", 3),
            new[-1].figure(),
            *orders_blocks(each.swept.document),
        ]
    blocks += [Notes(each.named.document.warnings, warning=True)] * bool(
        each.named.document.warnings
    )
    drawings += new
    return blocks


def _compared(
    reported: Sequence[Reported],
) -> tuple[ComparedSounds | None, list[str]]:
    """Put recordings beside one another: of each its last passage."""
    beside = [each for each in reported if each.swept is None]
    if len(beside) < 2:
        return None, []
    sounds = [each.named.sounds[-1] for each in beside]
    room = beside[0].named.room
    labels = [each.passage_label(len(each.named.sounds) - 1) for each in beside]
    return ComparedSounds(tuple(sounds), room, spectrum_document(sounds, room)), labels


def _side_by_side(
    compared: ComparedSounds, labels: Sequence[str], drawings: list[Drawing]
) -> list[Block]:
    """Show differences."""
    new = side_drawings(compared, labels)
    drawings += new
    blocks: list[Block] = [Heading("Side by side"), *(each.figure() for each in new)]
    for label, each in zip(labels[1:], compared.document.differences, strict=True):
        blocks += difference_blocks(each, (labels[0], label))
        listed = budget_block(f"{label} less {labels[0]}", each.budget)
        blocks += [] if listed is None else [listed]
    return blocks


def _about_all(reported: Sequence[Reported]) -> list[Block]:
    """Say what was recorded, how sure it is, and how it was done."""
    parts = [part for each in reported for part in each.named.document.passages]
    room = next((each.named.room for each in reported if each.named.room is not None), None)
    blocks: list[Block] = [
        Heading("What was recorded"),
        *chain_blocks(parts, None if room is None else room.part()),
        Heading("Speeds", 3),
        *settings_block(parts),
        Heading("How sure the levels are"),
    ]
    budgets = [
        budget_block(f"LAeq of {each.passage_label(place)}", part.budget)
        for each in reported
        for place, part in enumerate(each.named.document.passages)
    ]
    listed = [block for block in budgets if block is not None]
    blocks += listed or [
        Text("No level has an interval: the sound is not steady, or no calibration is known.")
    ]
    blocks += [
        Heading("How it was done"),
        *(Text(text) for text in METHOD),
        Heading("Cautions"),
        Notes(CAUTIONS, warning=True),
    ]
    return blocks


def described(
    descriptions: Sequence[CoolerDocument | None], recordings: int
) -> list[CoolerDocument | None]:
    """Give every recording its description: one for all, or one for each.

    Parameters
    ----------
    descriptions : sequence of CoolerDocument or None
        What was given.
    recordings : int
        Number of recordings.

    Returns
    -------
    list of CoolerDocument or None
        One for each recording.

    Raises
    ------
    SettingsError
        If there are as many as fit neither.
    """
    if len(descriptions) == recordings:
        return list(descriptions)
    if len(descriptions) > 1:
        raise SettingsError(
            f"{len(descriptions)} descriptions do not fit {recordings} recordings; give one for "
            "all, or one for each in their order."
        )
    return [descriptions[0] if descriptions else None] * recordings
