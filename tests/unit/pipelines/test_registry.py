"""The registry: from an empty folder, reopened by another process, promoted, rolled back, attacked; off the network."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

from faultml.classifier.bundle import MANIFEST_FILE, Bundle, default_bundle_path, read_manifest, save_bundle
from faultml.classifier.faults import FaultClassifier
from faultml.classifier.tensors import Model
from faultml.cli.models import command
from faultml.errors import BundleError, InputError
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry import registry
from faultml.pipelines.registry.promotion import evaluate_version, promote
from faultml.pipelines.registry.tracking import DATABASE, run_folder
from faultml.pipelines.training.data import draw
from faultml.pipelines.training.evaluate import features_of, seen_measures
from faultml.synthetic.recipe import Recipe

pytest.importorskip("mlflow")


@pytest.fixture(autouse=True)
def offline(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever asks for a host beyond this machine fails the test."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: object) -> None:
        if self.family != socket.AF_UNIX and address[0] not in {"127.0.0.1", "::1", "localhost"}:  # type: ignore[index]
            raise AssertionError(f"network: {address}")
        connect(self, address)  # type: ignore[arg-type]

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture
def folder(empty_registry: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(empty_registry, tmp_path / "registry"))


@pytest.fixture(scope="module")
def shuffled(catalogue: Catalogue, bundle: Bundle, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bundle with faults learned anew, in small, from measures that belong to other swings."""
    drawn = draw(catalogue, Recipe(golfers=60, sessions=2, swings=4, seed=81, non_swing_share=0.0), jobs=1)
    features, _ = features_of(catalogue, bundle.detector, drawn)
    true = np.column_stack([seen_measures(catalogue, drawn), drawn.guards(catalogue)])
    other = np.random.default_rng(5).permutation(true)
    familiar = tuple(bundle.classifier.familiar.tolist())
    estimator = FaultClassifier.for_catalogue(catalogue, familiar=familiar, epochs=2)
    classifier = estimator.fit(features.values, other, groups=drawn.golfers).runtime()
    return saved(tmp_path_factory.mktemp("shuffled"), bundle, classifier=classifier, version="shuffled")


def saved(folder: Path, bundle: Bundle, *, version: str, **changes: object) -> Path:
    """The bundle with another part, or another entry of the manifest."""
    parts = [changes.pop(name, getattr(bundle, name)) for name in ("detector", "swing_filter", "classifier")]
    kept = json.loads((default_bundle_path() / MANIFEST_FILE).read_text())
    manifest = {name: kept[name] for name in kept if name not in {"schema", "sha256", "versions"}}
    save_bundle(folder, Model(*parts), manifest | {"version": version} | changes)
    return folder


