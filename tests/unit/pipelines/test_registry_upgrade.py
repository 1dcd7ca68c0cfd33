"""A registry made by an older mlflow: upgraded when it is opened, with a backup, whole or not at all."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from faultml.classifier.bundle import default_bundle_path, read_manifest
from faultml.errors import InputError
from faultml.pipelines import registry
from faultml.pipelines.registry_upgrade import bring_up_to_date, revision
from faultml.pipelines.tracking import DATABASE, bundle_folder, mlflow_module
from faultml.pipelines.trainings import BUNDLE_FILES

pytest.importorskip("mlflow")

OLDER = "acf3f17fdcc7"
"""The schema of mlflow 2.8: it knows aliases, and neither logged models nor workspaces."""
RUN = "0" * 31 + "1"


@pytest.fixture(scope="module")
def made_long_ago(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry with a champion, as an older run would have left it: its schema, and rows by plain SQL."""
    folder = tmp_path_factory.mktemp("old") / "registry"
    folder.mkdir()
    mlflow_module()
    import sqlalchemy
    from alembic import command
    from mlflow.store.db.utils import InitialBase, _get_alembic_config

    engine = sqlalchemy.create_engine(f"sqlite:///{folder / DATABASE}")
    InitialBase.metadata.create_all(engine)
    config = _get_alembic_config(str(engine.url))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, OLDER)
    engine.dispose()
    manifest = read_manifest(default_bundle_path())
    with closing(sqlite3.connect(folder / DATABASE)) as old, old:
        old.execute(
            "INSERT INTO experiments (experiment_id, name, artifact_location, lifecycle_stage) VALUES"
            " (1, 'trainings', ?, 'active')",
            [(folder / "runs").as_uri()],
        )
        old.execute(
            "INSERT INTO runs (run_uuid, name, status, lifecycle_stage, experiment_id, source_type, start_time)"
            " VALUES (?, 'default', 'FINISHED', 'active', 1, 'LOCAL', 1700000000000)",
            [RUN],
        )
        old.execute(
            "INSERT INTO registered_models (name, creation_time) VALUES (?, 1700000000000)", [registry.MODEL]
        )
        old.execute(
            "INSERT INTO model_versions (name, version, creation_time, run_id, current_stage, status, source)"
            " VALUES (?, 1, 1700000000000, ?, 'None', 'READY', '')",
            [registry.MODEL, RUN],
        )
        old.execute("INSERT INTO registered_model_aliases VALUES ('champion', 1, ?)", [registry.MODEL])
        for key, value in (("model_sha256", manifest.sha256), ("model", "default 1")):
            old.execute("INSERT INTO model_version_tags VALUES (?, ?, ?, 1)", [key, value, registry.MODEL])
    kept = bundle_folder(folder, RUN)
    kept.mkdir(parents=True)
    for name in BUNDLE_FILES:
        shutil.copy(default_bundle_path() / name, kept)
    return folder


@pytest.fixture
def folder(made_long_ago: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_long_ago, tmp_path / "registry"))


def test_it_is_upgraded_when_it_is_opened_and_nothing_is_lost(folder: Path) -> None:
    before = (folder / DATABASE).read_bytes()
    assert registry.load_version(folder).manifest.sha256 == read_manifest(default_bundle_path()).sha256
    champion = registry.find(folder, "champion")
    assert (champion.number, champion.model) == (1, "default 1")
    backup = folder / f"{DATABASE}.before-{OLDER}"
    assert revision(backup) == OLDER and revision(folder / DATABASE) != OLDER
    with closing(sqlite3.connect(backup)) as kept:
        assert kept.execute("SELECT count(*) FROM model_versions").fetchone() == (1,)
    assert (folder / DATABASE).read_bytes() != before
    assert {path.name for path in folder.iterdir()} == {DATABASE, backup.name, "runs"}
    # What follows is written to the new one: a bundle is known by its hash, and a rollback has nothing behind it.
    with pytest.raises(InputError, match="already-registered"):
        registry.register(folder, default_bundle_path())
    with pytest.raises(InputError, match="no-former-champion"):
        registry.roll_back(folder)
    assert bring_up_to_date(folder / DATABASE) is None


def test_what_cannot_be_upgraded_stays_as_it_was(folder: Path) -> None:
    database = folder / DATABASE
    with closing(sqlite3.connect(database)) as old, old:
        # A step in the middle of the upgrade makes this table, and fails.
        old.execute("CREATE TABLE trace_info (mine TEXT)")
    before = database.read_bytes()
    with pytest.raises(InputError, match="registry-not-upgraded"):
        registry.find(folder, "champion")
    assert database.read_bytes() == before
    assert {path.name for path in folder.iterdir()} == {DATABASE, f"{DATABASE}.before-{OLDER}", "runs"}


def test_who_is_stopped_leaves_the_old_one(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import mlflow.db

    class Stopped(BaseException):
        pass

    def stop(url: str) -> None:
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as half, half:
            half.execute("DROP TABLE model_versions")
        raise Stopped

    before = (folder / DATABASE).read_bytes()
    monkeypatch.setattr(mlflow.db.upgrade, "callback", stop)
    with pytest.raises(Stopped):
        registry.find(folder, "champion")
    assert (folder / DATABASE).read_bytes() == before
    monkeypatch.undo()
    assert registry.find(folder, "champion").number == 1


def test_another_writer_is_waited_for_and_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("faultml.pipelines.registry_upgrade.BUSY_S", 0.05)
    with closing(sqlite3.connect(folder / DATABASE, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(InputError, match="registry-busy"):
            registry.find(folder, "champion")
    assert revision(folder / DATABASE) == OLDER


def test_a_newer_one_is_told(folder: Path) -> None:
    with closing(sqlite3.connect(folder / DATABASE)) as newer, newer:
        newer.execute("UPDATE alembic_version SET version_num = 'fffffffffff1'")
    with pytest.raises(InputError, match="or older"):
        registry.find(folder, "champion")
    assert {path.name for path in folder.iterdir()} == {DATABASE, "runs"}
