"""The model card: the manifest's figures in words, written anew with each training."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from faultml.classifier.bundle import Manifest
from faultml.pipelines.evaluate import macro
from faultml.pipelines.promise import promise_section
from faultml.pipelines.relevance import relevance_section
from faultml.pipelines.risk_coverage import risk_section

CARD_FILE: Final = "CARD.md"

_HEAD: Final = """\
# The {name} model, version {version}

**What it is.** Three estimators in one file: networks that find takeaway, top, impact and finish in lead-wrist angles;
boosted trees that tell full swings from everything else; and a network that estimates every measure of the fault
catalogue with its uncertainty, from which the fault probabilities follow. `probability` is the chance that a careful
coach who saw the true motion would say yes.

**What it was made from.** Generated golfers only (seed {seed}): {landmark_golfers} for the landmarks, {fault_golfers}
others for the gate and the faults, {test_golfers} others for every figure below. No recording of a real golfer was
used, and **every figure on this page is synthetic**: it says how well the model reads motion like the generator's, not
how well it reads your players.

**What it is for.** A coach's reading of a season of lead-wrist recordings, full swings. Not for short shots, not for
the trail wrist, not for medical use; it never says where the club face is or where the ball went.

**What it does not see.** Swing path, body, strike, grip. Without forearm rotation it says nothing about roll.

**What is weak.** Without a contact mark, impact is inferred from the wrist alone, and the faults at impact that rest on
ulnar deviation and forearm roll are the least certain. Forearm rotation is under-read by skin-mounted sensors (10-30 %,
from memory). The edges are common practice, +-10 degrees.

Made with {versions}. Model file SHA-256 `{sha256}`.
"""


def write_card(folder: Path, manifest: Manifest) -> None:
    """Write the card of a bundle beside it."""
    recipe = {name: manifest.recipe[name] for name in ("landmark_golfers", "fault_golfers", "test_golfers")}
    versions = ", ".join(f"{name} {version}" for name, version in manifest.versions.items())
    head = _HEAD.format(
        name=manifest.name,
        version=manifest.version,
        seed=manifest.seed,
        sha256=manifest.sha256,
        versions=versions,
        **recipe,
    )
    parts = [head, *(_figures(name, figures) for name, figures in manifest.figures.items())]
    if manifest.evidence:
        parts.append(relevance_section(manifest.evidence))
        parts.append(risk_section(manifest.evidence["risk_coverage"]))
    if manifest.promises is not None:
        parts.append(promise_section(manifest.promises))
    (folder / CARD_FILE).write_text("\n".join(parts), encoding="utf-8")


def _figures(name: str, figures: dict[str, Any]) -> str:
    gate = figures["gate"]
    lines = [
        f"## {name.replace('_', ' ').capitalize()} (synthetic)",
        "",
        f"{figures['full_swings']} full swings and {figures['recordings'] - figures['full_swings']} other "
        f"recordings of {figures['golfers']} golfers not trained on. "
        f"Good swings assessed: {gate['good_assessed']:.1%}; what is no full swing refused: "
        f"{gate['non_swings_refused']:.1%}.",
        "",
        "| landmark | median error, ms | 95th percentile, ms | 90 % interval covers |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {landmark} | {row['median']} | {row['p95']} | {row['covered_90']:.1%} |"
        for landmark, row in figures["landmarks_ms"].items()
    ]
    lines += [
        "",
        "AP: average precision (ceiling: of one who knows the true measures). ECE: calibration error. Clear found:",
        "share called yes of swings at least 6 degrees (0.06) past the edge. Clean flagged: share called yes of swings",
        "with every measure at least 3 degrees (0.03) inside. Wrong: share of the yes calls the coach says no to.",
        "",
        "| fault | share yes | AP | ceiling | log loss | base rate's | ECE | clear found | clean flagged | wrong "
        "| median error | 90 % covers |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [_row(fault, row) for fault, row in figures["faults"].items()]
    means = {
        key: macro(figures, key)
        for key in ("prevalence", "average_precision", "oracle_average_precision", "log_loss", "base_rate_log_loss",
                    "calibration_error", "clear_found", "clean_flagged", "flagged_wrong")
    }  # fmt: skip
    lines += [_row("**mean**", means), ""]
    return "\n".join(lines)


def _row(name: str, row: dict[str, Any]) -> str:
    def shown(key: str, form: str) -> str:
        value = row.get(key)
        return "" if value is None else format(value, form)

    cells = [
        shown("prevalence", ".1%"), shown("average_precision", ".3f"), shown("oracle_average_precision", ".3f"),
        shown("log_loss", ".3f"), shown("base_rate_log_loss", ".3f"), shown("calibration_error", ".3f"),
        shown("clear_found", ".1%"), shown("clean_flagged", ".1%"), shown("flagged_wrong", ".1%"),
        shown("measure_error_median", ".2f"), shown("interval_covers", ".1%"),
    ]  # fmt: skip
    return f"| {name} | " + " | ".join(cells) + " |"
