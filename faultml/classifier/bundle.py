"""The model bundle: the arrays of three models in one file that runs no code, with a manifest that says what it is.

The file's hash is checked against the manifest before anything in it is read; what is read is checked by
`faultml.classifier.tensors`.
"""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, Final

import msgspec

from faultml.classifier.promise import OwnPromise, Promises
from faultml.classifier.tensors import Model, read_model, write_model
from faultml.errors import BundleError
from faultml.motion.landmark_model import LandmarkModel
from faultml.quality.reference import Reference, load_reference
from faultml.runtime.faults import FaultModel
from faultml.runtime.swing_filter import SwingFilterModel

MODEL_FILE: Final = "bundle.safetensors"
MANIFEST_FILE: Final = "manifest.json"
SCHEMA: Final = 2
MAX_BYTES: Final = 50_000_000


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a bundle is and where it comes from.

    Attributes
    ----------
    sha256
        Of the model file.
    converted_from
        SHA-256 of the model file that this one was converted from without training ("" where it was not): the same
        model, whose figures, verdicts and comparisons may name either hash.
    versions
        Of the packages it was trained with.
    features, faults
        Names of the feature columns and of the faults, in order.
    catalogue_sha256
        Of the catalogue it was trained for.
    recipe
        How its data were drawn.
    figures
        What was measured on golfers it was not trained on.
    evidence
        Which features each fault uses, and what it loses without each group.
    promises
        How few of the flags are wrong, and on whom that was shown.
    """

    schema: int
    name: str
    version: str
    sha256: str
    versions: dict[str, str]
    features: tuple[str, ...]
    faults: tuple[str, ...]
    catalogue_sha256: str
    code_sha256: str
    seed: int
    recipe: dict[str, Any]
    figures: dict[str, Any]
    evidence: dict[str, Any] = {}
    promises: Promises | None = None
    converted_from: str = ""

    def is_model(self, sha256: str) -> bool:
        """Whether a hash names this model, as it is or as it was before it was converted."""
        return sha256 == self.sha256 or (self.converted_from != "" and sha256 == self.converted_from)


class Registered(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which registered version a bundle is.

    Attributes
    ----------
    model, version, alias
        The registered model, the number of its version, and the alias it was asked for by ("" where by number).
    sha256, adaptation_sha256
        Of the model file, and of the coach adaptation beside it ("" where there is none), as they were registered.
    """

    model: str
    version: int
    alias: str
    sha256: str
    adaptation_sha256: str = ""


@dataclass(frozen=True)
class Bundle:
    """A model ready for use.

    Attributes
    ----------
    detector, swing_filter, classifier, manifest
        The parts that answer, and what they are.
    reference
        What it has learned from, where the bundle tells.
    origin
        What ``run.json`` says of it beyond the manifest: ``registry``, ``coach``.
    own_promise
        What a coach's own verdicts show of its flags.
    recalibrated
        Faults whose probabilities are a coach's own at the catalogue's edge.
    """

    detector: LandmarkModel
    swing_filter: SwingFilterModel
    classifier: FaultModel
    manifest: Manifest
    reference: Reference | None = None
    origin: dict[str, Any] = field(default_factory=dict)
    own_promise: OwnPromise | None = None
    recalibrated: tuple[str, ...] = ()


def default_bundle_path() -> Path:
    """Folder of the bundle that comes with the package."""
    return Path(str(resources.files("faultml.models")))


def save_bundle(folder: Path, model: Model, manifest: dict[str, Any]) -> Manifest:
    """Write model file and manifest to a folder; `manifest` lacks only the schema, the hash and the versions."""
    folder.mkdir(parents=True, exist_ok=True)
    content = write_model(model)
    (folder / MODEL_FILE).write_bytes(content)
    digest = hashlib.sha256(content).hexdigest()
    complete = Manifest(**{"versions": _versions(), **manifest, "schema": SCHEMA, "sha256": digest})
    text = msgspec.json.format(msgspec.json.encode(complete), indent=1)
    (folder / MANIFEST_FILE).write_bytes(text + b"\n")
    return complete


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a bundle; raises `BundleError` where there is none or it does not fit."""
    path = folder / MANIFEST_FILE
    try:
        return msgspec.json.decode(path.read_bytes(), type=Manifest)
    except OSError as error:
        raise BundleError(
            "no-bundle", where=str(path), expected="a model bundle", found=error.strerror or "nothing"
        ) from error
    except msgspec.MsgspecError as error:
        raise BundleError(
            "bad-manifest", where=str(path), expected="a bundle's manifest", found=str(error)
        ) from error


def load_bundle(folder: Path | None = None, registered: Registered | None = None) -> Bundle:
    """Load a bundle after checking its hash, and everything in it.

    Parameters
    ----------
    folder
        Of the bundle; the one that comes along where not given.
    registered
        Which registered version it must be.

    Raises
    ------
    BundleError
        ``bundle-schema`` where it has another form, ``bundle-changed`` where the file is not the one that the manifest
        or the registry speaks of, ``bundle-unreadable`` where something in it does not fit.
    """
    folder = folder or default_bundle_path()
    manifest = read_manifest(folder)
    path = folder / MODEL_FILE
    if manifest.schema != SCHEMA:
        raise BundleError(
            "bundle-schema",
            where=str(folder),
            expected=f"schema {SCHEMA}; faultml models convert reads older bundles",
            found=f"schema {manifest.schema}",
        )
    content = read_file(path)
    found = hashlib.sha256(content).hexdigest()
    vouched = {"": manifest.sha256} | ({", as registered": registered.sha256} if registered else {})
    for who, expected_sha256 in vouched.items():
        if found != expected_sha256:
            raise BundleError(
                "bundle-changed",
                where=str(path),
                expected=f"SHA-256 {expected_sha256[:12]}...{who}",
                found=f"{found[:12]}...",
            )
    model = read_model(content, len(manifest.features), len(manifest.faults), str(path))
    return Bundle(
        detector=model.detector,
        swing_filter=model.swing_filter,
        classifier=model.classifier,
        manifest=manifest,
        reference=_reference(folder, manifest.sha256),
        origin={"registry": _origin(registered)} if registered else {},
    )


def _origin(registered: Registered) -> dict[str, Any]:
    return {"model": registered.model, "version": registered.version, "alias": registered.alias}


def _reference(folder: Path, sha256: str) -> Reference | None:
    """The reference beside the bundle to watch seasons with; a season without one is assessed, and this is reported."""
    try:
        return load_reference(folder, sha256)
    except BundleError as error:
        warnings.warn(str(error), stacklevel=3)
        return None


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    return {name: version(name) for name in ("scikit-learn", "numpy", "scipy", "numba")}


def read_file(path: Path) -> bytes:
    """A model file's content; raises `BundleError` where there is none or it is too large."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise BundleError(
                "bundle-too-large",
                where=str(path),
                expected=f"at most {MAX_BYTES} bytes",
                found=str(path.stat().st_size),
            )
        return path.read_bytes()
    except OSError as error:
        raise BundleError(
            "no-bundle", where=str(path), expected="a model file", found=error.strerror or "nothing"
        ) from error
