"""What a report says, in tables and sentences made from documents."""

import math
from collections.abc import Iterable, Sequence
from typing import Final

from service.documents.budget import BudgetRow, budget_from
from service.documents.orders import OrdersDocument, StayingTonePart
from service.documents.reviewed import ReviewedPart
from service.documents.spectra import DifferencePart
from service.documents.tones import NamedTonePart, TonePassage
from service.reports.page import Block, Heading, Notes, Table, Text

__all__ = [
    "CAUTIONS",
    "METHOD",
    "budget_block",
    "chain_blocks",
    "difference_blocks",
    "headlines",
    "orders_blocks",
    "settings_block",
    "tones_block",
]

METHOD: Final = (
    "Levels are A-weighted and averaged over the sound that is used (IEC 61672-1). Spectra are "
    "averaged over segments of one second, Hann window, overlapping by half, with lines 1 Hz "
    "apart. Tones are assessed by tone-to-noise ratio and prominence ratio (ECMA-418-1): "
    "prominent is what reaches a criterion and the threshold of hearing. That a tone is heard as "
    "one has to be confirmed by listening.",
    "What makes a tone is named from speeds, blades and poles, as far as they are known, each name "
    "with its probability. Doors, voices, clipping and gaps are left out and listed.",
)
CAUTIONS: Final = (
    "A sound pressure level at one place in one room is not a declared noise emission; it compares "
    "coolers heard in the same place.",
    "Before listening to an excerpt, turn the volume down, most of all with headphones.",
    "Fans start without warning: keep fingers, hair and cables away from the blades.",
)


def _level(value: float | None, *, calibrated: bool) -> str:
    """Say a level."""
    unit = "dB(A)" if calibrated else "dB(A) re full scale"
    return "no sound" if value is None else f"{value:.1f} {unit}"


def _interval(part: ReviewedPart) -> str:
    """Say how sure a level is."""
    if part.U95_absolute_db is not None:
        return f" +-{part.U95_absolute_db:.1f} dB (95 %)"
    if part.U95_db is not None:
        return f" +-{part.U95_db:.1f} dB from listening alone (95 %)"
    return ""


def headlines(label: str, part: TonePassage) -> list[str]:
    """Say the level of a passage and its worst tones, in sentences.

    Parameters
    ----------
    label : str
        What it is called.
    part : TonePassage
        The passage.

    Returns
    -------
    list of str
        The sentences.
    """
    level = part.LAeq_db if part.calibrated else part.LAeq_dbfs
    texts = [f"{label}: {_level(level, calibrated=part.calibrated)}{_interval(part)}."]
    prominent = sorted(
        (tone for tone in part.tones if tone.prominent),
        key=lambda tone: -tone.tone_to_noise_ratio_db,
    )
    if not prominent:
        texts[0] = texts[0][:-1] + "; no tone is prominent."
        return texts
    for tone in prominent[:3]:
        own = "; the room has it too" if tone.in_room else ""
        texts.append(
            f"{label} whines at {tone.frequency_hz:.0f} Hz: {_criterion(tone)}; "
            f"{_named(tone)}{own}."
        )
    if len(prominent) > 3:
        texts.append(f"{label}: {len(prominent) - 3} more prominent tones are in the table.")
    return texts


def _criterion(tone: NamedTonePart) -> str:
    """Say how a tone stands out, against its criterion."""
    ratio = f"tone-to-noise ratio {tone.tone_to_noise_ratio_db:.1f} dB"
    if tone.prominent_from_db is None:
        return ratio
    return f"{ratio}, where {tone.prominent_from_db:.1f} dB make a tone prominent"


def _named(tone: NamedTonePart) -> str:
    """Say what makes a tone."""
    best = tone.explanations[0]
    words = {"sure": "for sure", "likely": "likely", "open": "perhaps"}[tone.grade]
    if best.source == "unexplained":
        return "not known what makes it" if best.name == "unexplained" else best.name
    source = "" if best.source in {"mains", "PWM"} else f"{best.source} "
    return f"{source}{best.name}, {words} ({100 * best.probability:.0f} %)"


