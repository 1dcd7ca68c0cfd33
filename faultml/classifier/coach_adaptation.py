"""A coach adaptation: edges moved to where one coach says yes, how surely that is known, and what else they go by.

It is a folder of data: an ordinary file of moved edges whose owner is the coach, named by its hash, and
``adaptation.json``, which says what else was learned, which edges go with it, and the hash of the model whose measures
it rests on. The edges are written first and ``adaptation.json`` takes the former one's place last: whoever is stopped
in between leaves the adaptation that was there before.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, Literal

import msgspec
import numpy as np

from faultml.classifier.bundle import Bundle
from faultml.errors import BundleError
from faultml.faults.catalogue import EDGE_BOUNDS, Catalogue, load_catalogue
from faultml.runtime.faults import CovariateThresholds

ADAPTATION_FILE: Final = "adaptation.json"
SCHEMA: Final = 4

Rung = Literal["catalogue", "calibration", "edges", "residual"]
"""How far a fault has left the catalogue: not at all, calibrated anew, an edge of its own, or covariates, too."""


_OWN_EDGE: Final = ("edges", "residual")


class FaultAdaptation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How one coach sees one fault.

    Attributes
    ----------
    rung
        What is the coach's own. On "catalogue" everything is as without the coach, and the rest of this says nothing.
    inclusion
        Probability that this coach's edge is not the catalogue's.
    slope, offset
        By which the log odds are multiplied, and what is added to them.
    unrelated, yes_share
        Share of answers that do not go with what is measured, and share of yes among all answers.
    shift, shift_sd
        How much further past the catalogue's edge a swing must be, in the fault's unit, and how surely that is known.
    softness
        SD of the coach's edge, in the fault's unit.
    swings, golfers
        What it rests on: answers yes or no.
    coefficients
        What else this coach goes by: how much further past, in the fault's unit, for each spread of another fault's
        measure (`CoachAdaptation.covariate_scales`); empty where the edge says all.
    """

    rung: Rung
    shift: float
    shift_sd: float
    softness: float
    swings: int
    golfers: int
    inclusion: float = 0.0
    slope: float = 1.0
    offset: float = 0.0
    unrelated: float = 0.0
    yes_share: float = 0.0
    coefficients: dict[str, float] = {}

    @property
    def moved(self) -> bool:
        """Whether anything is not the catalogue's."""
        return self.rung != "catalogue"


