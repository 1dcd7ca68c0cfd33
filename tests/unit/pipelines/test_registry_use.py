"""classify and serve with a registry's champion: which version answered is reported, and another file is refused."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from season_fakes import fake_season

from faultml.classifier.bundle import MODEL_FILE, Registered, default_bundle_path, read_manifest
from faultml.cli import main
from faultml.errors import BundleError
from faultml.pipelines.registry import registry
from faultml.service import Settings, create_app
from faultml.service.jobs import Jobs
from faultml.service.worker_requests import WorkerRequest

pytest.importorskip("mlflow")


@pytest.fixture(scope="module")
def made(empty_registry: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A registry whose champion is the model that comes along."""
    folder = Path(shutil.copytree(empty_registry, tmp_path_factory.mktemp("made") / "registry"))
    registry.register(folder, default_bundle_path())
    registry.make_champion(folder, 1)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "registry"))


@pytest.fixture
def season(tmp_path: Path) -> Path:
    fake_season(3).to_parquet(tmp_path / "season.parquet")
    return tmp_path / "season.parquet"


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(word) for word in words])
    return done.exit_code, done.output


def test_results_say_which_version_answered(folder: Path, season: Path, tmp_path: Path) -> None:
    code, said = run("classify", season, "--out", tmp_path / "r", "--registry", folder, "--no-report")
    assert code in (0, 1, 3), said
    reported = json.loads((tmp_path / "r" / "run.json").read_text())
    assert reported["registry"] == {"model": "faultml", "version": 1, "alias": "champion"}
    assert reported["model"]["sha256"] == read_manifest(default_bundle_path()).sha256
    assert str(folder) not in (tmp_path / "r" / "run.json").read_text()


@pytest.mark.parametrize("command", ["classify", "serve"])
def test_both_a_model_and_a_registry_are_wrong_use(
    command: str, folder: Path, season: Path, tmp_path: Path
) -> None:
    given = [season, "--out", tmp_path / "r"] if command == "classify" else []
    code, said = run(command, *given, "--registry", folder, "--model", default_bundle_path())
    assert code == 2 and "give one of them" in said


def test_without_a_champion_it_is_reported(season: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    code, said = run("classify", season, "--out", tmp_path / "r", "--registry", empty)
    assert code == 2 and "no-registry" in said and not list(empty.iterdir())
    registry.versions(empty)
    code, said = run("classify", season, "--out", tmp_path / "r", "--registry", empty)
    assert code == 2 and "no champion" in said and not (tmp_path / "r").exists()


def test_another_file_than_was_registered_is_refused(folder: Path, season: Path, tmp_path: Path) -> None:
    path, registered = registry.locate(folder)
    changed = msgspec.structs.replace(registered, sha256="0" * 64)
    with pytest.raises(BundleError, match="as registered"):
        create_app(Settings(model=path, registered=changed))
    model = path / MODEL_FILE
    model.write_bytes(model.read_bytes() + b"\0")
    code, said = run("classify", season, "--out", tmp_path / "r", "--registry", folder)
    assert code == 2 and "bundle-changed" in said


def test_the_process_that_classifies_an_upload_gets_the_version(folder: Path, tmp_path: Path) -> None:
    path, registered = registry.locate(folder)
    jobs = Jobs(Settings(model=path, registered=registered), tmp_path)
    request = msgspec.json.decode(msgspec.json.encode(jobs._request), type=WorkerRequest)
    assert request == WorkerRequest(
        str(path.resolve()), None, None, Registered("faultml", 1, "champion", registered.sha256)
    )


def test_mlflow_is_imported_only_where_a_registry_is_given(season: Path, tmp_path: Path) -> None:
    words = ["classify", str(season), "--out", str(tmp_path / "r"), "--no-report", "--quiet"]
    reported = (
        "import sys\nfrom faultml.cli import main\n"
        f"try:\n    main({words!r})\nexcept SystemExit:\n    pass\n"
        "print('mlflow' in sys.modules, 'tsfresh' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", reported], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_the_pages_example_runs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = (Path(__file__).parents[3] / "docs" / "registry.md").read_text(encoding="utf-8")
    code = page.split("```python\n")[1].split("```")[0]
    folder.rename(folder.with_name("faultml-registry"))
    monkeypatch.chdir(folder.parent)
    names: dict[str, object] = {}
    exec(code, names)
    assert type(names["assessor"]).__name__ == "Assessor"
