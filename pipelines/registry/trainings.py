"""What is kept of a training: parameters, hashes of what it was made from, figures, tables, pictures, and its files."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import pandas as pd

from faultml.classifier.bundle import MANIFEST_FILE, MODEL_FILE, read_manifest
from faultml.classifier.coach_adaptation import CoachAdaptation, files_of, load_adaptation
from faultml.pipelines.registry.training_figures import edges_figure, learning_figure, reliability_figure
from faultml.pipelines.training.card import CARD_FILE, recipe_digest
from faultml.pipelines.training.evaluate import macro
from faultml.pipelines.training.risk_figure import risk_figure
from faultml.quality.reference import REFERENCE_FILE

BUNDLE_FILES: Final = (MODEL_FILE, MANIFEST_FILE, CARD_FILE, REFERENCE_FILE)
"""What of a bundle's folder is kept: nothing else that lies there, and no code."""
_MACRO: Final = ("average_precision", "log_loss", "calibration_error", "clear_found", "clean_flagged")


class Training(NamedTuple):
    """What is kept of a training.

    Attributes
    ----------
    title
        What it is called.
    parameters, metrics
        Numbers and words, by name.
    hashes
        SHA-256 of what it was made from, and of what it made.
    tables
        By name, without ids of players.
    figures
        SVG, by name.
    details
        Everything else that was measured, for JSON.
    files
        What it made; a version is loaded from them.
    """

    title: str
    parameters: Mapping[str, Any]
    metrics: Mapping[str, float]
    hashes: Mapping[str, str]
    tables: Mapping[str, pd.DataFrame]
    figures: Mapping[str, str]
    details: Mapping[str, Any]
    files: Sequence[Path]


def of_bundle(folder: Path) -> Training:
    """The training of a bundle, as its manifest tells it."""
    manifest = read_manifest(folder)
    metrics: dict[str, float] = {}
    tables: dict[str, pd.DataFrame] = {}
    figures: dict[str, str] = {}
    for name, measured in manifest.figures.items():
        metrics |= {f"{name}.{measure}": macro(measured, measure) for measure in _MACRO}
        faults = pd.DataFrame.from_dict(measured["faults"], orient="index").rename_axis("fault").reset_index()
        tables[name] = faults
        if measured.get("reliability"):
            tables[f"{name}_reliability"] = pd.DataFrame(measured["reliability"])
            figures[f"{name}_reliability"] = reliability_figure(
                name.replace("_", " "), measured["reliability"]
            )
    risk = manifest.evidence.get("risk_coverage")
    if risk:
        rows = [{"golfers": name, **point} for name, row in risk.items() for point in row["risk"]]
        tables["risk_coverage"] = pd.DataFrame(rows)
        if all("curve" in row for row in risk.values()):
            figures["risk_coverage"] = risk_figure(risk)
    return Training(
        f"{manifest.name} {manifest.version}",
        {**manifest.recipe, "seed": manifest.seed},
        metrics,
        bundle_hashes(folder),
        tables,
        figures,
        {"figures": manifest.figures, "evidence": manifest.evidence},
        _bundle_files(folder),
    )


def of_adaptation(bundle: Path, folder: Path, curve: Sequence[Mapping[str, float]] = ()) -> Training:
    """The learning of a coach adaptation on a model's measures: the version holds both.

    Parameters
    ----------
    bundle, folder
        Of the model and of the adaptation.
    curve
        Log loss on golfers held out by golfers learned from: ``golfers, default, adapted``.
    """
    manifest = read_manifest(bundle)
    adaptation, catalogue = load_adaptation(folder)
    parameters = {
        "coach": adaptation.coach,
        "adopted": adaptation.adopted,
        "why": adaptation.why,
        "swings": adaptation.swings,
        "golfers": adaptation.golfers,
        "lapse_rate": adaptation.lapse_rate,
        "lapse_rate_sd": adaptation.lapse_rate_sd,
        "unrelated": adaptation.unrelated,
    }
    figures = {"edges": edges_figure(adaptation, catalogue)} if adaptation.faults else {}
    tables = {"edges": _edges_table(adaptation)}
    if curve:
        tables["learning"], figures["learning"] = (
            pd.DataFrame(curve),
            learning_figure(adaptation.coach, curve),
        )
    return Training(
        f"{adaptation.coach} on {manifest.name} {manifest.version}",
        parameters,
        {f"held_out.{name}": value for name, value in adaptation.held_out.items()},
        bundle_hashes(bundle)
        | {
            "adaptation_sha256": adaptation.sha256,
            "edges_sha256": adaptation.edges_sha256,
            "labels_sha256": adaptation.labels_sha256,
        },
        tables,
        figures,
        {"held_out": adaptation.held_out},
        [*_bundle_files(bundle), *files_of(folder)],
    )


def bundle_hashes(folder: Path) -> dict[str, str]:
    """Hashes of what a bundle was made from and of itself, by the name of the tag that holds them."""
    manifest = read_manifest(folder)
    return {
        "model_sha256": manifest.sha256,
        "manifest_sha256": hashlib.sha256((folder / MANIFEST_FILE).read_bytes()).hexdigest(),
        "code_sha256": manifest.code_sha256,
        "catalogue_sha256": manifest.catalogue_sha256,
        "recipe_sha256": recipe_digest(manifest.recipe),
    }


def _bundle_files(folder: Path) -> list[Path]:
    return [folder / name for name in BUNDLE_FILES if (folder / name).is_file()]


def _edges_table(adaptation: CoachAdaptation) -> pd.DataFrame:
    columns = ["fault", "shift", "shift_sd", "softness", "swings", "golfers"]
    rows = [
        [name, *(getattr(seen, column) for column in columns[1:])] for name, seen in adaptation.faults.items()
    ]
    return pd.DataFrame(rows, columns=columns)
