"""The model card: every figure of the manifest, and what was measured beside peers, in words.

Written anew by training, by comparison and by the benchmark; ``python -m faultml.pipelines.training.card models``
writes it from what lies in the folder.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path
from typing import Any, Final

import msgspec

from faultml.classifier.bundle import Manifest, read_manifest
from faultml.pipelines.training.comparison import summary_sections
from faultml.pipelines.training.evaluate import macro
from faultml.pipelines.training.fixed_part import TOLERANCE
from faultml.pipelines.training.promise import promise_section
from faultml.pipelines.training.relevance import relevance_section
from faultml.pipelines.training.risk_coverage import risk_section
from faultml.pipelines.training.risk_figure import RISK_FIGURE, risk_figure

CARD_FILE: Final = "CARD.md"
COMPARED: Final = "compare.json"
TIMED: Final = "benchmark.json"
"""What `make compare` and `make benchmark` leave beside a bundle, with the hash of the model they speak of."""

_HEAD: Final = """\
# The {name} model, version {version}

The headings are those of Mitchell and others, "Model Cards for Model Reporting" (2019), from memory.

**Model details.** Three estimators in one file: networks that find takeaway, top, impact and finish in lead-wrist
angles; boosted trees that tell full swings from everything else; and a network that estimates every measure of the
fault catalogue with its uncertainty, from which the fault probabilities follow. `probability` is the chance that a
careful coach who saw the true motion would say yes. Made by this project, under its licence, with {versions}.

**Intended use.** A coach's reading of a season of lead-wrist recordings, full swings. Not for short shots, not for
the trail wrist, not for medical use, not to choose or to rank players; it never says where the club face is or where
the ball went.

**Factors.** Contact marked or not, forearm rotation recorded or not, the recorder's rate and noise, how its sensors
sit, how unlike a golfer is to those learned from. Sex, age and injury are not in the generator: nothing is known
about them.

**Metrics.** Average precision and log loss, beside a ceiling and the base rate; calibration error; shares of clear
faults found and of clean swings flagged; landmark errors and the coverage of their intervals; risk against coverage.
No swing of a golfer is on both sides of a split.

**Training and evaluation data.** Generated golfers only (seed {seed}): {landmark_golfers} for the landmarks,
{fault_golfers} others for the swing filter and the faults, {test_golfers} others for every figure below. No recording
of a real golfer was used, and **every figure on this page is synthetic**: it says how well the model reads motion
like the generator's, not how well it reads your players. `docs/datasheet.md` describes the generator.

**Quantitative analyses.** The tables below, fault by fault, with and without a contact mark.

**Ethical considerations.** Recordings of a wrist are about a person, often a child, and can identify one. A drill can
hurt a sore wrist, so the care check stands between the model and a drill. A flag can be wrong about a player who is
fine: the coach decides.

**Caveats and recommendations.** Not seen: swing path, body, strike, grip. Without forearm rotation it says nothing
about roll. Without a contact mark, impact is inferred from the wrist alone, and the faults at impact that rest on
ulnar deviation and forearm roll are the least certain. Forearm rotation is under-read by skin-mounted sensors (10-30
%, from memory). The edges are common practice, +-10 degrees. Validate it on your own golfers (`docs/validate.md`).

