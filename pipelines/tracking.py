"""Every training a run: parameters, hashes of what it was made from, tables, figures and the bundle, in one folder.

The one place where mlflow is imported, so that it is told first to stay off the network.
"""

from __future__ import annotations

import hashlib
import json
import logging
import os
import shutil
import tempfile
import warnings
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec
import pandas as pd

from faultml.classifier.bundle import MANIFEST_FILE, MODEL_FILE, Manifest, read_manifest
from faultml.errors import InputError, MissingExtraError
from faultml.pipelines.card import CARD_FILE
from faultml.pipelines.evaluate import macro
from faultml.quality.reference import REFERENCE_FILE

if TYPE_CHECKING:
    from mlflow import MlflowClient

DEFAULT_FOLDER: Final = Path("faultml-registry")
DATABASE: Final = "registry.sqlite"
BUNDLE: Final = "bundle"
BUNDLE_FILES: Final = (MODEL_FILE, MANIFEST_FILE, CARD_FILE, REFERENCE_FILE)
"""What of a bundle's folder is kept: nothing else that lies there, and no code."""
LOADER: Final = "faultml.pipelines.served"

_EXPERIMENT: Final = "trainings"
_MACRO: Final = ("average_precision", "log_loss", "calibration_error", "clear_found", "clean_flagged")
_PICTURES: Final = ("*.svg", "*.png")


def mlflow_module() -> Any:
    """The mlflow package, with its telemetry off.

    Raises
    ------
    MissingExtraError
        Where it is not installed.
    """
    if find_spec("mlflow") is None:
        raise MissingExtraError("missing-extra", where="mlflow", expected="pip install 'faultml[train]'")
    os.environ["MLFLOW_DISABLE_TELEMETRY"] = "true"
    os.environ["DO_NOT_TRACK"] = "true"
    import mlflow

    for name in ("mlflow", "alembic"):
        logging.getLogger(name).setLevel(logging.WARNING)
    return mlflow


def database_uri(folder: Path) -> str:
    """Where mlflow finds a registry."""
    return f"sqlite:///{folder.resolve() / DATABASE}"


def open_client(folder: Path, *, create: bool = False) -> MlflowClient:
    """A client of the registry in `folder`; with `create` an empty one is made where there is none.

    Raises
    ------
    InputError
        ``no-registry`` where there is none, ``registry-unreadable`` where it is damaged or of another version.
    """
    mlflow = mlflow_module()
    if not create and not (folder / DATABASE).is_file():
        raise InputError(
            "no-registry", where=str(folder), expected="a folder that faultml models register made"
        )
    folder.mkdir(parents=True, exist_ok=True)
    uri = database_uri(folder)
    try:
        client: MlflowClient = mlflow.MlflowClient(tracking_uri=uri, registry_uri=uri)
        _experiment(client, folder)
    except Exception as error:  # mlflow raises its own, SQLAlchemy's and Alembic's
        raise InputError(
            "registry-unreadable",
            where=str(folder / DATABASE),
            expected=f"a registry of mlflow {mlflow.__version__} (an older one: mlflow db upgrade {uri})",
            found=str(error).splitlines()[0] if str(error) else type(error).__name__,
        ) from error
    return client


def log_training(
    folder: Path,
    bundle: Path,
    *,
    parameters: Mapping[str, Any] | None = None,
    hashes: Mapping[str, str] | None = None,
    tables: Mapping[str, pd.DataFrame] | None = None,
) -> str:
    """Log the training of a bundle as a run; the run's id.

    Parameters
    ----------
    folder
        The registry; made where there is none.
    bundle
        The bundle's folder. Pictures beside it are logged too.
    parameters, hashes, tables
        What there is beyond the manifest, such as the hash of the labels that were learned from.
    """
    client = open_client(folder, create=True)
    manifest = read_manifest(bundle)
    title = f"{manifest.name} {manifest.version}"
    run = client.create_run(_experiment(client, folder), run_name=title).info.run_id
    try:
        for name, value in {**manifest.recipe, "seed": manifest.seed, **(parameters or {})}.items():
            client.log_param(run, name, value)
        for name, value in {**manifest_hashes(manifest), **(hashes or {})}.items():
            client.set_tag(run, name, value)
        for name, figures in manifest.figures.items():
            for measure in _MACRO:
                client.log_metric(run, f"{name}.{measure}", macro(figures, measure))
        with tempfile.TemporaryDirectory() as made:
            _lay_out(Path(made), bundle, manifest, tables or {})
            client.log_artifacts(run, made)
    except BaseException:
        client.set_terminated(run, "FAILED")
        raise
    client.set_terminated(run)
    return run


def manifest_hashes(manifest: Manifest) -> dict[str, str]:
    """Hashes of what a bundle was made from and of itself, by the name of the tag that holds them."""
    recipe = json.dumps({"seed": manifest.seed, **manifest.recipe}, sort_keys=True, default=str)
    return {
        "model_sha256": manifest.sha256,
        "code_sha256": manifest.code_sha256,
        "catalogue_sha256": manifest.catalogue_sha256,
        "recipe_sha256": hashlib.sha256(recipe.encode()).hexdigest(),
    }


def run_folder(folder: Path, run: str) -> Path:
    """Where a run's files lie: relative to the registry's folder, so that this may be moved."""
    return folder / "runs" / run / "artifacts"


def bundle_folder(folder: Path, run: str) -> Path:
    """Where the bundle of a run lies."""
    return run_folder(folder, run) / "model" / "data" / BUNDLE


def _experiment(client: MlflowClient, folder: Path) -> str:
    """The id of the experiment whose files lie in `folder`: another one once the folder was moved."""
    location = (folder.resolve() / "runs").as_uri()
    name = f"{_EXPERIMENT} in {location}"
    known = client.get_experiment_by_name(name)
    return known.experiment_id if known else client.create_experiment(name, artifact_location=location)


def _lay_out(into: Path, bundle: Path, manifest: Manifest, tables: Mapping[str, pd.DataFrame]) -> None:
    """The run's files: ``model/`` as mlflow serves it, with the bundle inside, ``tables/`` and ``figures/``."""
    from faultml.pipelines.served import signature

    kept = into / BUNDLE
    kept.mkdir()
    for name in BUNDLE_FILES:
        if (bundle / name).is_file():
            shutil.copy(bundle / name, kept)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*input example")  # the signature is ours, not inferred
        mlflow_module().pyfunc.save_model(
            into / "model",
            loader_module=LOADER,
            data_path=str(kept),
            signature=signature(),
            pip_requirements=["faultml[train]"],
        )
    shutil.rmtree(kept)
    (into / "tables").mkdir()
    for name, figures in manifest.figures.items():
        frame = pd.DataFrame.from_dict(figures["faults"], orient="index").rename_axis("fault")
        frame.to_csv(into / "tables" / f"{name}.csv")
    for name, table in tables.items():
        table.to_csv(into / "tables" / f"{name}.csv", index=False)
    (into / "figures").mkdir()
    (into / "figures" / "figures.json").write_bytes(
        msgspec.json.format(msgspec.json.encode({"figures": manifest.figures, "evidence": manifest.evidence}))
    )
    for pattern in _PICTURES:
        for picture in bundle.glob(pattern):
            shutil.copy(picture, into / "figures")
