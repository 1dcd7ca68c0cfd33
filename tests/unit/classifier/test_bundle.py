"""A bundle is looked at before anything of it is built: hash, versions, types. Attacked with files that run code."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skops.io

from faultml.classifier.bundle import (
    MANIFEST_FILE,
    MODEL_FILE,
    MOST_BYTES,
    Bundle,
    default_bundle_path,
    load_bundle,
    read_manifest,
    save_bundle,
)
from faultml.errors import BundleError
from faultml.faults.catalogue import Catalogue


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the bundle that comes along."""
    for name in (MODEL_FILE, MANIFEST_FILE):
        shutil.copy(default_bundle_path() / name, tmp_path)
    return tmp_path


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was begun to be built; nothing may be."""
    begun: list[str] = []

    def noted(name: str) -> Callable[..., Any]:
        return lambda *_, **__: begun.append(name)

    for name in ("load", "loads", "get_untrusted_types"):
        monkeypatch.setattr(skops.io, name, noted(name))
    return begun


def rewrite(folder: Path, **changes: Any) -> None:
    manifest = json.loads((folder / MANIFEST_FILE).read_text())
    (folder / MANIFEST_FILE).write_text(json.dumps(manifest | changes))


def put_model(folder: Path, content: bytes) -> None:
    """Another model file, with a manifest that vouches for it."""
    (folder / MODEL_FILE).write_bytes(content)
    rewrite(folder, sha256=hashlib.sha256(content).hexdigest())


def refusal(folder: Path) -> BundleError:
    with pytest.raises(BundleError) as caught:
        load_bundle(folder)
    assert caught.value.where.startswith(str(folder)) and caught.value.expected and caught.value.found
    return caught.value


def test_the_bundle_that_comes_along_is_whole_and_small(bundle: Bundle, catalogue: Catalogue) -> None:
    assert bundle.manifest.faults == catalogue.ids
    assert bundle.manifest.catalogue_sha256 == catalogue.digest
    assert sum(path.stat().st_size for path in default_bundle_path().iterdir() if path.is_file()) < 5_000_000
    assert len(bundle.manifest.features) == bundle.gate.n_features_in_ == bundle.classifier.n_features_in_


def test_a_copy_loads_as_well(folder: Path, bundle: Bundle) -> None:
    again = load_bundle(folder)
    assert again.manifest == bundle.manifest
    X = np.random.default_rng(0).normal(0, 5, (20, bundle.gate.n_features_in_))
    np.testing.assert_array_equal(again.classifier.predict_proba(X), bundle.classifier.predict_proba(X))


@pytest.mark.parametrize("at", [0, 1000, -1])
def test_a_changed_byte_is_refused_before_anything_is_built(folder: Path, built: list[str], at: int) -> None:
    content = bytearray((folder / MODEL_FILE).read_bytes())
    content[at] ^= 1
    (folder / MODEL_FILE).write_bytes(bytes(content))
    assert refusal(folder).code == "bundle-changed" and built == []


def test_a_cut_or_longer_file_is_refused_before_anything_is_built(folder: Path, built: list[str]) -> None:
    content = (folder / MODEL_FILE).read_bytes()
    for changed in (b"", content[:-100], content + b"\0"):
        (folder / MODEL_FILE).write_bytes(changed)
        assert refusal(folder).code == "bundle-changed"
    assert built == []


def test_a_file_of_any_size_is_not_read(folder: Path, built: list[str]) -> None:
    with (folder / MODEL_FILE).open("r+b") as file:
        file.truncate(MOST_BYTES + 1)
    assert refusal(folder).code == "bundle-too-large" and built == []


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"schema": 2}, "bundle-schema"),
        ({"versions": {"scikit-learn": "1.2.0"}}, "bundle-version"),
        ({"versions": {}}, "bundle-version"),
        ({"sha256": ""}, "bundle-changed"),
        ({"sha256": 5}, "bad-manifest"),
        ({"features": "all"}, "bad-manifest"),
        ({"versions": None}, "bad-manifest"),
    ],
)
def test_another_schema_or_version_is_refused_before_anything_is_built(
    folder: Path, built: list[str], changes: dict[str, Any], code: str
) -> None:
    rewrite(folder, **changes)
    assert refusal(folder).code == code and built == []


@pytest.mark.parametrize("text", ["", "{", "null", "[]", "{}", '{"schema": 1}', "\ufffd", "<html>"])
def test_nonsense_for_a_manifest_is_refused_before_anything_is_built(
    folder: Path, built: list[str], text: str
) -> None:
    (folder / MANIFEST_FILE).write_text(text, encoding="utf-8")
    assert refusal(folder).code == "bad-manifest" and built == []


def test_a_manifest_that_is_not_text_is_refused(folder: Path, built: list[str]) -> None:
    (folder / MANIFEST_FILE).write_bytes(b"\xff\xfe\x00{}")
    assert refusal(folder).code == "bad-manifest" and built == []


@pytest.mark.parametrize("missing", [MODEL_FILE, MANIFEST_FILE])
def test_no_bundle_is_said_to_be_none(folder: Path, built: list[str], missing: str) -> None:
    (folder / missing).unlink()
    assert refusal(folder).code == "no-bundle" and built == []
    (folder / missing).mkdir()
    assert refusal(folder).code in ("no-bundle", "bundle-changed") and built == []


class Bomb:
    """Writes a file when it is put together."""

    fuse: Path

    def __init__(self) -> None:
        self.at = 1

    def __setstate__(self, state: object) -> None:
        type(self).fuse.write_text("it ran")


def test_a_type_that_would_run_code_is_refused_and_does_not_run(folder: Path, tmp_path: Path) -> None:
    """The attack: a file that the manifest vouches for, holding an object whose making runs code."""
    Bomb.fuse = tmp_path / "ran"
    put_model(folder, skops.io.dumps({"detector": Bomb(), "gate": 1, "classifier": 2}))
    error = refusal(folder)
    assert error.code == "bundle-not-trusted" and "Bomb" in error.found
    assert not Bomb.fuse.exists()
    skops.io.load(folder / MODEL_FILE, trusted=skops.io.get_untrusted_types(file=folder / MODEL_FILE))
    assert Bomb.fuse.exists(), "the fuse burns: what was refused above would have run"


@pytest.mark.parametrize("function", ["os.system", "builtins.eval", "subprocess.Popen", "numpy.load"])
def test_a_file_that_asks_for_a_function_is_refused(folder: Path, tmp_path: Path, function: str) -> None:
    """The schema of an honest file, changed by hand so that loading would call something."""
    module, _, name = function.rpartition(".")
    original = zipfile.ZipFile(folder / MODEL_FILE)
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as changed:
        for item in original.namelist():
            data = original.read(item)
            if item == "schema.json":
                schema = json.loads(data)
                call = {
                    "__class__": name,
                    "__module__": module,
                    "__loader__": "ObjectNode",
                    "__id__": 999_999_999,
                    "content": None,
                }
                schema["content"]["gate"] = call
                data = json.dumps(schema).encode()
            changed.writestr(item, data)
    put_model(folder, content.getvalue())
    error = refusal(folder)
    assert error.code == "bundle-not-trusted" and name in error.found


@pytest.mark.parametrize(
    "content",
    [
        b"not a zip",
        b"",
        skops.io.dumps([1, 2]),
        skops.io.dumps({"detector": 1, "gate": 2, "classifier": 3}),
        skops.io.dumps({}),
    ],
)
def test_a_vouched_file_that_is_no_model_is_unreadable(folder: Path, content: bytes) -> None:
    put_model(folder, content)
    assert refusal(folder).code == "bundle-unreadable"


def test_parts_in_each_others_place_are_refused(folder: Path, bundle: Bundle) -> None:
    swapped = {"detector": bundle.detector, "gate": bundle.classifier, "classifier": bundle.gate}
    put_model(folder, skops.io.dumps(swapped))
    assert refusal(folder).code == "bundle-unreadable"


def test_another_minor_of_the_other_packages_is_told(folder: Path) -> None:
    versions = json.loads((folder / MANIFEST_FILE).read_text())["versions"]
    rewrite(folder, versions=versions | {"scipy": "1.0.3"})
    with pytest.warns(UserWarning, match=r"scipy 1\.0\.3"):
        load_bundle(folder)
    rewrite(folder, versions=versions)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        load_bundle(folder)


def test_what_is_saved_is_what_is_loaded(tmp_path: Path, bundle: Bundle) -> None:
    given = {
        name: getattr(bundle.manifest, name)
        for name in bundle.manifest.__struct_fields__
        if name not in ("schema", "sha256", "versions")
    }
    parts = {name: getattr(bundle, name) for name in ("detector", "gate", "classifier")}
    written = save_bundle(tmp_path / "deep" / "folder", parts, given)
    assert written == read_manifest(tmp_path / "deep" / "folder")
    again = load_bundle(tmp_path / "deep" / "folder")
    assert again.manifest.name == bundle.manifest.name and again.gate.threshold_ == bundle.gate.threshold_
