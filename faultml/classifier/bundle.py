"""The model bundle: three fitted estimators in one file that runs no code, with a manifest that says what it is.

The file is checked before anything in it is built: its hash against the manifest, then every type it asks for against
the list below. The list is ours; it is never taken from the file.
"""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import Any, Final

import msgspec
import sklearn

from faultml.classifier.faults import FaultClassifier
from faultml.classifier.gate import SwingGate
from faultml.classifier.promise import OwnPromise, Promises
from faultml.errors import BundleError
from faultml.motion.landmarks import LandmarkDetector
from faultml.quality.reference import Reference, load_reference

MODEL_FILE: Final = "bundle.skops"
MANIFEST_FILE: Final = "manifest.json"
SCHEMA: Final = 1
MOST_BYTES: Final = 50_000_000

TRUSTED_TYPES: Final = (
    "faultml.classifier.faults.FaultClassifier",
    "faultml.classifier.gate.SwingGate",
    "faultml.classifier.measures.MeasureModel",
    "faultml.classifier.unfamiliar.Unfamiliarity",
    "faultml.motion.landmarks.LandmarkDetector",
    "faultml.network.Network",
    "sklearn._loss.link.Interval",
    "sklearn._loss.link.LogitLink",
    "sklearn._loss.loss.HalfBinomialLoss",
    "sklearn.ensemble._hist_gradient_boosting.binning._BinMapper",
    "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
)
"""Types beside numpy's and scikit-learn's public ones that a bundle may hold."""


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a bundle is and where it comes from.

    Attributes
    ----------
    sha256
        Of the model file.
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


class Registered(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which registered version a bundle is.

    Attributes
    ----------
    model, version, alias
        The registered model, the number of its version, and the alias it was asked for by ("" where by number).
    sha256, eye_sha256
        Of the model file, and of the coach's eye beside it ("" where there is none), as they were registered.
    """

    model: str
    version: int
    alias: str
    sha256: str
    eye_sha256: str = ""


@dataclass(frozen=True)
class Bundle:
    """A model ready for use.

    Attributes
    ----------
    detector, gate, classifier, manifest
        The fitted parts, and what they are.
    reference
        What it has learned from, where the bundle tells.
    origin
        What ``run.json`` says of it beyond the manifest: ``registry``, ``coach``.
    own_promise
        What a coach's own verdicts show of its flags.
    """

    detector: LandmarkDetector
    gate: SwingGate
    classifier: FaultClassifier
    manifest: Manifest
    reference: Reference | None = None
    origin: dict[str, Any] = field(default_factory=dict)
    own_promise: OwnPromise | None = None


def default_bundle_path() -> Path:
    """Folder of the bundle that comes with the package."""
    return Path(str(resources.files("faultml.models")))


def save_bundle(folder: Path, estimators: dict[str, Any], manifest: dict[str, Any]) -> Manifest:
    """Write model file and manifest to a folder; `manifest` lacks only the hash and the versions."""
    from zipfile import ZIP_DEFLATED

    import skops.io

    folder.mkdir(parents=True, exist_ok=True)
    skops.io.dump(estimators, folder / MODEL_FILE, compression=ZIP_DEFLATED, compresslevel=9)
    complete = Manifest(schema=SCHEMA, sha256=_digest(folder / MODEL_FILE), versions=_versions(), **manifest)
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
    """Load a bundle after checking its hash, its versions and every type it holds.

    Parameters
    ----------
    folder
        Of the bundle; the one that comes along where not given.
    registered
        Which registered version it must be.

    Raises
    ------
    BundleError
        ``bundle-changed`` where the file is not the one that the manifest or the registry speaks of,
        ``bundle-not-trusted`` where it asks
        for a type that is not on our list, ``bundle-schema`` and ``bundle-version`` where
        it was made for other versions.
    """
    folder = folder or default_bundle_path()
    manifest = read_manifest(folder)
    path = folder / MODEL_FILE
    _check_versions(manifest, path)
    found = _digest(path)
    vouched = {"": manifest.sha256} | ({", as registered": registered.sha256} if registered else {})
    for who, expected_sha256 in vouched.items():
        if found != expected_sha256:
            raise BundleError(
                "bundle-changed",
                where=str(path),
                expected=f"SHA-256 {expected_sha256[:12]}...{who}",
                found=f"{found[:12]}...",
            )
    import skops.io
    from skops.io.exceptions import UntrustedTypesFoundException

    try:
        parts = skops.io.load(path, trusted=list(TRUSTED_TYPES))
    except UntrustedTypesFoundException as error:
        raise BundleError(
            "bundle-not-trusted",
            where=str(path),
            expected="types on the project's own list",
            found=str(error),
        ) from error
    except Exception as error:  # skops raises whatever its zip, json and numpy readers do
        raise BundleError(
            "bundle-unreadable",
            where=str(path),
            expected="a skops file",
            found=f"{type(error).__name__}: {error}",
        ) from error
    expected = {"detector": LandmarkDetector, "gate": SwingGate, "classifier": FaultClassifier}
    if not isinstance(parts, dict) or any(
        not isinstance(parts.get(name), kind) for name, kind in expected.items()
    ):
        raise BundleError(
            "bundle-unreadable", where=str(path), expected=", ".join(expected), found=str(type(parts))
        )
    return Bundle(
        **{name: parts[name] for name in expected},
        manifest=manifest,
        reference=_reference(folder, manifest.sha256),
        origin={"registry": _told(registered)} if registered else {},
    )


def _told(registered: Registered) -> dict[str, Any]:
    return {"model": registered.model, "version": registered.version, "alias": registered.alias}


def _reference(folder: Path, sha256: str) -> Reference | None:
    """What lies beside the bundle to watch seasons with: without it a season is still assessed, and this is told."""
    try:
        return load_reference(folder, sha256)
    except BundleError as error:
        warnings.warn(str(error), stacklevel=3)
        return None


def _check_versions(manifest: Manifest, path: Path) -> None:
    if manifest.schema != SCHEMA:
        raise BundleError(
            "bundle-schema", where=str(path), expected=f"schema {SCHEMA}", found=str(manifest.schema)
        )
    trained = manifest.versions.get("scikit-learn", "")
    if _minor(trained) != _minor(sklearn.__version__):
        raise BundleError(
            "bundle-version",
            where=str(path),
            expected=f"scikit-learn {_minor(trained)}.x, with which it was tested",
            found=sklearn.__version__,
        )
    for name, version in _versions().items():
        if _minor(manifest.versions.get(name, "")) != _minor(version):
            warnings.warn(
                f"the model was tested with {name} {manifest.versions.get(name)}, this is {version}",
                stacklevel=3,
            )


def _minor(version: str) -> str:
    return ".".join(version.split(".")[:2])


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    return {name: version(name) for name in ("scikit-learn", "numpy", "scipy", "skops")}


def _digest(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BundleError(
                "bundle-too-large",
                where=str(path),
                expected=f"at most {MOST_BYTES} bytes",
                found=str(path.stat().st_size),
            )
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise BundleError(
            "no-bundle", where=str(path), expected="a model file", found=error.strerror or "nothing"
        ) from error
