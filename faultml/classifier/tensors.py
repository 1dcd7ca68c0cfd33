"""A model's arrays as named tensors, and back: every name, size, type, number and index is checked before it is used.

The format is safetensors, which holds numbers and nothing that runs. Its numbers could still lead astray: a tree that
points back would never end, an index out of range would read other memory, an infinite weight would make every answer
NaN. Whatever does not fit is refused with the tensor's name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from faultml.channels import LANDMARKS
from faultml.errors import BundleError
from faultml.motion.landmark_model import LandmarkModel
from faultml.runtime.dense import DenseNetwork
from faultml.runtime.distance import Distance
from faultml.runtime.faults import FaultModel, MeasureNetworks
from faultml.runtime.swing_filter import SwingFilterModel
from faultml.runtime.trees import Trees

Array = NDArray[np.float64]
Tensors = dict[str, NDArray]

MAX_HEADER_BYTES: Final = 200_000
MAX_TENSORS: Final = 2_000
MAX_SIZE: Final = 5_000_000
"""Numbers of one tensor at most."""
MAX_DEPTH: Final = 64
"""Steps of one tree at most."""
_DTYPES: Final = {"F16": 2, "F32": 4, "F64": 8, "I64": 8, "U32": 4, "BOOL": 1}


@dataclass(frozen=True)
class Model:
    """The three parts that answer: landmarks, whether it is a full swing, and faults."""

    detector: LandmarkModel
    swing_filter: SwingFilterModel
    classifier: FaultModel


class _Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    dtype: str
    shape: tuple[int, ...]
    data_offsets: tuple[int, int]


def write_model(model: Model) -> bytes:
    """A model as the content of a safetensors file."""
    from safetensors.numpy import save

    tensors: Tensors = {}
    for k, network in enumerate(model.detector.networks):
        _put_network(tensors, f"detector.{k}", network)
    tensors["detector.scale"] = model.detector.scale
    trees, faults = model.swing_filter.trees, model.classifier
    tensors |= {
        # "gate" is the swing filter's name in the file format; it stays, so that existing bundles load.
        "gate.start": np.array([trees.start]),
        "gate.pass_from": np.array([model.swing_filter.threshold]),
        "gate.roots": trees.roots,
        "gate.feature": trees.feature,
        "gate.threshold": trees.threshold,
        "gate.children": trees.children,
        "gate.value": trees.value,
    }
    _put_network(tensors, "measures.correct", faults.measures.correct)
    _put_network(tensors, "measures.spread", faults.measures.spread)
    tensors |= {
        "measures.scale": faults.measures.scale,
        "measures.trust": np.array([faults.measures.trust]),
        "measures.spread_scale": faults.measures.spread_scale,
        "faults.edges": faults.edges,
        "faults.signs": faults.signs,
        "faults.softness": faults.softness,
        "faults.guarded": faults.guarded,
        "faults.guard_edges": faults.guard_edges,
        "faults.slope": faults.slope,
        "faults.offset": faults.offset,
        "faults.learned": faults.learned,
        "distance.columns": faults.familiar,
    }
    if faults.distance is not None:
        tensors |= {
            "distance.center": faults.distance.center,
            "distance.scale": faults.distance.scale,
            "distance.mean": faults.distance.mean,
            "distance.root": faults.distance.root,
            "distance.usual": np.array([faults.distance.usual]),
            "distance.max_widening": np.array([faults.distance.max_widening]),
        }
    return save({name: np.ascontiguousarray(value) for name, value in tensors.items()})


def read_model(content: bytes, n_features: int, n_faults: int, where: str = "") -> Model:
    """The model in a safetensors file's content.

    Parameters
    ----------
    n_features, n_faults
        How many features and faults its manifest names.

    Raises
    ------
    BundleError
        ``bundle-unreadable`` where it is no such file, or a tensor is missing, unknown, of another type or size, not
        finite, or points where it must not.
    """
    from safetensors import SafetensorError
    from safetensors.numpy import load

    _check_header(content, where)
    try:
        tensors = load(content)
    except (SafetensorError, ValueError, KeyError) as error:
        raise _unreadable(where, "a safetensors file", f"{type(error).__name__}: {error}") from error
    found = _Found(tensors, where)
    model = Model(
        detector=_detector(found),
        swing_filter=_swing_filter(found, n_features),
        classifier=_faults(found, n_features, n_faults),
    )
    found.refuse_the_rest()
    return model


def _put_network(tensors: Tensors, name: str, network: DenseNetwork) -> None:
    for field in ("input_mean", "input_scale", "target_mean", "target_scale"):
        tensors[f"{name}.{field}"] = getattr(network, field)
    for k, parts in enumerate(network.weights):
        tensors |= {f"{name}.weights.{k}.{at}": part for at, part in enumerate(parts)}


def _unreadable(where: str, expected: str, found: str) -> BundleError:
    return BundleError("bundle-unreadable", where=where, expected=expected, found=found)


def _check_header(content: bytes, where: str) -> None:
    """Bound what the header asks for before anything is made of it."""
    length = int.from_bytes(content[:8], "little")
    if len(content) < 8 or length > min(MAX_HEADER_BYTES, len(content) - 8):
        raise _unreadable(where, f"a header of at most {MAX_HEADER_BYTES} bytes", f"{length} bytes")
    try:
        entries = msgspec.json.decode(content[8 : 8 + length], type=dict[str, _Entry])
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise _unreadable(where, "a header of names, types and sizes", str(error)) from error
    if len(entries) > MAX_TENSORS:
        raise _unreadable(where, f"at most {MAX_TENSORS} tensors", str(len(entries)))
    for name, entry in entries.items():
        first, last = entry.data_offsets
        size = 1
        for axis in entry.shape:
            size *= axis
        if entry.dtype not in _DTYPES or min(entry.shape, default=1) < 0 or size > MAX_SIZE:
            raise _unreadable(where, f"{name} of a known type and size", f"{entry.dtype} {entry.shape}")
        if last - first != size * _DTYPES[entry.dtype] or not 0 <= first <= last <= len(content) - 8 - length:
            raise _unreadable(where, f"{name} within the file", f"bytes {first} to {last}")


class _Found:
    """The tensors of a file, taken one by one."""

    def __init__(self, tensors: Tensors, where: str) -> None:
        self._tensors, self._where = tensors, where

    def refuse(self, expected: str, found: str) -> BundleError:
        return _unreadable(self._where, expected, found)

    def has(self, name: str) -> bool:
        return name in self._tensors

    def take(self, name: str, kind: str, *shape: int | None) -> NDArray:
        """A tensor of a kind (numpy's letter) and shape, None for any size; numbers are finite."""
        array = self._tensors.pop(name, None)
        if array is None:
            raise self.refuse(f"a tensor {name}", "none")
        fits = array.dtype.kind == kind and array.ndim == len(shape)
        if not fits or any(want not in (None, have) for want, have in zip(shape, array.shape, strict=True)):
            raise self.refuse(f"{name} of kind {kind} and shape {shape}", f"{array.dtype} {array.shape}")
        if kind == "f" and not np.isfinite(array).all():
            raise self.refuse(f"finite numbers in {name}", "others")
        # An array of its own: what safetensors gives may lie in read-only memory.
        return np.array(array)

    def numbers(self, name: str, *shape: int | None) -> Array:
        return self.take(name, "f", *shape).astype(np.float64)

    def positive(self, name: str, *shape: int | None) -> Array:
        array = self.numbers(name, *shape)
        if not (array > 0).all():
            raise self.refuse(f"numbers above 0 in {name}", f"{array.min():g}")
        return array

    def indices(self, name: str, kind: str, below: int, *shape: int | None) -> NDArray:
        array = self.take(name, kind, *shape)
        if len(array) and not (array.min() >= 0 and array.max() < below):
            raise self.refuse(f"{name} from 0 to {below - 1}", f"{array.min()} to {array.max()}")
        return array

    def refuse_the_rest(self) -> None:
        if self._tensors:
            raise self.refuse("no other tensors", ", ".join(sorted(self._tensors)[:5]))


def _network(
    found: _Found, name: str, n_inputs: int | None = None, n_outputs: int | None = None
) -> DenseNetwork:
    mean = found.numbers(f"{name}.input_mean", n_inputs)
    target_mean = found.numbers(f"{name}.target_mean", n_outputs)
    weights: list[tuple[NDArray, ...]] = []
    while found.has(f"{name}.weights.{len(weights)}.0"):
        parts: list[NDArray] = []
        prefix, width = f"{name}.weights.{len(weights)}", len(mean)
        while found.has(f"{prefix}.{len(parts)}"):
            matrix = found.take(f"{prefix}.{len(parts)}", "f", width, None)
            width = matrix.shape[1]
            parts += [matrix, found.take(f"{prefix}.{len(parts) + 1}", "f", width)]
        if width != len(target_mean):
            raise found.refuse(f"{len(target_mean)} outputs of {prefix}", str(width))
        weights.append(tuple(parts))
    if not weights:
        raise found.refuse(f"weights of {name}", "none")
    return DenseNetwork(
        mean,
        found.positive(f"{name}.input_scale", len(mean)),
        tuple(weights),
        target_mean,
        found.positive(f"{name}.target_scale", len(target_mean)),
    )


def _detector(found: _Found) -> LandmarkModel:
    n_whole, n_near = LandmarkModel.N_WHOLE, LandmarkModel.N_NEAR
    networks = [_network(found, "detector.0", *n_whole)]
    while found.has(f"detector.{len(networks)}.input_mean"):
        networks.append(_network(found, f"detector.{len(networks)}", *n_near))
    return LandmarkModel(tuple(networks), found.positive("detector.scale", len(LANDMARKS)))


def _swing_filter(found: _Found, n_features: int) -> SwingFilterModel:
    threshold = found.numbers("gate.threshold", None)
    count = len(threshold)
    roots = found.indices("gate.roots", "u", count, None)
    feature = found.indices("gate.feature", "u", n_features, count)
    children = found.indices("gate.children", "u", count, count, 2)
    if not len(roots) or roots[0] != 0 or not (np.diff(roots.astype(np.int64)) > 0).all():
        raise found.refuse("gate.roots that rise from 0", f"{len(roots)} roots")
    own = np.arange(count)
    leaf = (children == own[:, None]).all(axis=1)
    ends = np.repeat([*roots[1:], count], np.diff([*roots, count]))
    inside = (children > own[:, None]).all(axis=1) & (children < ends[:, None]).all(axis=1)
    if not (leaf | inside).all():
        raise found.refuse("gate.children after their parent, in its tree", "others")
    depth = _depths(children, leaf, roots)
    if depth is None:
        raise found.refuse(f"trees of at most {MAX_DEPTH} steps", "deeper ones")
    trees = Trees(
        start=float(found.numbers("gate.start", 1)[0]),
        roots=roots,
        depth=depth,
        feature=feature,
        threshold=threshold,
        children=children,
        value=found.numbers("gate.value", count),
    )
    return SwingFilterModel(trees, float(found.numbers("gate.pass_from", 1)[0]), n_features)


def _depths(children: NDArray, leaf: NDArray[np.bool_], roots: NDArray) -> NDArray[np.uint32] | None:
    """Steps to each tree's deepest leaf; None where one has more than `MAX_DEPTH`."""
    depth = np.zeros(len(roots), dtype=np.uint32)
    tree, at = np.arange(len(roots)), roots.astype(np.int64)
    for step in range(MAX_DEPTH + 1):
        inner = ~leaf[at]
        if not inner.any():
            return depth
        tree, at = np.repeat(tree[inner], 2), children[at[inner]].reshape(-1).astype(np.int64)
        depth[tree] = step + 1
    return None


def _faults(found: _Found, n_features: int, n_faults: int) -> FaultModel:
    guarded = found.indices("faults.guarded", "i", n_faults, None)
    n_measures = n_faults + len(guarded)
    familiar = found.indices("distance.columns", "i", n_features, None)
    scale = found.positive("measures.scale", None)
    if len(scale) not in (1, n_measures):
        raise found.refuse(f"measures.scale for {n_measures} measures", str(len(scale)))
    measures = MeasureNetworks(
        correct=_network(found, "measures.correct", n_features, n_measures),
        spread=_network(found, "measures.spread", n_features, n_measures),
        scale=scale,
        trust=float(found.numbers("measures.trust", 1)[0]),
        spread_scale=found.numbers("measures.spread_scale", n_measures),
    )
    signs = found.numbers("faults.signs", n_faults)
    if not np.isin(signs, (-1.0, 1.0)).all():
        raise found.refuse("faults.signs of -1 and 1", "others")
    return FaultModel(
        measures=measures,
        familiar=familiar,
        distance=_distance(found, len(familiar)) if len(familiar) else None,
        edges=found.numbers("faults.edges", n_faults),
        signs=signs,
        softness=found.positive("faults.softness", n_faults),
        guarded=guarded,
        guard_edges=found.numbers("faults.guard_edges", len(guarded)),
        slope=found.positive("faults.slope", n_faults),
        offset=found.numbers("faults.offset", n_faults),
        learned=found.take("faults.learned", "b", n_faults),
        n_features=n_features,
    )


def _distance(found: _Found, count: int) -> Distance:
    return Distance(
        center=found.numbers("distance.center", count),
        scale=found.positive("distance.scale", count),
        mean=found.numbers("distance.mean", count),
        root=found.numbers("distance.root", count, count),
        usual=float(found.positive("distance.usual", 1)[0]),
        max_widening=float(found.positive("distance.max_widening", 1)[0]),
    )
