"""What every partition of a run is assessed with: frozen before the first, and the same in every process."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from functools import cached_property
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle, Registered, load_bundle
from faultml.classifier.coach_adaptation import load_adaptation, with_adaptation
from faultml.classifier.promise import DEFAULT_FALSE_SHARE, read_own_promise
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.recordings.corrections import NOTHING_CORRECTED, Corrections
from faultml.recordings.read import DEFAULT_BATCH_SIZE
from faultml.recordings.repeats import Repeats
from faultml.results.tables import TableFormat

INPUTS_FILE: Final = "inputs.json"
REPEATS_FILE: Final = "repeats.bin"

_PACKAGES: Final = ("numpy", "scipy", "pyarrow", "pandas", "numba", "scikit-learn", "msgspec")
"""Packages whose versions figures may depend on."""


class ModelSource(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Where the model and the catalogue of a run come from, so that another process can load the same.

    Attributes
    ----------
    model, registered
        Folder of the bundle, and which registered version it must be; the one that comes along where None.
    catalogue
        The file of moved edges.
    coach, coach_sha256
        Folder of a coach's adaptation, whose edges then hold, and its hash where it is a registered one.
    promise
        What ``labels promise --out`` has left.
    """

    model: str | None = None
    registered: Registered | None = None
    catalogue: str | None = None
    coach: str | None = None
    coach_sha256: str = ""
    promise: str | None = None

    def load(self) -> tuple[Bundle, Catalogue]:
        """The bundle and the catalogue.

        Raises
        ------
        BundleError, CatalogueError
            Where something is not there or does not fit.
        """
        bundle = load_bundle(Path(self.model) if self.model else None, self.registered)
        if self.coach:
            adaptation, catalogue = load_adaptation(Path(self.coach), self.coach_sha256)
            bundle = with_adaptation(bundle, adaptation)
        else:
            catalogue = load_catalogue(Path(self.catalogue) if self.catalogue else None)
        if self.promise:
            bundle = replace(bundle, own_promise=read_own_promise(Path(self.promise)))
        return bundle, catalogue


class Versions(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Hashes that must be equal wherever partitions of one run are assessed."""

    code: str
    model: str
    catalogue: str
    packages: str


class Inputs(msgspec.Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """The frozen inputs, as they lie in the folder of parts.

    Attributes
    ----------
    source, false_share, table_format, batch_size
        As `faultml.classify_season` was given them.
    folder
        The working folder of the run, from which relative paths of the season are found.
    buckets
        Names that divide the sorted players into buckets: the first player of each bucket but the first.
    corrections
        What coaches have corrected in the season.
    repeats_sha256, alike
        Of the repeated ids, which lie beside; see `faultml.recordings.repeats`.
    versions
        Of the process that began the run.
    """

    source: ModelSource
    folder: str
    repeats_sha256: str
    versions: Versions
    false_share: float = DEFAULT_FALSE_SHARE
    table_format: TableFormat = "parquet"
    batch_size: int = DEFAULT_BATCH_SIZE
    buckets: tuple[str, ...] = ()
    alike: tuple[tuple[str, ...], ...] = ()
    corrections: Corrections = NOTHING_CORRECTED

    @cached_property
    def digest(self) -> str:
        """SHA-256 of everything here."""
        return hashlib.sha256(msgspec.json.encode(self)).hexdigest()

    def assessor(self) -> Assessor:
        """The model, loaded."""
        bundle, catalogue = self.source.load()
        return Assessor(bundle, catalogue, false_share=self.false_share)


def save_inputs(folder: Path, inputs: Inputs, repeats: Repeats) -> None:
    """Write inputs and repeated ids to the folder of parts."""
    (folder / REPEATS_FILE).write_bytes(repeats.hashes.tobytes())
    (folder / INPUTS_FILE).write_bytes(msgspec.json.encode(inputs))


def load_inputs(folder: Path) -> tuple[Inputs, Repeats]:
    """Read what `save_inputs` left.

    Raises
    ------
    InputError
        ``bad-inputs`` where it is not there, or another.
    """
    try:
        inputs = msgspec.json.decode((folder / INPUTS_FILE).read_bytes(), type=Inputs)
        content = (folder / REPEATS_FILE).read_bytes()
    except (OSError, msgspec.MsgspecError) as error:
        raise InputError(
            "bad-inputs", where=str(folder), expected="a run's inputs", found=str(error)
        ) from error
    if hashlib.sha256(content).hexdigest() != inputs.repeats_sha256:
        raise InputError("bad-inputs", where=str(folder), expected="its repeated ids", found="others")
    return inputs, Repeats(np.frombuffer(content, dtype=np.uint64), frozenset(inputs.alike))


def repeats_digest(repeats: Repeats) -> str:
    """SHA-256 of repeated ids as they are saved."""
    return hashlib.sha256(repeats.hashes.tobytes()).hexdigest()


def versions_of(bundle: Bundle, catalogue: Catalogue) -> Versions:
    """What this process would assess with."""
    model = msgspec.json.encode([bundle.manifest.sha256, bundle.origin, bundle.own_promise])
    return Versions(
        code=code_digest(),
        model=hashlib.sha256(model).hexdigest(),
        catalogue=catalogue.digest,
        packages=_packages_digest(),
    )


def code_digest() -> str:
    """SHA-256 of the library's code and rules, file by file."""
    found = hashlib.sha256()
    for name, file in sorted(_sources(files("faultml"), "")):
        found.update(name.encode() + b"\0" + file.read_bytes() + b"\0")
    return found.hexdigest()


def _sources(folder: Traversable, prefix: str) -> list[tuple[str, Traversable]]:
    found = []
    for each in folder.iterdir():
        if each.is_dir():
            if not each.name.startswith(("_", ".")):
                found += _sources(each, f"{prefix}{each.name}/")
        elif each.name.endswith((".py", ".toml")):
            found.append((prefix + each.name, each))
    return found


def _packages_digest() -> str:
    found = []
    for name in _PACKAGES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            found.append(name)
    return hashlib.sha256("\n".join(found).encode()).hexdigest()
