"""Every training a run: parameters, hashes of what it was made from, tables, figures and the bundle, in one folder.

The one place where mlflow is imported, so that it is first set to stay off the network.
"""

from __future__ import annotations

import logging
import os
import shutil
import tempfile
import warnings
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from faultml.errors import InputError, MissingExtraError
from faultml.results.folders import PRIVATE_FOLDER, replaced_file

if TYPE_CHECKING:
    from mlflow import MlflowClient

    from faultml.pipelines.registry.trainings import Training

DEFAULT_FOLDER: Final = Path("faultml-registry")
DATABASE: Final = "registry.sqlite"
BUNDLE: Final = "bundle"
LOADER: Final = "faultml.pipelines.registry.served"

_EXPERIMENT: Final = "trainings"


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
    """A client of the registry in `folder`; with `create` one is made where there is none.

    Raises
    ------
    InputError
        ``no-registry`` where there is none, ``registry-unreadable`` where it is damaged or of another mlflow's schema.
    """
    mlflow = mlflow_module()
    if not create and not (folder / DATABASE).is_file():
        raise InputError(
            "no-registry", where=str(folder), expected="a folder that faultml models register made"
        )
    folder.mkdir(PRIVATE_FOLDER, parents=True, exist_ok=True)
    uri = database_uri(folder)
    try:
        if not (folder / DATABASE).exists():
            _make_database(folder)
        client = _client(uri)
    except Exception as error:  # mlflow raises its own, SQLAlchemy's and Alembic's
        raise InputError(
            "registry-unreadable",
            where=str(folder / DATABASE),
            expected=f"a registry of mlflow {mlflow.__version__}; an older one is upgraded by: mlflow db upgrade {uri}",
            found=str(error).splitlines()[0] if str(error) else type(error).__name__,
        ) from error
    return client


def log_training(client: MlflowClient, folder: Path, training: Training) -> str:
    """Log a training as a run of the registry in `folder`; the run's id. It stays open until it has a version."""
    run = client.create_run(_experiment(client, folder), run_name=training.title).info.run_id
    for name, value in training.parameters.items():
        client.log_param(run, name, value)
    for name, value in training.hashes.items():
        client.set_tag(run, name, value)
    for name, value in training.metrics.items():
        client.log_metric(run, name, value)
    with tempfile.TemporaryDirectory() as made:
        _lay_out(Path(made), training)
        client.log_artifacts(run, made)
    return run


def open_runs(client: MlflowClient) -> list[str]:
    """The ids of trainings whose runs are not closed."""
    ours = [
        each.experiment_id
        for each in client.search_experiments()
        if each.name.startswith(f"{_EXPERIMENT} in ")
    ]
    found = client.search_runs(ours, "attributes.status = 'RUNNING'") if ours else []
    return [each.info.run_id for each in found]


def run_folder(folder: Path, run: str) -> Path:
    """Where a run's files lie: relative to the registry's folder, so that this may be moved."""
    return folder / "runs" / run / "artifacts"


def bundle_folder(folder: Path, run: str) -> Path:
    """Where the bundle of a run lies."""
    return run_folder(folder, run) / "model" / "data" / BUNDLE


def _client(uri: str) -> MlflowClient:
    """A client whose database was looked into."""
    client: MlflowClient = mlflow_module().MlflowClient(tracking_uri=uri, registry_uri=uri)
    client.search_experiments(max_results=1)
    return client


def _make_database(folder: Path) -> None:
    """Make the tables under another name first: mlflow cannot go on with tables of which only some are there."""
    for left in folder.glob(f".{DATABASE}.new-*"):
        left.unlink(missing_ok=True)
    with replaced_file(folder / DATABASE) as part:
        _client(f"sqlite:///{part.resolve()}")


def _experiment(client: MlflowClient, folder: Path) -> str:
    """The id of the experiment whose files lie in `folder`: another one once the folder was moved."""
    location = (folder.resolve() / "runs").as_uri()
    name = f"{_EXPERIMENT} in {location}"
    known = client.get_experiment_by_name(name)
    return known.experiment_id if known else client.create_experiment(name, artifact_location=location)


def _lay_out(into: Path, training: Training) -> None:
    """The run's files: ``model/`` as mlflow serves it, with the bundle inside, ``tables/`` and ``figures/``."""
    from faultml.pipelines.registry.served import signature

    kept = into / BUNDLE
    kept.mkdir()
    for file in training.files:
        shutil.copy(file, kept)
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
    for name in ("tables", "figures"):
        (into / name).mkdir()
    for name, table in training.tables.items():
        table.to_csv(into / "tables" / f"{name}.csv", index=False)
    for name, picture in training.figures.items():
        (into / "figures" / f"{name}.svg").write_text(picture, encoding="utf-8")
    details = msgspec.json.format(msgspec.json.encode(training.details))
    (into / "figures" / "figures.json").write_bytes(details)