def test_versions_are_promoted_rolled_back_and_reopened_elsewhere(
    folder: Path, shuffled: Path, tmp_path: Path
) -> None:
    first = registry.register(folder, default_bundle_path())
    assert (first.number, first.aliases) == (1, ("challenger",))
    assert registry.make_champion(folder, 1).aliases == ("champion",)
    with pytest.raises(InputError, match="already-registered"):
        registry.register(folder, default_bundle_path())
    with pytest.raises(InputError, match="no-former-champion"):
        registry.roll_back(folder)
    registry.register(folder, shuffled)
    registry.make_champion(folder, 2)
    assert registry.load_version(folder).manifest.version == "shuffled"
    assert registry.roll_back(folder).number == 1
    left = registry.find(folder, 2)
    assert left.rolled_back and left.champion_since and left.aliases == ()
    # Moved, and opened by a process that did not make it.
    moved = Path(shutil.move(folder, tmp_path / "elsewhere"))
    reported = subprocess.run(
        [sys.executable, "-c", "from faultml.cli import main; main()", "models", "list", "--registry", moved],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert "champion since" in reported.splitlines()[0] and "00:00  rolled back" in reported.splitlines()[1]
    assert registry.load_version(moved).manifest.sha256 == first.sha256


def test_a_run_holds_parameters_hashes_tables_and_figures(folder: Path) -> None:
    from faultml.pipelines.registry.tracking import open_client

    version = registry.register(folder, default_bundle_path())
    run = open_client(folder).get_run(version.run)
    manifest = read_manifest(default_bundle_path())
    assert run.data.params["fault_golfers"] == str(manifest.recipe["fault_golfers"])
    assert run.data.tags["code_sha256"] == manifest.code_sha256
    assert len(run.data.tags["recipe_sha256"]) == 64
    assert 0 < run.data.metrics["contact_marked.log_loss"] < 1
    files = run_folder(folder, version.run)
    assert "flexed_top" in (files / "tables" / "contact_marked.csv").read_text()
    assert json.loads((files / "figures" / "figures.json").read_text())["figures"]
    assert not [path for path in files.rglob("*") if path.suffix in {".py", ".pkl"}]


def test_pictures_of_a_training_stand_alone(folder: Path, bundle: Bundle, tmp_path: Path) -> None:
    kept = read_manifest(default_bundle_path())
    honest = [
        {"predicted": 0.1, "observed": 0.12, "answers": 90},
        {"predicted": 0.9, "observed": 0.7, "answers": 9},
    ]
    figures = {"contact_marked": kept.figures["contact_marked"] | {"reliability": honest}}
    row = {"refused": 0.1, "risk": [], "curve": {"answered": [0.1, 0.9], "wrong": [0.01, 0.05]}}
    styles = ("everyday", "far styles", "noisy")
    evidence = {"risk_coverage": dict.fromkeys(styles, row)}
    made = saved(tmp_path / "made", bundle, version="drawn", figures=figures, evidence=evidence)
    files = run_folder(folder, registry.register(folder, made).run)
    pictures = {path.stem: ElementTree.parse(path).getroot() for path in (files / "figures").glob("*.svg")}
    assert set(pictures) == {"contact_marked_reliability", "risk_coverage"}
    for picture in pictures.values():
        assert picture.tag == "{http://www.w3.org/2000/svg}svg" and picture[0].tag.endswith("style")
    words = {name: "".join(picture.itertext()) for name, picture in pictures.items()}
    assert "far styles" in words["risk_coverage"]
    assert "predicted probability" in words["contact_marked_reliability"]
    assert "0.12,90" in (files / "tables" / "contact_marked_reliability.csv").read_text()


def test_shuffled_labels_are_refused_and_the_report_is_kept(folder: Path, shuffled: Path) -> None:
    registry.register(folder, default_bundle_path())
    first = evaluate_version(folder, golfers=60)
    assert first.verdict.passed and "knowing only how common" in first.report
    assert promote(folder, first) is not None
    registry.register(folder, shuffled)
    tested = evaluate_version(folder, golfers=60)
    assert not tested.verdict.passed and promote(folder, tested) is None
    assert any("log loss is not shown better" in reason for reason in tested.verdict.reasons)
    assert registry.find(folder, "champion").number == 1
    kept = run_folder(folder, tested.version.run) / "promotion" / "against_1.md"
    assert kept.read_text() == tested.report


class TestAttacks:
    """Nothing in an artifact but the bundle is looked at, and of the bundle only what was registered."""

    def put(self, folder: Path) -> Path:
        version = registry.register(folder, default_bundle_path())
        return run_folder(folder, version.run) / "model"

    def test_code_a_pickle_and_another_loader_are_not_run(self, folder: Path, tmp_path: Path) -> None:
        model, mark = self.put(folder), tmp_path / "ran"
        harm = f"open({str(mark)!r}, 'w').close()\n"
        (model / "code").mkdir()
        for path in (model / "code" / "harm.py", model / "data" / "bundle" / "__init__.py"):
            path.write_text(f"{harm}def _load_pyfunc(path):\n    {harm}")
        (model / "python_model.pkl").write_bytes(b"cbuiltins\nexec\n(V" + harm.strip().encode() + b"\ntR.")
        text = (model / "MLmodel").read_text().replace("faultml.pipelines.registry.served", "harm")
        (model / "MLmodel").write_text(text + "\n")
        registry.load_version(folder, 1)
        assert not mark.exists()

    def test_another_bundle_with_a_manifest_of_its_own_is_refused(self, folder: Path, shuffled: Path) -> None:
        bundle = self.put(folder) / "data" / "bundle"
        for path in shuffled.iterdir():
            shutil.copy(path, bundle)
        with pytest.raises(BundleError, match="as registered"):
            registry.load_version(folder, 1)

    def test_another_manifest_beside_the_same_model_is_refused(self, folder: Path) -> None:
        file = self.put(folder) / "data" / "bundle" / MANIFEST_FILE
        changed = json.loads(file.read_text())
        file.write_text(json.dumps(changed | {"promises": {}}))
        with pytest.raises(BundleError, match="as registered"):
            registry.load_version(folder, 1)
        file.unlink()
        with pytest.raises(BundleError, match="bundle-changed"):
            registry.locate(folder, 1)


class TestCommand:
    def run(self, *words: str, code: int = 0) -> str:
        result = CliRunner().invoke(command, words)
        assert result.exit_code == code, result.output
        return result.output

    def test_from_an_empty_folder(self, folder: Path) -> None:
        at = ("--registry", str(folder))
        assert "No model is registered yet" in self.run("list", *at)
        assert "now the challenger" in self.run("register", str(default_bundle_path()), *at)
        assert "challenger" in self.run("list", *at)

    def test_what_is_no_registry_is_reported(self, tmp_path: Path) -> None:
        (tmp_path / DATABASE).write_bytes(b"no database" * 100)
        with pytest.raises(InputError, match="registry-unreadable"):
            registry.versions(tmp_path)
        with pytest.raises(InputError, match="no-registry"):
            registry.roll_back(tmp_path / "nowhere")


def test_telemetry_is_off_once_mlflow_is_there() -> None:
    from faultml.pipelines.registry.tracking import mlflow_module

    mlflow_module()
    assert os.environ["MLFLOW_DISABLE_TELEMETRY"] == "true"
