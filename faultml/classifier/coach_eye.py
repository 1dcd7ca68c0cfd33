"""A coach's eye: edges moved to where one coach says yes, and how surely that is known.

It is a folder of data: ``edges.toml``, an ordinary file of moved edges whose owner is the coach, and ``eye.json``,
which says what else was learned, with the hash of the edges and of the model whose measures it rests on.
"""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np

from faultml.classifier.bundle import Bundle
from faultml.errors import BundleError
from faultml.faults.catalogue import EDGE_BOUNDS, Catalogue, load_catalogue

EYE_FILE: Final = "eye.json"
EDGES_FILE: Final = "edges.toml"
SCHEMA: Final = 1


class FaultEye(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How one coach sees one fault.

    Attributes
    ----------
    shift, shift_sd
        How much further past the catalogue's edge a swing must be, in the fault's unit, and how surely that is known.
    softness
        SD of the coach's edge, in the fault's unit.
    swings, golfers
        What it rests on: answers yes or no.
    """

    shift: float
    shift_sd: float
    softness: float
    swings: int
    golfers: int


class CoachEye(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What was learned of one coach.

    Attributes
    ----------
    coach
        Whose eye.
    model_sha256
        The model whose measures were judged.
    edges_sha256
        Of ``edges.toml``.
    adopted, why
        Whether the labels moved anything, and why or why not.
    slip, slip_sd
        Share of answers taken to be the wrong way round.
    unrelated
        Chance that the labels do not go with what is measured.
    swings, golfers
        Swings with an answer, and whose they are.
    labelled_players
        Keyed hashes of the players (`faultml.store.people.tokens_of`): names nobody, lets one be forgotten.
    held_out
        Log loss on golfers held out: of the default model, of this, and their difference with a 95 % interval.
    faults
        By fault.
    """

    schema: int
    coach: str
    model_sha256: str
    edges_sha256: str
    adopted: bool
    why: str
    slip: float
    slip_sd: float
    unrelated: float
    swings: int
    golfers: int
    labelled_players: tuple[str, ...]
    held_out: dict[str, float]
    faults: dict[str, FaultEye]


def save_eye(folder: Path, catalogue: Catalogue, eye: Mapping[str, Any]) -> CoachEye:
    """Write a coach's eye; `eye` lacks only the schema and the hash of the edges. What is known badly is kept too."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = [f"owner = {_toml(eye['coach'])}", "# D relative to address; made by faultml retrain"]
    if not (eye["adopted"] and eye["faults"]):
        lines.append("edge = []")
    for name, seen in eye["faults"].items() if eye["adopted"] else ():
        fault = catalogue[name]
        low, high = EDGE_BOUNDS[fault.unit]
        edge = float(np.clip(fault.edge + fault.sign * seen.shift, low, high))
        lines += ["", "[[edge]]", f"fault = {_toml(name)}", f"value = {round(edge, 4)}"]
    edges = ("\n".join(lines) + "\n").encode()
    complete = CoachEye(schema=SCHEMA, edges_sha256=hashlib.sha256(edges).hexdigest(), **eye)
    (folder / EDGES_FILE).write_bytes(edges)
    (folder / EYE_FILE).write_bytes(msgspec.json.format(msgspec.json.encode(complete), indent=1) + b"\n")
    return complete


def load_eye(folder: Path) -> tuple[CoachEye, Catalogue]:
    """A coach's eye and the catalogue with their edges.

    Raises
    ------
    BundleError
        ``bad-coach`` where the folder holds none, ``coach-changed`` where the edges are not those it was made with.
    CatalogueError
        Where the edges do not fit.
    """
    path = folder / EYE_FILE
    try:
        eye = msgspec.json.decode(path.read_bytes(), type=CoachEye)
        found = hashlib.sha256((folder / EDGES_FILE).read_bytes()).hexdigest()
    except (OSError, msgspec.MsgspecError) as error:
        raise BundleError(
            "bad-coach", where=str(path), expected="what faultml retrain leaves", found=str(error)
        ) from error
    if eye.schema != SCHEMA:
        raise BundleError("bad-coach", where=str(path), expected=f"schema {SCHEMA}", found=str(eye.schema))
    if found != eye.edges_sha256:
        raise BundleError(
            "coach-changed",
            where=str(folder / EDGES_FILE),
            expected=f"SHA-256 {eye.edges_sha256[:12]}...; use classify --catalogue for edges set by hand",
            found=f"{found[:12]}...",
        )
    if eye.adopted and any(not _sound(seen) for seen in eye.faults.values()):
        raise BundleError(
            "bad-coach", where=str(path), expected="finite shifts, softness above 0", found="others"
        )
    return eye, load_catalogue(folder / EDGES_FILE)


def with_eye(bundle: Bundle, eye: CoachEye) -> Bundle:
    """The same model with a coach's softness; that the edges are not known exactly makes them softer.

    With the catalogue of `load_eye` its probabilities are the chance that this coach says yes on a good day.

    Raises
    ------
    BundleError
        ``coach-model`` where the labels were learned on another model's measures.
    """
    if bundle.manifest.sha256 != eye.model_sha256:
        raise BundleError(
            "coach-model",
            where=eye.coach,
            expected=f"model {eye.model_sha256[:12]}...; run faultml retrain with the present one",
            found=f"{bundle.manifest.sha256[:12]}...",
        )
    if not eye.adopted:
        return bundle
    classifier = copy.copy(bundle.classifier)
    softness = classifier.softness.copy()
    for column, name in enumerate(bundle.manifest.faults):
        if name in eye.faults:
            softness[column] = np.hypot(eye.faults[name].softness, eye.faults[name].shift_sd)
    classifier.softness = softness
    return replace(bundle, classifier=classifier)


def _sound(seen: FaultEye) -> bool:
    return bool(np.isfinite([seen.shift, seen.shift_sd]).all() and 0 < seen.softness < np.inf)


def _toml(text: str) -> str:
    # A JSON string is a TOML basic string.
    return msgspec.json.encode(text).decode()
