"""What matches came to, printed for a person or a script."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from service.cli.runtime import print_json, remark

if TYPE_CHECKING:
    from service.documents.matched_settings import (
        CoolerPart,
        MatchedSettingsDocument,
        PairPart,
    )

__all__ = ["print_results", "show_budgets"]


def print_results(
    settings: Sequence["MatchedSettingsDocument"], paths: Sequence[Path], *, as_json: bool
) -> None:
    """Print the settings of one target or several.

    Parameters
    ----------
    settings : sequence of MatchedSettingsDocument
        The settings of each target; without coolers where it did not come to it.
    paths : sequence of Path
        Where they were written.
    as_json : bool
        Whether a script reads it: one document, or an array where several targets were asked.
    """
    if as_json:
        plain = [document.to_plain() for document in settings]
        print_json(plain[0] if len(plain) == 1 else plain)
        return
    for document, path in zip(settings, paths, strict=True):
        if len(settings) > 1:
            print(f"target {_target_words(document)}:")
        for part in document.coolers:
            _show(part)
        if document.coolers:
            print(f"settings: {path} (table, pictures and trail beside it)")
        else:
            print("  not done")


def _target_words(document: "MatchedSettingsDocument") -> str:
    """Say a target."""
    target = document.target
    return f"{target.LAeq_db:g} dB(A)" if target.N_sone is None else f"{target.N_sone:g} sone"


def _show(part: "CoolerPart") -> None:
    """Print the result of one cooler for a person."""
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
    for number, pair in enumerate(part.curve, start=1):
        _show_pair(number, pair)


def _show_pair(number: int, pair: "PairPart") -> None:
    """Print one pair of fan and pump speed for a person."""
    if pair.settings is None or pair.level is None:
        print(f"  pair {number}, pump {pair.pump_duty_percent:g} %: {pair.outcome}. {pair.why}")
        return
    speeds = ", ".join(
        f"{name} {setting.duty_percent:.1f} %"
        + ("" if setting.rpm is None else f" ({setting.rpm:.0f} rpm)")
        for name, setting in pair.settings.items()
    )
    level = f"{pair.level.LAeq_db:.2f} +-{pair.level.U95_db:.2f} dB(A)"
    print(f"  pair {number}, {pair.outcome}: {speeds}; {level}")
    if pair.outcome != "matched":
        print(f"    {pair.why}")


def show_budgets(settings: Sequence["MatchedSettingsDocument"]) -> None:
    """Print what the intervals are made of, on standard error.

    Parameters
    ----------
    settings : sequence of MatchedSettingsDocument
        The settings of each target.
    """
    from service.cli.budget_table import show_budget, show_comparison
    from service.documents.budget import budget_from

    for document in settings:
        for part in document.coolers:
            if part.level is None or not part.level.budget:
                remark(f"{part.cooler} was given no level, so there is no budget to print")
                continue
            whole = budget_from(part.level.budget, document.chain.budget)
            own = budget_from(part.level.budget)
            show_budget(f"level of {part.cooler}, calibration apart", own)
            show_budget(f"level of {part.cooler} against the true sound pressure level", whole)
            show_comparison(whole)
