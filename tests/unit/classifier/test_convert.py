"""Former bundles are converted without training; one that was tampered with is refused before anything is built."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
import skops.io
from click.testing import CliRunner

from faultml.classifier import convert
from faultml.classifier.bundle import MANIFEST_FILE, Bundle, load_bundle
from faultml.classifier.convert import FORMER_FILE, convert_bundle
from faultml.classifier.faults import FaultClassifier
from faultml.classifier.swing_filter import SwingFilter
from faultml.cli.models import command
from faultml.errors import BundleError
from faultml.faults.catalogue import Catalogue
from faultml.motion.landmarks import LandmarkDetector
from faultml.network import Network

ROWS = np.random.default_rng(4).normal(0, 3, (120, 361))


def small_network(n_inputs: int, n_outputs: int) -> Network:
    random = np.random.default_rng(n_inputs + n_outputs)
    rows = random.normal(size=(40, n_inputs))
    return Network((4,), epochs=1, averaged=2).fit(rows, random.normal(size=(40, n_outputs)))


@pytest.fixture(scope="module")
def parts(catalogue: Catalogue) -> dict[str, Any]:
    """Estimators as a former version left them, learned from next to nothing."""
    detector = LandmarkDetector(1)
    detector.networks_, detector.scale_ = [small_network(309, 99), small_network(525, 92)], np.ones(4)
    swing_filter = SwingFilter(rounds=5).fit(ROWS, ROWS[:, 0] > 0)
    truth = ROWS[:, : len(catalogue.ids) + 1]
    classifier = FaultClassifier.for_catalogue(catalogue, familiar=(1, 3, 5), hidden=(4,), epochs=1)
    return {"detector": detector, "gate": swing_filter, "classifier": classifier.fit(ROWS, truth)}


@pytest.fixture
def former(tmp_path: Path, parts: dict[str, Any], bundle: Bundle) -> Path:
    folder = tmp_path / "former"
    folder.mkdir()
    put(folder, skops.io.dumps(parts), bundle)
    return folder


def put(folder: Path, content: bytes, bundle: Bundle) -> None:
    """A file, with a manifest of the former schema that vouches for it."""
    import sklearn

    (folder / FORMER_FILE).write_bytes(content)
    digest, versions = hashlib.sha256(content).hexdigest(), {"scikit-learn": sklearn.__version__}
    manifest = msgspec.structs.replace(
        bundle.manifest, schema=1, sha256=digest, versions=versions, converted_from=""
    )
    (folder / MANIFEST_FILE).write_bytes(msgspec.json.encode(manifest))


def refusal(folder: Path) -> BundleError:
    with pytest.raises(BundleError) as caught:
        convert_bundle(folder, folder / "out")
    assert not (folder / "out").exists(), "nothing is left"
    return caught.value


def test_a_former_bundle_answers_as_its_estimators_did(
    former: Path, parts: dict[str, Any], tmp_path: Path
) -> None:
    ran = CliRunner().invoke(command, ["convert", str(former), "--out", str(tmp_path / "new")])
    assert ran.exit_code == 0, ran.output
    found = load_bundle(tmp_path / "new")
    former_sha256 = hashlib.sha256((former / FORMER_FILE).read_bytes()).hexdigest()
    assert found.manifest.converted_from == former_sha256
    assert found.manifest.is_model(former_sha256) and found.manifest.is_model(found.manifest.sha256)
    assert not found.manifest.is_model("")
    np.testing.assert_array_equal(found.swing_filter.predict_proba(ROWS), parts["gate"].predict_proba(ROWS))
    np.testing.assert_array_equal(
        found.classifier.predict_proba(ROWS), parts["classifier"].predict_proba(ROWS)
    )


def test_a_former_bundle_names_the_swing_filter_as_it_was_called(former: Path, bundle: Bundle) -> None:
    """The class was `faultml.classifier.gate.SwingGate` when such bundles were written."""
    original, content = zipfile.ZipFile(former / FORMER_FILE), io.BytesIO()
    with zipfile.ZipFile(content, "w") as written:
        for item in original.namelist():
            data = original.read(item)
            if item == "schema.json":
                assert b'"SwingFilter"' in data
                data = data.replace(b'"SwingFilter"', b'"SwingGate"')
                data = data.replace(b'"faultml.classifier.swing_filter"', b'"faultml.classifier.gate"')
            written.writestr(item, data)
    put(former, content.getvalue(), bundle)
    convert_bundle(former, former / "out")
    assert load_bundle(former / "out").swing_filter.n_features == ROWS.shape[1]


class Bomb:
    """Writes a file when it is put together."""

    fuse: Path

    def __init__(self) -> None:
        self.at = 1

    def __setstate__(self, state: object) -> None:
        type(self).fuse.write_text("it ran")


def test_a_type_that_would_run_code_is_refused_and_does_not_run(
    former: Path, tmp_path: Path, bundle: Bundle
) -> None:
    """The attack: a file that the manifest vouches for, holding an object whose making runs code."""
    Bomb.fuse = tmp_path / "ran"
    put(former, skops.io.dumps({"detector": Bomb(), "gate": 1, "classifier": 2}), bundle)
    error = refusal(former)
    assert error.code == "bundle-not-trusted" and "Bomb" in error.found
    assert not Bomb.fuse.exists()
    path = former / FORMER_FILE
    skops.io.load(path, trusted=skops.io.get_untrusted_types(file=path))
    assert Bomb.fuse.exists(), "the fuse burns: what was refused above would have run"


@pytest.mark.parametrize("function", ["os.system", "builtins.eval", "subprocess.Popen", "numpy.load"])
def test_a_file_that_asks_for_a_function_is_refused(former: Path, bundle: Bundle, function: str) -> None:
    """The schema of an honest file, changed by hand so that loading would call something."""
    module, _, name = function.rpartition(".")
    original, content = zipfile.ZipFile(former / FORMER_FILE), io.BytesIO()
    with zipfile.ZipFile(content, "w") as changed:
        for item in original.namelist():
            data = original.read(item)
            if item == "schema.json":
                schema = json.loads(data)
                call = {"__class__": name, "__module__": module, "__loader__": "ObjectNode"}
                schema["content"]["gate"] = call | {"__id__": 999_999_999, "content": None}
                data = json.dumps(schema).encode()
            changed.writestr(item, data)
    put(former, content.getvalue(), bundle)
    error = refusal(former)
    assert error.code == "bundle-not-trusted" and name in error.found


def test_a_changed_file_is_refused_before_anything_is_built(
    former: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Path] = []
    monkeypatch.setattr(convert, "_read", begun.append)
    content = bytearray((former / FORMER_FILE).read_bytes())
    content[1000] ^= 1
    (former / FORMER_FILE).write_bytes(bytes(content))
    assert refusal(former).code == "bundle-changed" and begun == []


@pytest.mark.parametrize(
    ("changes", "code"),
    [({"schema": 2}, "bundle-schema"), ({"versions": {"scikit-learn": "1.2.0"}}, "bundle-version")],
)
def test_another_schema_or_version_is_refused(former: Path, changes: dict[str, Any], code: str) -> None:
    manifest = json.loads((former / MANIFEST_FILE).read_text())
    (former / MANIFEST_FILE).write_text(json.dumps(manifest | changes))
    assert refusal(former).code == code


CONTENTS: dict[str, Callable[[dict[str, Any]], bytes]] = {
    "no zip": lambda _: b"not a zip",
    "a list": lambda _: skops.io.dumps([1, 2]),
    "numbers": lambda _: skops.io.dumps({"detector": 1, "gate": 2, "classifier": 3}),
    "swapped": lambda parts: skops.io.dumps(
        parts | {"gate": parts["classifier"], "classifier": parts["gate"]}
    ),
}


@pytest.mark.parametrize("content", CONTENTS)
def test_a_vouched_file_that_is_no_bundle_is_unreadable(
    former: Path, parts: dict[str, Any], bundle: Bundle, content: str
) -> None:
    put(former, CONTENTS[content](parts), bundle)
    assert refusal(former).code == "bundle-unreadable"
