"""The bundle as mlflow loads and serves it: data only, read by our own loader. No code comes from the artifact.

Where a coach adaptation lies beside the bundle, the answers are that coach's.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from faultml.channels import ID_COLUMNS
from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import load_bundle
from faultml.classifier.coach_adaptation import files_of, load_adaptation, with_adaptation
from faultml.classifier.tables import faults_frame
from faultml.faults.catalogue import load_catalogue
from faultml.recordings.read import read_frame
from faultml.recordings.schema import IMPACT_FROM_COLUMN, NUMBER_COLUMNS

if TYPE_CHECKING:
    from mlflow.models import ModelSignature

TEXT_OUT: Final = (*ID_COLUMNS, "fault", "status", "reason", "call")
NUMBERS_OUT: Final = ("probability", "measure", "measure_sd", "severity", "severity_lo", "severity_hi")
_SAMPLES_IN: Final = {"t_s": True, "flexion_deg": True, "ulnar_deg": True, "pronation_deg": False}
_OPTIONAL_IN: Final = dict.fromkeys(NUMBER_COLUMNS, "double") | dict.fromkeys(
    (*("hand", "club", "context"), IMPACT_FROM_COLUMN), "string"
)


class ServedModel:
    """What mlflow calls: a season table in, a row a swing and fault out."""

    def __init__(self, folder: Path) -> None:
        bundle, catalogue = load_bundle(folder), load_catalogue()
        if files_of(folder):
            adaptation, catalogue = load_adaptation(folder)
            bundle = with_adaptation(bundle, adaptation)
        self.assessor = Assessor(bundle, catalogue)

    def predict(self, model_input: pd.DataFrame, params: dict[str, Any] | None = None) -> pd.DataFrame:
        """Assess swings given as a season table (one row a swing, samples in lists)."""
        frame = model_input.copy()
        for name in _SAMPLES_IN.keys() & set(frame.columns):
            frame[name] = [None if each is None or np.ndim(each) == 0 else each for each in frame[name]]
        batch, _ = read_frame(frame)
        faults = faults_frame(self.assessor, self.assessor.assess(batch))
        return faults[[*TEXT_OUT, *NUMBERS_OUT]].astype(dict.fromkeys(TEXT_OUT, object))


def signature() -> ModelSignature:
    """Names and types that go in and come out."""
    from faultml.pipelines.registry.tracking import mlflow_module

    mlflow_module()
    from mlflow.models import ModelSignature
    from mlflow.types.schema import Array, ColSpec, DataType, Schema, TensorSpec

    given: list[ColSpec | TensorSpec] = [ColSpec("string", name) for name in ID_COLUMNS]
    given += [ColSpec(Array(DataType.double), name, required=needed) for name, needed in _SAMPLES_IN.items()]
    given += [ColSpec(kind, name, required=False) for name, kind in _OPTIONAL_IN.items()]
    outputs: list[ColSpec | TensorSpec] = [ColSpec("string", name) for name in TEXT_OUT]
    outputs += [ColSpec("double", name, required=False) for name in NUMBERS_OUT]
    return ModelSignature(Schema(given), Schema(outputs))


def _load_pyfunc(path: str) -> ServedModel:
    """The name under which mlflow asks a loader module for its model."""
    return ServedModel(Path(path))