def tones_block(part: TonePassage, caption: str) -> Block:
    """List the tones of a passage."""
    if not part.tones:
        return Text(f"{caption}: no tone stands out of the noise.")
    unit = "dB" if part.calibrated else "dB re full scale"
    moves = {None: "", "": "stays"}
    return Table(
        (
            "frequency, Hz",
            f"level, {unit}",
            "tone-to-noise ratio, dB",
            "prominent from, dB",
            "prominence ratio, dB",
            "what makes it",
            "follows",
            "in the room",
        ),
        [
            (
                f"{tone.frequency_hz:.1f}",
                f"{tone.level:.1f}",
                f"{tone.tone_to_noise_ratio_db:.1f}",
                "" if tone.prominent_from_db is None else f"{tone.prominent_from_db:.1f}",
                f"{tone.prominence_ratio_db:.1f}",
                _named(tone),
                moves.get(tone.moves_with, tone.moves_with or ""),
                {None: "", True: "yes", False: "no"}[tone.in_room],
            )
            for tone in part.tones
        ],
        f"{caption}: tones; prominent ones stand out.",
        [tone.prominent for tone in part.tones],
    )


def chain_blocks(parts: Sequence[ReviewedPart], room: ReviewedPart | None) -> list[Block]:
    """Say what was recorded, with which calibration, and how loud the room is."""
    rows = []
    for part in [*parts, *([] if room is None else [room])]:
        level = part.LAeq_db if part.calibrated else part.LAeq_dbfs
        rows.append(
            (
                ("room: " if part is room else "") + part.file,
                part.cooler or "",
                "" if part.time is None else f"{part.time:%Y-%m-%d %H:%M} UTC",
                f"{part.start_s:.1f} to {part.start_s + part.duration_s:.1f}",
                f"{part.used_s:.1f}",
                _level(level, calibrated=part.calibrated) + _interval(part),
                _calibration(part),
            )
        )
    head = ("recording", "cooler", "recorded", "from, s", "used, s", "LAeq", "calibration")
    blocks: list[Block] = [Table(head, rows)]
    if room is None:
        blocks.append(Text("No recording of the room was given, so levels are as heard in it."))
    warnings = [
        f"{part.file} from {part.start_s:.1f} s: {text}" for part in parts for text in part.warnings
    ]
    if warnings:
        blocks.append(Notes(list(dict.fromkeys(warnings)), warning=True))
    return blocks


def _calibration(part: ReviewedPart) -> str:
    """Say what the levels rest on."""
    if not part.calibrated:
        return "none: levels are re full scale"
    if part.calibration_time is None:
        return "pascals per unit as given"
    return f"{part.calibration_time:%Y-%m-%d %H:%M} UTC"


def settings_block(parts: Sequence[TonePassage]) -> list[Block]:
    """List what turned how fast, where that is known."""
    rows = [
        (
            part.file,
            f"{part.start_s:.1f}",
            rotor.name,
            f"{rotor.rpm:.0f}",
            f"{rotor.rpm_by_tones:.1f}",
        )
        for part in parts
        for rotor in part.rotors
    ]
    if not rows:
        return [Text("No speeds are known.")]
    head = ("recording", "from, s", "rotor", "speed read, rpm", "by its tones, rpm")
    return [Table(head, rows)]


def orders_blocks(document: OrdersDocument) -> list[Block]:
    """Say what follows the speed in a sweep, what stays, and what they meet."""
    rotor, calibrated = document.rotor, document.calibrated
    unit = "dB" if calibrated else "dB re full scale"
    rows = []
    for order in document.orders:
        levels = (order.level_db if calibrated else order.level_dbfs) or []
        heard = [
            (level, speed.rpm)
            for level, speed in zip(levels, document.speeds, strict=True)
            if level is not None
        ]
        ratios = [ratio for ratio in order.tone_to_noise_ratio_db if ratio is not None]
        prominent = [
            speed.rpm
            for speed, is_so in zip(document.speeds, order.prominent, strict=True)
            if is_so
        ]
        top, rpm = max(heard)
        rows.append(
            (
                order.name,
                str(order.order),
                f"{top:.1f}",
                f"{rpm:.0f}",
                f"{max(ratios):.1f}" if ratios else "",
                f"{prominent[0]:.0f} to {prominent[-1]:.0f}" if prominent else "nowhere",
            )
        )
    blocks: list[Block] = [
        Text(
            f"The {rotor.name} was heard from {rotor.lowest_rpm:.0f} to {rotor.highest_rpm:.0f} "
            f"rpm at {len(document.speeds)} speeds; its own tones tell the speed."
        )
    ]
    if rows:
        head = (
            "follows the speed",
            "order",
            f"loudest, {unit}",
            "at, rpm",
            "largest tone-to-noise ratio, dB",
            "prominent, rpm",
        )
        blocks.append(Table(head, rows))
    stays = [
        (
            f"{tone.frequency_hz:.1f}",
            f"{tone.level:.1f}",
            f"{tone.tone_to_noise_ratio_db:.1f}",
            _staying(tone),
        )
        for tone in document.stays
    ]
    if stays:
        names = ("stays at, Hz", f"level, {unit}", "tone-to-noise ratio, dB", "what makes it")
        blocks.append(Table(names, stays))
    if document.crossings:
        blocks.append(Notes([f"{_capital(each.text)}." for each in document.crossings]))
    blocks.append(_calm(document))
    if document.warnings:
        blocks.append(Notes(document.warnings, warning=True))
    return blocks


