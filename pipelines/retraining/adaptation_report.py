"""What was learned of a coach, in lines for a person."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from faultml.classifier.coach_adaptation import CoachAdaptation
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.retraining.adapt import FEWEST_GOLFERS

_Z95: Final = 1.96
_RARE: Final = 0.02
_MAX_COEFFICIENTS: Final = 3
_DIGITS: Final = {"deg": 1, "share": 2}


def report_lines(
    adaptation: CoachAdaptation, catalogue: Catalogue, out: Path, *, left_out: int, unsure: int
) -> list[str]:
    """What was learned, in lines for a person."""
    answers = sum(each.swings for each in adaptation.faults.values())
    lines = [
        f"{adaptation.coach}: {answers} answers on {adaptation.swings} swings of {adaptation.golfers} golfers."
    ]
    if unsure:
        lines.append(f"{unsure} answers unsure: {_unsure_words(adaptation, catalogue.softness.deg)}.")
    if left_out:
        lines.append(
            f"{left_out} left out: on swings not in the results, not assessed, or on faults no longer known."
        )
    if adaptation.held_out:
        losses = adaptation.held_out
        lines.append(
            f"On golfers held out, log loss (less is better) against {adaptation.coach}'s own answers: "
            f"default {losses['default']:.4f}, "
            f"this adaptation {losses['adapted']:.4f} (difference {losses['difference']:+.4f}, "
            f"95 % {losses['low']:+.4f} to {losses['high']:+.4f})."
        )
    else:
        lines.append(
            f"Too few golfers to hold any out: from {FEWEST_GOLFERS} on it is tried, not only fitted."
        )
    if not adaptation.adopted:
        return [
            *lines,
            f"Nothing was moved: {adaptation.why}.",
            f"{out} gives what the model gives by itself.",
        ]
    lines.append(
        f"About {adaptation.lapse_rate:.0%} of the answers are taken to be lapses (SD {adaptation.lapse_rate_sd:.0%})."
    )
    lines += ["", f"{'fault':22s} {'edge':>8s} {'yours':>8s}   {'95 %':^17s}  answers golfers"]
    moved = {name: seen for name, seen in adaptation.faults.items() if seen.moved}
    for name, seen in moved.items():
        fault, digits = catalogue[name], _DIGITS[catalogue[name].unit]
        if seen.rung == "calibration":
            own = f"{'':8s}   {'calibrated anew':^17s}"
        else:
            edge = fault.edge + fault.sign * seen.shift
            low, high = sorted(
                fault.edge + fault.sign * (seen.shift + side * _Z95 * seen.shift_sd) for side in (-1, 1)
            )
            own = f"{edge:8.{digits}f}   {low:8.{digits}f} {high:8.{digits}f}"
        lines.append(f"{name:22s} {fault.edge:8.{digits}f} {own}  {seen.swings:7d} {seen.golfers:7d}")
    lines.append(
        f"The other {len(adaptation.faults) - len(moved)} faults stay exactly as they are: "
        "their answers do not show another edge."
    )
    lines += _covariate_lines(adaptation, catalogue)
    undecided = sorted(
        (name for name, seen in adaptation.faults.items() if not seen.moved),
        key=lambda name: -adaptation.faults[name].inclusion,
    )
    lines += [
        "",
        "Nearest to being moved, so where more verdicts teach most: "
        + ", ".join(undecided[:3])
        + " (faultml labels next).",
        f"Use it: faultml classify SEASON --coach {out} --out RESULTS",
    ]
    return lines


def _unsure_words(adaptation: CoachAdaptation, soft: float) -> str:
    if not adaptation.band:
        return "they do not lie nearer the edges than others, and move nothing"
    share = (
        f"; {adaptation.abstain_rate:.0%} of answers are unsure wherever the swing lies"
        if adaptation.abstain_rate > _RARE
        else ""
    )
    return f"taken for swings within about {adaptation.band * soft:.0f} degrees of an edge{share}"


def _covariate_lines(adaptation: CoachAdaptation, catalogue: Catalogue) -> list[str]:
    """What an edge moves with: the few that move it most, from the swings' middle to one spread above it."""
    lines = []
    for name, seen in adaptation.faults.items():
        fault = catalogue[name]
        most = sorted(seen.coefficients, key=lambda other: -abs(seen.coefficients[other]))[:_MAX_COEFFICIENTS]
        moves = [
            f"{other} {fault.sign * seen.coefficients[other]:+.{_DIGITS[fault.unit]}f}" for other in most
        ]
        if moves:
            lines.append(f"{name} goes by more than its measure; its edge moves with {', '.join(moves)}")
    if lines:
        lines.append(
            "(for each spread of that fault's measure; calls and severities stay with the edges above)"
        )
    return ["", *lines] if lines else []