class CoachAdaptation(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was learned of one coach.

    Attributes
    ----------
    coach
        Whose adaptation.
    learned
        When, UTC.
    model_sha256
        The model whose measures were judged.
    edges_sha256
        Of the file of moved edges.
    labels_sha256
        Of the verdicts that it was learned from.
    adopted, why
        Whether the labels moved anything, and why or why not.
    lapse_rate, lapse_rate_sd
        Share of answers taken to be the wrong way round.
    unrelated
        Share of answers that do not go with what is measured.
    swings, golfers
        Swings with an answer, and whose they are.
    labelled_players
        Keyed hashes of the players (`faultml.store.people.tokens_of`): names nobody, lets one be forgotten.
    held_out
        Log loss on golfers held out: of the default model, of this, and their difference with a 95 % interval.
    faults
        By fault.
    band, abstain_rate
        How far on either side of an edge this coach is unsure, in softnesses, and the share of answers that are
        unsure wherever the swing lies.
    covariate_scales
        Middle and spread of the measures, past the catalogue's edge, of the swings it was learned from; empty where
        no fault has covariates.
    """

    schema: int
    coach: str
    learned: str
    model_sha256: str
    edges_sha256: str
    labels_sha256: str
    adopted: bool
    why: str
    lapse_rate: float
    lapse_rate_sd: float
    unrelated: float
    swings: int
    golfers: int
    labelled_players: tuple[str, ...]
    held_out: dict[str, float]
    faults: dict[str, FaultAdaptation]
    band: float = 0.0
    abstain_rate: float = 0.0
    covariate_scales: dict[str, tuple[float, float]] = {}

    @property
    def sha256(self) -> str:
        """Of ``adaptation.json`` as it is written: the adaptation's own name, for stores and results."""
        return hashlib.sha256(_encode(self)).hexdigest()

    @property
    def edges_file(self) -> str:
        """The name of the file of moved edges beside it."""
        return f"edges-{self.edges_sha256[:12]}.toml"


def saved_covariates(adaptation: CoachAdaptation, faults: Sequence[str]) -> CovariateThresholds | None:
    """The covariate-dependent thresholds that an adaptation holds; None where no fault has covariates."""
    if not adaptation.covariate_scales:
        return None
    coefficients = [
        [adaptation.faults[fault].coefficients.get(other, 0.0) for other in faults] for fault in faults
    ]
    middle, spread = np.array([adaptation.covariate_scales[fault] for fault in faults]).T
    return CovariateThresholds(np.array(coefficients), middle, spread)


def save_adaptation(
    folder: Path,
    catalogue: Catalogue,
    adaptation: Mapping[str, Any],
    before_writing: Callable[[CoachAdaptation], None] | None = None,
) -> CoachAdaptation:
    """Write a coach adaptation.

    Parameters
    ----------
    adaptation
        Every field but the schema and the hash of the edges.
    before_writing
        Called with what will be written, before any file is there: for whoever keeps whom it has learned from.
    """
    lines = [f"owner = {_toml(adaptation['coach'])}", "# D relative to address; made by faultml retrain"]
    moved = {name: seen for name, seen in adaptation["faults"].items() if seen.rung in _OWN_EDGE}
    if not (adaptation["adopted"] and moved):
        lines.append("edge = []")
    for name, seen in moved.items() if adaptation["adopted"] else ():
        fault = catalogue[name]
        low, high = EDGE_BOUNDS[fault.unit]
        edge = float(np.clip(fault.edge + fault.sign * seen.shift, low, high))
        lines += ["", "[[edge]]", f"fault = {_toml(name)}", f"value = {round(edge, 4)}"]
    edges = ("\n".join(lines) + "\n").encode()
    complete = CoachAdaptation(schema=SCHEMA, edges_sha256=hashlib.sha256(edges).hexdigest(), **adaptation)
    if before_writing:
        before_writing(complete)
    folder.mkdir(parents=True, exist_ok=True)
    _put(folder / complete.edges_file, edges)
    _put(folder / ADAPTATION_FILE, _encode(complete))
    for former in folder.glob("edges-*.toml"):
        if former.name != complete.edges_file:
            former.unlink()
    return complete


def files_of(folder: Path) -> tuple[Path, ...]:
    """The files of the adaptation in a folder; none where it holds none."""
    if not (folder / ADAPTATION_FILE).is_file():
        return ()
    return folder / ADAPTATION_FILE, folder / load_adaptation(folder)[0].edges_file


def load_adaptation(folder: Path, registered_sha256: str = "") -> tuple[CoachAdaptation, Catalogue]:
    """A coach adaptation and the catalogue with their edges.

    Parameters
    ----------
    registered_sha256
        What the adaptation must be, where a registry says so.

    Raises
    ------
    BundleError
        ``bad-coach`` where the folder holds none, ``coach-changed`` where the edges are not those it was made with,
        or the adaptation is not the one that was registered.
    CatalogueError
        Where the edges do not fit.
    """
    path = folder / ADAPTATION_FILE
    try:
        adaptation = msgspec.json.decode(path.read_bytes(), type=CoachAdaptation)
        found = hashlib.sha256((folder / adaptation.edges_file).read_bytes()).hexdigest()
    except (OSError, msgspec.MsgspecError) as error:
        raise BundleError(
            "bad-coach", where=str(path), expected="what faultml retrain leaves", found=str(error)
        ) from error
    if adaptation.schema != SCHEMA:
        raise BundleError(
            "bad-coach", where=str(path), expected=f"schema {SCHEMA}", found=str(adaptation.schema)
        )
    if found != adaptation.edges_sha256:
        raise BundleError(
            "coach-changed",
            where=str(folder / adaptation.edges_file),
            expected=f"SHA-256 {adaptation.edges_sha256[:12]}...; use classify --catalogue for edges set by hand",
            found=f"{found[:12]}...",
        )
    if registered_sha256 and adaptation.sha256 != registered_sha256:
        raise BundleError(
            "coach-changed",
            where=str(path),
            expected=f"SHA-256 {registered_sha256[:12]}..., as registered",
            found=f"{adaptation.sha256[:12]}...",
        )
    if adaptation.adopted and not _sound(adaptation):
        expected = "finite shifts and coefficients, softness and spreads above 0"
        raise BundleError("bad-coach", where=str(path), expected=expected, found="others")
    return adaptation, load_catalogue(folder / adaptation.edges_file)


def with_adaptation(bundle: Bundle, adaptation: CoachAdaptation) -> Bundle:
    """The same model with a coach's softness; that the edges are not known exactly makes them softer.

    With the catalogue of `load_adaptation` its probabilities are the chance that this coach says yes on a good day.

    Raises
    ------
    BundleError
        ``coach-model`` where the labels were learned on another model's measures.
    """
    if not bundle.manifest.is_model(adaptation.model_sha256):
        raise BundleError(
            "coach-model",
            where=adaptation.coach,
            expected=f"model {adaptation.model_sha256[:12]}...; run faultml retrain with the present one",
            found=f"{bundle.manifest.sha256[:12]}...",
        )
    origin = {
        "name": adaptation.coach,
        "adaptation_sha256": adaptation.sha256,
        "learned": adaptation.learned,
        "adopted": adaptation.adopted,
    }
    bundle = replace(bundle, origin=bundle.origin | {"coach": origin})
    if not adaptation.adopted:
        return bundle
    model = bundle.classifier
    softness, slope, offset = model.softness.copy(), model.slope.copy(), model.offset.copy()
    for column, name in enumerate(bundle.manifest.faults):
        seen = adaptation.faults.get(name)
        if seen is None or not seen.moved:
            continue
        softness[column] = np.hypot(seen.softness, seen.shift_sd)
        slope[column] *= seen.slope
        offset[column] = seen.offset + seen.slope * offset[column]
    covariates = saved_covariates(adaptation, bundle.manifest.faults)
    own = replace(model, softness=softness, slope=slope, offset=offset, covariates=covariates)
    recalibrated = tuple(name for name, seen in adaptation.faults.items() if seen.rung == "calibration")
    return replace(bundle, classifier=own, recalibrated=recalibrated)


def _sound(adaptation: CoachAdaptation) -> bool:
    edges = all(
        np.isfinite([seen.shift, seen.shift_sd, seen.offset, *seen.coefficients.values()]).all()
        and 0 < seen.softness < np.inf
        and 0 < seen.slope < np.inf
        for seen in adaptation.faults.values()
    )
    covariate_scales = all(
        np.isfinite(middle) and 0 < spread < np.inf for middle, spread in adaptation.covariate_scales.values()
    )
    used = {other for seen in adaptation.faults.values() for other in seen.coefficients}
    return (
        edges
        and covariate_scales
        and used <= set(adaptation.covariate_scales)
        and set(adaptation.covariate_scales) <= set(adaptation.faults)
    )


def _encode(adaptation: CoachAdaptation) -> bytes:
    return msgspec.json.format(msgspec.json.encode(adaptation), indent=1) + b"\n"


def _put(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, and to the disk before anything that follows."""
    part = path.with_name(f".{path.name}.part")
    with part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)


def _toml(text: str) -> str:
    # A JSON string is a TOML basic string.
    return msgspec.json.encode(text).decode()
