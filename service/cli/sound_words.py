"""A recording and its tones as lines for a person."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from service.documents.reviewed import ReviewedPart, ReviewedTone

__all__ = ["level_words", "show_sound", "tone_words"]


def level_words(level: float | None, *, calibrated: bool) -> str:
    """Say an A-weighted level."""
    unit = "dB(A)" if calibrated else "dB(A) re full scale"
    return f"no sound, {unit}" if level is None else f"{level:.1f} {unit}"


def show_sound(part: "ReviewedPart") -> None:
    """Print what a recording is and its level."""
    level = part.LAeq_db if part.calibrated else part.LAeq_dbfs
    interval = "" if part.U95_db is None else f", +-{part.U95_db:.2f} dB from listening"
    print(
        f"{part.file}: {part.used_s:.1f} of {part.duration_s:.1f} s used, "
        f"LAeq {level_words(level, calibrated=part.calibrated)}{interval}"
    )
    for text in part.warnings:
        print(f"  note: {text}")


def tone_words(tone: "ReviewedTone") -> str:
    """Say what a tone is like."""
    unit = "dB" if tone.level_db is not None else "dB re full scale"
    prominent = ", prominent" if tone.prominent else ""
    room = ", in the room too" if tone.in_room else ""
    return (
        f"tone at {tone.frequency_hz:.1f} Hz: {tone.level:.1f} {unit}, tone-to-noise ratio "
        f"{tone.tone_to_noise_ratio_db:.1f} dB, prominence ratio "
        f"{tone.prominence_ratio_db:.1f} dB{prominent}{room}"
    )