def _staying(tone: StayingTonePart) -> str:
    """Say what makes a tone that stays."""
    if tone.source == "unexplained":
        return "resonance or electrical"
    source = "" if tone.source in {"mains", "PWM"} else f"{tone.source} "
    return f"{source}{tone.name} ({100 * tone.probability:.0f} %)"


def _calm(document: OrdersDocument) -> Block:
    """Say where no tone is prominent."""
    if not document.calm:
        return Text("A tone is prominent at every speed that was heard.")
    unit = "dB(A)" if document.calibrated else "dB(A) re full scale"
    return Table(
        ("no prominent tone, rpm", f"level there, {unit}"),
        [
            (
                f"{calm.low_rpm:.0f} to {calm.high_rpm:.0f}",
                f"{calm.low_LAeq:.1f} to {calm.high_LAeq:.1f}",
            )
            for calm in document.calm
        ],
    )


def difference_blocks(difference: DifferencePart, names: tuple[str, str]) -> list[Block]:
    """Say what a further recording differs by from the first."""
    first, second = names
    interval = "" if difference.U95_db is None else f" +-{difference.U95_db:.1f} dB (95 %)"
    blocks: list[Block] = [
        Heading(f"{second} less {first}", 3),
        Text(
            f"{difference.LAeq_difference_db:+.1f} dB(A){interval}; what both share, such as the "
            "calibration, has cancelled."
        ),
    ]
    rows = [
        (
            "" if pair.first_hz is None else f"{pair.first_hz:.1f}",
            "" if pair.second_hz is None else f"{pair.second_hz:.1f}",
            "only in one"
            if pair.level_difference_db is None
            else f"{pair.level_difference_db:+.1f}",
            "yes" if pair.first_prominent else "no" if pair.first_hz is not None else "",
            "yes" if pair.second_prominent else "no" if pair.second_hz is not None else "",
        )
        for pair in difference.tones
    ]
    if rows:
        head = (
            f"tone of {first}, Hz",
            f"of {second}, Hz",
            "difference, dB",
            f"prominent in {first}",
            f"in {second}",
        )
        strong = [pair.first_prominent or pair.second_prominent for pair in difference.tones]
        blocks.append(Table(head, rows, "Tones that belong together.", strong))
    if difference.warnings:
        blocks.append(Notes(difference.warnings, warning=True))
    return blocks


def budget_block(what: str, rows: Iterable[BudgetRow]) -> Block | None:
    """List what an interval is made of; None where there is none."""
    listed = list(rows)
    if not listed:
        return None
    budget = budget_from(listed)
    freedom = budget.effective_degrees_of_freedom
    known = f"{freedom:.0f}" if math.isfinite(freedom) else "unlimited"
    return Table(
        ("cause", "u, dB", "spread", "dB per dB", "adds, dB", "cancels in comparisons"),
        [
            (
                row.component,
                f"{row.u_db:.3f}",
                row.distribution,
                f"{row.sensitivity:+.2f}",
                f"{row.contribution_db:.3f}",
                "yes" if row.shared else "no",
            )
            for row in listed
        ],
        f"{what}: together {budget.combined_db:.3f} dB, 95 % within +-{budget.U95_db:.2f} dB "
        f"(k = {budget.coverage_factor:.2f}, degrees of freedom {known}).",
    )


def _capital(text: str) -> str:
    """Begin a sentence."""
    return text[:1].upper() + text[1:]
