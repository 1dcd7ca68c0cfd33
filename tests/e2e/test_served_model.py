"""The champion behind mlflow's own server, asked over the loopback, gives the library's numbers."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import default_bundle_path
from faultml.classifier.tables import faults_frame
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry import registry
from faultml.pipelines.registry.served import NUMBERS_OUT
from faultml.pipelines.registry.tracking import database_uri
from faultml.recordings.read import read_frame
from faultml.synthetic.season import SyntheticSeason

pytest.importorskip("mlflow")

START_S = 120.0


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server of the champion."""
    folder = tmp_path_factory.mktemp("registry")
    registry.register(folder, default_bundle_path())
    registry.make_champion(folder, 1)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = ["models", "serve", "-m", "models:/faultml@champion", "--env-manager", "local", "--workers", "1"]
    server = subprocess.Popen(
        [sys.executable, "-m", "mlflow", *words, "--host", "127.0.0.1", "--port", str(port)],
        env=os.environ
        | {"MLFLOW_TRACKING_URI": database_uri(folder), "MLFLOW_DISABLE_TELEMETRY": "true"}
        | {"PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        yield started(server, f"http://127.0.0.1:{port}")
    finally:
        os.killpg(server.pid, 15)
        server.wait(30)


def started(server: subprocess.Popen[bytes], address: str) -> str:
    end = time.monotonic() + START_S
    while time.monotonic() < end and server.poll() is None:
        try:
            with urllib.request.urlopen(f"{address}/ping", timeout=5):
                return address
        except (urllib.error.URLError, OSError):
            time.sleep(0.3)
    raise AssertionError("the server did not come up")


def frame(generated: SyntheticSeason, count: int) -> pd.DataFrame:
    """The first swings of a season as a season table, all with a forearm and a mark but one."""
    batch = generated.batch
    rows = []
    for row in range(count):
        samples = int(batch.n_samples[row])
        rows.append(
            {name: batch.table[name].iloc[row] for name in ("player", "session", "swing")}
            | {"t_s": batch.t_s[row, :samples].tolist()}
            | {
                name: batch.angles_deg[row, channel, :samples].astype(float).tolist()
                for channel, name in enumerate(("flexion_deg", "ulnar_deg", "pronation_deg"))
            }
        )
    # What says how surely the sensor is known widens the doubt: mlflow drops columns that its signature lacks.
    table = pd.DataFrame(rows).assign(mounting_sd_deg=12.0)
    return table[table["pronation_deg"].map(lambda each: bool(np.isfinite(each).all()))]


def test_a_request_gives_the_librarys_numbers(
    served: str, generated: SyntheticSeason, assessor: Assessor, catalogue: Catalogue
) -> None:
    season = frame(generated, 12)
    body = json.dumps({"dataframe_records": season.to_dict("records")}).encode()
    request = urllib.request.Request(
        f"{served}/invocations", body, {"Content-Type": "application/json"}, method="POST"
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        document = pd.DataFrame(json.loads(answer.read())["predictions"])
    batch, _ = read_frame(season)
    expected = faults_frame(assessor, assessor.assess(batch)).reset_index(drop=True)
    assert len(document) == len(season) * len(catalogue.ids) > 0
    assert document["fault"].tolist() == expected["fault"].tolist()
    assert (expected["status"] == "assessed").any()
    for name in NUMBERS_OUT:
        np.testing.assert_allclose(
            document[name].to_numpy(float), expected[name].to_numpy(float), rtol=1e-9, atol=1e-12
        )
