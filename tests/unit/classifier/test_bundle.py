"""A bundle is looked at before anything of it is used: its hash, and every tensor. Attacked in many ways."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import safetensors.numpy
from numpy.typing import NDArray

from faultml.classifier import bundle as bundles
from faultml.classifier.bundle import (
    MANIFEST_FILE,
    MAX_BYTES,
    MODEL_FILE,
    Bundle,
    default_bundle_path,
    load_bundle,
    read_manifest,
    save_bundle,
)
from faultml.classifier.tensors import MAX_HEADER_BYTES, Model, write_model
from faultml.errors import BundleError
from faultml.faults.catalogue import Catalogue

Tensors = dict[str, NDArray]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the bundle that comes along."""
    for name in (MODEL_FILE, MANIFEST_FILE):
        shutil.copy(default_bundle_path() / name, tmp_path)
    return tmp_path


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was begun to be read; nothing may be."""
    begun: list[str] = []
    monkeypatch.setattr(bundles, "read_model", lambda *_, **__: begun.append("model"))
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


def tensors_of(folder: Path) -> Tensors:
    return dict(safetensors.numpy.load((folder / MODEL_FILE).read_bytes()))


def test_the_bundle_that_comes_along_is_whole_and_small(bundle: Bundle, catalogue: Catalogue) -> None:
    assert bundle.manifest.faults == catalogue.ids
    assert bundle.manifest.catalogue_sha256 == catalogue.digest
    assert sum(path.stat().st_size for path in default_bundle_path().iterdir() if path.is_file()) < 5_000_000
    assert len(bundle.manifest.features) == bundle.swing_filter.n_features == bundle.classifier.n_features


def test_a_copy_loads_as_well(folder: Path, bundle: Bundle) -> None:
    again = load_bundle(folder)
    assert again.manifest == bundle.manifest
    rows = np.random.default_rng(0).normal(0, 5, (20, bundle.swing_filter.n_features))
    np.testing.assert_array_equal(again.classifier.predict_proba(rows), bundle.classifier.predict_proba(rows))


@pytest.mark.parametrize("at", [0, 1000, -1])
def test_a_changed_byte_is_refused_before_anything_is_read(folder: Path, read: list[str], at: int) -> None:
    content = bytearray((folder / MODEL_FILE).read_bytes())
    content[at] ^= 1
    (folder / MODEL_FILE).write_bytes(bytes(content))
    assert refusal(folder).code == "bundle-changed" and read == []


def test_a_cut_or_longer_file_is_refused_before_anything_is_read(folder: Path, read: list[str]) -> None:
    content = (folder / MODEL_FILE).read_bytes()
    for changed in (b"", content[:-100], content + b"\0"):
        (folder / MODEL_FILE).write_bytes(changed)
        assert refusal(folder).code == "bundle-changed"
    assert read == []


def test_a_file_of_any_size_is_not_read(folder: Path, read: list[str]) -> None:
    with (folder / MODEL_FILE).open("r+b") as file:
        file.truncate(MAX_BYTES + 1)
    assert refusal(folder).code == "bundle-too-large" and read == []


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"schema": 1}, "bundle-schema"),
        ({"schema": 3}, "bundle-schema"),
        ({"sha256": ""}, "bundle-changed"),
        ({"sha256": 5}, "bad-manifest"),
        ({"features": "all"}, "bad-manifest"),
        ({"versions": None}, "bad-manifest"),
    ],
)
def test_another_schema_or_hash_is_refused_before_anything_is_read(
    folder: Path, read: list[str], changes: dict[str, Any], code: str
) -> None:
    rewrite(folder, **changes)
    assert refusal(folder).code == code and read == []


@pytest.mark.parametrize("text", ["", "{", "null", "[]", "{}", '{"schema": 1}', "\ufffd", "<html>"])
def test_nonsense_for_a_manifest_is_refused_before_anything_is_read(
    folder: Path, read: list[str], text: str
) -> None:
    (folder / MANIFEST_FILE).write_text(text, encoding="utf-8")
    assert refusal(folder).code == "bad-manifest" and read == []


def test_a_manifest_that_is_not_text_is_refused(folder: Path, read: list[str]) -> None:
    (folder / MANIFEST_FILE).write_bytes(b"\xff\xfe\x00{}")
    assert refusal(folder).code == "bad-manifest" and read == []


@pytest.mark.parametrize("missing", [MODEL_FILE, MANIFEST_FILE])
def test_no_bundle_is_said_to_be_none(folder: Path, read: list[str], missing: str) -> None:
    (folder / missing).unlink()
    assert refusal(folder).code == "no-bundle" and read == []
    (folder / missing).mkdir()
    assert refusal(folder).code in ("no-bundle", "bundle-changed") and read == []


def test_the_manifest_must_name_as_many_features_and_faults_as_the_model_has(
    folder: Path, bundle: Bundle
) -> None:
    for changes in ({"features": bundle.manifest.features[1:]}, {"faults": bundle.manifest.faults[1:]}):
        rewrite(folder, **{name: list(value) for name, value in changes.items()})
        assert refusal(folder).code == "bundle-unreadable"
        rewrite(folder, features=list(bundle.manifest.features), faults=list(bundle.manifest.faults))


def _number(tensors: Tensors, name: str, value: float) -> None:
    tensors[name] = tensors[name].copy()
    tensors[name].reshape(-1)[-1] = value


def _own_child(tensors: Tensors) -> None:
    """A node whose left child is itself and whose right one is not: a walk that may never end."""
    children = tensors["gate.children"].copy()
    inner = np.flatnonzero((children != np.arange(len(children))[:, None]).all(axis=1))[3]
    children[inner, 0] = inner
    tensors["gate.children"] = children


def _backwards(tensors: Tensors) -> None:
    children = tensors["gate.children"].copy()
    inner = np.flatnonzero((children != np.arange(len(children))[:, None]).all(axis=1))[5]
    children[inner, 1] = inner - 1
    tensors["gate.children"] = children


def _next_tree(tensors: Tensors) -> None:
    children = tensors["gate.children"].copy()
    children[0, 1] = tensors["gate.roots"][1]
    tensors["gate.children"] = children


def _deep(tensors: Tensors) -> None:
    """One tree as long as a chain."""
    own = np.arange(201, dtype=np.uint32)
    children = np.column_stack([own, own])
    children[0:200:2] = np.column_stack([own[1::2], own[2::2]])
    tensors |= {"gate.children": children, "gate.roots": np.zeros(1, np.uint32)}
    tensors |= {
        "gate.feature": np.zeros(201, np.uint32),
        "gate.threshold": np.zeros(201),
        "gate.value": np.zeros(201),
    }


ATTACKS: dict[str, Callable[[Tensors], object]] = {
    "infinite-weight": lambda t: _number(t, "detector.1.weights.0.2", np.inf),
    "nan-weight": lambda t: _number(t, "measures.correct.weights.1.0", np.nan),
    "infinite-mean": lambda t: _number(t, "measures.spread.input_mean", -np.inf),
    "nan-threshold": lambda t: _number(t, "gate.threshold", np.nan),
    "infinite-leaf": lambda t: _number(t, "gate.value", np.inf),
    "scale-of-nought": lambda t: _number(t, "detector.0.input_scale", 0.0),
    "negative-softness": lambda t: _number(t, "faults.softness", -4.0),
    "sign-of-two": lambda t: _number(t, "faults.signs", 2.0),
    "own-child": _own_child,
    "points-back": _backwards,
    "points-into-the-next-tree": _next_tree,
    "deep": _deep,
    "child-out-of-range": lambda t: _number(t, "gate.children", 4_000_000_000),
    "feature-out-of-range": lambda t: _number(t, "gate.feature", 361),
    "root-out-of-range": lambda t: _number(t, "gate.roots", 17_507),
    "column-out-of-range": lambda t: _number(t, "distance.columns", 361),
    "column-below-nought": lambda t: _number(t, "distance.columns", -1),
    "guard-out-of-range": lambda t: _number(t, "faults.guarded", 17),
    "missing": lambda t: t.pop("gate.value"),
    "missing-layer": lambda t: [t.pop(f"measures.correct.weights.0.{k}") for k in (4, 5)],
    "no-weights": lambda t: [t.pop(name) for name in list(t) if name.startswith("detector.2.weights")],
    "one-too-many": lambda t: t.update(more=np.zeros(3)),
    "another-type": lambda t: t.update({"faults.edges": t["faults.edges"].astype(np.int64)}),
    "text-for-numbers": lambda t: t.update({"gate.roots": t["gate.roots"].astype(np.int64)}),
    "fewer-leaves": lambda t: t.update({"gate.value": t["gate.value"][:-1]}),
    "fewer-outputs": lambda t: t.update({"detector.0.target_mean": t["detector.0.target_mean"][:-1]}),
    "another-width": lambda t: t.update({"detector.0.weights.0.0": t["detector.0.weights.0.0"][:-1]}),
    "flat": lambda t: t.update({"distance.root": t["distance.root"].reshape(-1)}),
    "no-features": lambda t: t.update({"detector.0.input_mean": np.zeros(0)}),
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_a_vouched_file_whose_numbers_lead_astray_is_refused(folder: Path, attack: str) -> None:
    tensors = tensors_of(folder)
    ATTACKS[attack](tensors)
    put_model(folder, safetensors.numpy.save(tensors))
    assert refusal(folder).code == "bundle-unreadable"


def _with_header(folder: Path, change: Callable[[dict[str, Any]], object]) -> bytes:
    content = (folder / MODEL_FILE).read_bytes()
    length = int.from_bytes(content[:8], "little")
    header = json.loads(content[8 : 8 + length])
    change(header)
    text = json.dumps(header).encode()
    return len(text).to_bytes(8, "little") + text + content[8 + length :]


HEADERS: dict[str, Callable[[dict[str, Any]], object]] = {
    "beyond-the-end": lambda h: h["gate.value"].update(data_offsets=[2_700_000, 9_900_000]),
    "before-the-start": lambda h: h["gate.value"].update(data_offsets=[-8, 0]),
    "endless": lambda h: h["gate.value"].update(shape=[2**40, 2**40]),
    "negative-size": lambda h: h["gate.value"].update(shape=[-1, -17507]),
    "unknown-type": lambda h: h["gate.value"].update(dtype="OBJECT"),
    "smaller-type": lambda h: h["gate.value"].update(dtype="F16"),
    "another-key": lambda h: h["gate.value"].update(run="rm"),
    "overlap": lambda h: h["gate.value"].update(data_offsets=h["gate.threshold"]["data_offsets"]),
    "many": lambda h: h.update(
        {f"t{k}": {"dtype": "F16", "shape": [0], "data_offsets": [0, 0]} for k in range(2001)}
    ),
}


@pytest.mark.parametrize("change", HEADERS)
def test_a_header_that_asks_for_too_much_is_refused(folder: Path, change: str) -> None:
    put_model(folder, _with_header(folder, HEADERS[change]))
    assert refusal(folder).code == "bundle-unreadable"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"short",
        b"not a model, but long enough to have a length",
        (2**63).to_bytes(8, "little") + b"{}",
        (MAX_HEADER_BYTES + 1).to_bytes(8, "little") + b" " * (MAX_HEADER_BYTES + 2),
        (2).to_bytes(8, "little") + b"{}",
        (2).to_bytes(8, "little") + b"[]",
        (4).to_bytes(8, "little") + b"\xff\xfe\xff\xfe",
    ],
)
def test_a_vouched_file_that_is_no_model_is_unreadable(folder: Path, content: bytes) -> None:
    put_model(folder, content)
    assert refusal(folder).code == "bundle-unreadable"


def test_what_is_saved_is_what_is_loaded(tmp_path: Path, bundle: Bundle) -> None:
    given = {
        name: getattr(bundle.manifest, name)
        for name in bundle.manifest.__struct_fields__
        if name not in ("schema", "sha256", "versions")
    }
    model = Model(bundle.detector, bundle.swing_filter, bundle.classifier)
    written = save_bundle(tmp_path / "deep" / "folder", model, given)
    assert written == read_manifest(tmp_path / "deep" / "folder")
    assert written.sha256 == bundle.manifest.sha256, "the same model gives the same file"
    again = load_bundle(tmp_path / "deep" / "folder")
    assert again.manifest.name == bundle.manifest.name
    assert write_model(Model(again.detector, again.swing_filter, again.classifier)) == write_model(model)
