"""Bundles of former versions, whose estimators lay in a skops file, written in today's form without training.

The file is checked before anything in it is built: its hash against its manifest, then every type it asks for against
the list below. The list is ours; it is never taken from the file.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from pathlib import Path
from typing import Any, Final

import msgspec

from faultml.classifier.bundle import Manifest, read_file, read_manifest, save_bundle
from faultml.classifier.tensors import Model
from faultml.errors import BundleError
from faultml.quality.reference import load_reference, save_reference

FORMER_FILE: Final = "bundle.skops"
FORMER_SCHEMA: Final = 1

TRUSTED_TYPES: Final = (
    "faultml.classifier.faults.FaultClassifier",
    "faultml.classifier.measures.MeasureModel",
    "faultml.classifier.swing_filter.SwingFilter",
    "faultml.classifier.unfamiliar.Unfamiliarity",
    "faultml.motion.landmarks.LandmarkDetector",
    "faultml.network.Network",
    "sklearn._loss.link.Interval",
    "sklearn._loss.link.LogitLink",
    "sklearn._loss.loss.HalfBinomialLoss",
    "sklearn.ensemble._hist_gradient_boosting.binning._BinMapper",
    "sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",
)
"""Types beside numpy's and scikit-learn's public ones that a former bundle may hold, by their present names."""

_RENAMED: Final = {
    b'"faultml.classifier.gate"': b'"faultml.classifier.swing_filter"',
    b'"SwingGate"': b'"SwingFilter"',
}
"""Names in a former bundle's schema of types that were renamed since."""


def convert_bundle(former: Path, out: Path) -> Manifest:
    """Write a former bundle in today's form; its reference comes along.

    Raises
    ------
    BundleError
        ``bundle-schema`` and ``bundle-version`` where it is no such bundle or this scikit-learn cannot read it,
        ``bundle-changed`` where the file is not the one that its manifest speaks of, ``bundle-not-trusted`` where it
        asks for a type that is not on our list, ``bundle-unreadable`` where it is not what a bundle is.
    """
    manifest = read_manifest(former)
    if manifest.schema != FORMER_SCHEMA:
        raise BundleError(
            "bundle-schema",
            where=str(former),
            expected=f"schema {FORMER_SCHEMA}",
            found=f"schema {manifest.schema}",
        )
    path = former / FORMER_FILE
    found = hashlib.sha256(read_file(path)).hexdigest()
    if found != manifest.sha256:
        raise BundleError(
            "bundle-changed",
            where=str(path),
            expected=f"SHA-256 {manifest.sha256[:12]}...",
            found=f"{found[:12]}...",
        )
    _check_version(manifest, path)
    model = _read(path)
    reference = load_reference(former, manifest.sha256)
    kept = msgspec.structs.asdict(manifest) | {"converted_from": manifest.sha256}
    converted = save_bundle(out, model, kept)
    if reference is not None:
        save_reference(out, msgspec.structs.replace(reference, model_sha256=converted.sha256))
    return converted


def _check_version(manifest: Manifest, path: Path) -> None:
    import sklearn

    trained = ".".join(manifest.versions.get("scikit-learn", "").split(".")[:2])
    if trained != ".".join(sklearn.__version__.split(".")[:2]):
        raise BundleError(
            "bundle-version",
            where=str(path),
            expected=f"scikit-learn {trained}.x, with which it was written",
            found=sklearn.__version__,
        )


def _with_present_names(content: bytes) -> bytes:
    former, present = zipfile.ZipFile(io.BytesIO(content)), io.BytesIO()
    with zipfile.ZipFile(present, "w") as written:
        for item in former.namelist():
            data = former.read(item)
            if item == "schema.json":
                for before, after in _RENAMED.items():
                    data = data.replace(before, after)
            written.writestr(item, data)
    return present.getvalue()


def _read(path: Path) -> Model:
    import skops.io
    from skops.io.exceptions import UntrustedTypesFoundException

    from faultml.classifier.faults import FaultClassifier
    from faultml.classifier.swing_filter import SwingFilter
    from faultml.motion.landmarks import LandmarkDetector

    try:
        parts: Any = skops.io.loads(_with_present_names(read_file(path)), trusted=list(TRUSTED_TYPES))
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
    expected = {"detector": LandmarkDetector, "gate": SwingFilter, "classifier": FaultClassifier}
    if not isinstance(parts, dict) or any(
        not isinstance(parts.get(name), kind) for name, kind in expected.items()
    ):
        raise BundleError(
            "bundle-unreadable", where=str(path), expected=", ".join(expected), found=str(type(parts))
        )
    return Model(*(parts[name].runtime() for name in expected))