| SHA-256 of | |
|---|---|
| model file | `{sha256}` |{converted}
| the model's code | `{code_sha256}` |
| data recipe | `{recipe_sha256}` |
| fault catalogue | `{catalogue_sha256}` |
"""


def write_card(folder: Path, manifest: Manifest) -> None:
    """Write the card of a bundle beside it, with its picture; figures of another model are left out, and said to be."""
    recipe = {name: manifest.recipe[name] for name in ("landmark_golfers", "fault_golfers", "test_golfers")}
    versions = ", ".join(f"{name} {version}" for name, version in manifest.versions.items())
    head = _HEAD.format(
        name=manifest.name,
        version=manifest.version,
        seed=manifest.seed,
        sha256=manifest.sha256,
        converted=f"\n| converted, without training, from | `{manifest.converted_from}` |"
        if manifest.converted_from
        else "",
        code_sha256=manifest.code_sha256,
        recipe_sha256=recipe_digest(manifest.recipe),
        catalogue_sha256=manifest.catalogue_sha256,
        versions=versions,
        **recipe,
    )
    parts = [head, *(_figures(name, figures) for name, figures in manifest.figures.items())]
    if manifest.evidence:
        parts.append(relevance_section(manifest.evidence))
        figures = manifest.evidence["risk_coverage"]
        parts.append(risk_section(figures))
        (folder / RISK_FIGURE).write_text(risk_figure(figures), encoding="utf-8")
        parts.append(_fixed_section(manifest.evidence["fixed_part"]))
    if manifest.promises is not None:
        parts.append(promise_section(manifest.promises))
    parts += _beside(folder, manifest)
    (folder / CARD_FILE).write_text("\n".join(parts), encoding="utf-8")


def recipe_digest(recipe: dict[str, Any]) -> str:
    """SHA-256 of how the data were drawn."""
    return hashlib.sha256(msgspec.json.encode(recipe, order="deterministic")).hexdigest()


def figures_of(folder: Path, name: str, manifest: Manifest) -> dict[str, Any] | None:
    """What was measured of this very model and left beside it; None where there is none, or of another.

    Figures of the file that a bundle was converted from, without training, are this model's.
    """
    path = folder / name
    if not path.exists():
        return None
    figures: dict[str, Any] = msgspec.json.decode(path.read_bytes())
    return figures if manifest.is_model(figures.get("model", {}).get("sha256", "")) else None


def _beside(folder: Path, manifest: Manifest) -> list[str]:
    compared = figures_of(folder, COMPARED, manifest)
    parts = ["# Beside its peers\n"]
    if compared is None:
        parts.append("This model has not been compared yet: `make compare`.\n")
    else:
        parts.append("Measured by `make compare`; [COMPARE.md](COMPARE.md) has every suite and fault.\n")
        parts += summary_sections(compared)
    timed = figures_of(folder, TIMED, manifest)
    where_measured = (
        "[BENCHMARK.md](BENCHMARK.md)" if timed else "not measured with this model yet: `make benchmark`"
    )
    return [*parts, f"Pace and memory: {where_measured}.\n"]


def _fixed_section(figures: dict[str, dict[str, float]]) -> str:
    """Figures that the tests compute anew, so that this card cannot be stale."""
    lines = [
        "## A part that is computed anew with every test run (synthetic)",
        "",
        f"160 recordings that are always the same; each figure must come out again within {TOLERANCE:.0%}.",
        "",
        "| | " + " | ".join(name.replace("_", " ") for name in figures) + " |",
        "|---|" + "---|" * len(figures),
    ]
    rows = next(iter(figures.values()))
    lines += [
        f"| {row.replace('_', ' ')} | " + " | ".join(f"{side[row]:g}" for side in figures.values()) + " |"
        for row in rows
    ]
    return "\n".join([*lines, ""])


def _figures(name: str, figures: dict[str, Any]) -> str:
    swing_filter = figures["swing_filter"]
    lines = [
        f"## {name.replace('_', ' ').capitalize()} (synthetic)",
        "",
        f"{figures['full_swings']} full swings and {figures['recordings'] - figures['full_swings']} other "
        f"recordings of {figures['golfers']} golfers not trained on. "
        f"Good swings that the swing filter lets pass: {swing_filter['good_assessed']:.1%}; "
        "what is no full swing refused by it: "
        f"{swing_filter['non_swings_refused']:.1%}; what the checks on reading add is stated under what is refused.",
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


if __name__ == "__main__":
    here = Path(sys.argv[1])
    write_card(here, read_manifest(here))
