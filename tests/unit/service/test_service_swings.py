"""``/v1/assess``: the library's numbers, from JSON and from Parquet; what is wrong is named by its field."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from http_fakes import fake_swings, problem, serving
from season_fakes import fake_season

from faultml.assessing import assess_swings
from faultml.classifier.assess import Assessor
from faultml.classifier.tables import faults_frame, swings_frame
from faultml.errors import InputError
from faultml.recordings.read import read_frame
from faultml.results import FAULTS, SWINGS
from faultml.service.answers import Assessed

PARQUET = "application/vnd.apache.parquet"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    with serving(tmp_path_factory.mktemp("spool"), max_swings=5, max_samples=500) as client:
        yield client


def parquet(frame: pd.DataFrame) -> bytes:
    out = io.BytesIO()
    frame.to_parquet(out, index=False)
    return out.getvalue()


def tables(document: dict[str, Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables that an answer was made of."""
    ids = ("player", "session", "swing")
    faults = [
        {**{name: each[name] for name in ids}, **row} for each in document["swings"] for row in each["faults"]
    ]
    return pd.DataFrame(document["swings"])[list(SWINGS)], pd.DataFrame(faults)[list(FAULTS)]


def assert_same(given: pd.DataFrame, expected: pd.DataFrame) -> None:
    for name in expected:
        if expected[name].dtype.kind == "f":
            np.testing.assert_array_equal(
                given[name].to_numpy(float), expected[name].to_numpy(float), err_msg=name
            )
        else:
            assert given[name].tolist() == expected[name].tolist(), name


def test_the_numbers_are_the_librarys(client: httpx.Client, assessor: Assessor) -> None:
    frame = fake_season(3, noise_deg=0.3).assign(hand="left", shot=[["push", "hook"], [], ["fat"]])
    frame["pronation_deg"] = [None if row == 1 else each for row, each in enumerate(frame["pronation_deg"])]
    batch, _ = read_frame(frame)
    assessment = assessor.assess(batch)
    sent = frame.to_dict("records")
    for row in sent:
        row |= {name: value.tolist() for name, value in row.items() if isinstance(value, np.ndarray)}
    by_json = client.post("/v1/assess", json={"swings": sent})
    by_parquet = client.post("/v1/assess", content=parquet(frame), headers={"content-type": PARQUET})
    assert by_json.json() == by_parquet.json()
    Assessed.model_validate(by_json.json())
    swings, faults = tables(by_json.json())
    assert_same(swings, swings_frame(assessment))
    assert_same(faults, faults_frame(assessor, assessment))
    assert by_json.json()["model"]["sha256"] == assessor.bundle.manifest.sha256
    assert swings["assessed"].any() and (faults["status"] == "not_assessed").any()


def test_a_swing_alone_is_answered_as_among_others(client: httpx.Client) -> None:
    swings = fake_swings(4, noise_deg=0.3)
    together = client.post("/v1/assess", json={"swings": swings}).json()["swings"]
    alone = [client.post("/v1/assess", json={"swings": [swing]}).json()["swings"][0] for swing in swings]
    assert alone == together


def test_ids_may_be_left_out_and_samples_may_be_missing(client: httpx.Client) -> None:
    swings = [
        {name: swing[name] for name in swing if name.endswith(("_s", "_deg"))} for swing in fake_swings(2)
    ]
    swings[1]["flexion_deg"][100] = None
    document = client.post("/v1/assess", json={"swings": swings}).json()["swings"]
    assert [(each["player"], each["swing"]) for each in document] == [("unnamed", "1"), ("unnamed", "2")]
    assert all(each["assessed"] for each in document) and document[1]["findings"]


def test_a_swing_that_cannot_be_assessed_says_why(client: httpx.Client) -> None:
    good, short, uneven = fake_swings(3)
    short |= {name: short[name][:5] for name in ("t_s", "flexion_deg", "ulnar_deg", "pronation_deg")}
    uneven["ulnar_deg"].pop()
    document = client.post("/v1/assess", json={"swings": [good, short, uneven]}).json()
    assert [each["reason"] for each in document["swings"]] == ["", "too-short", "length-mismatch"]
    assert {each["swing"] for each in document["problems"]} == {"002", "003"}
    assert {row["status"] for row in document["swings"][1]["faults"]} == {"not_assessed"}
    twice = client.post("/v1/assess", json={"swings": [good, good]}).json()["swings"]
    assert {each["reason"] for each in twice} == {"repeated-id"}


def test_wrong_fields_are_named(client: httpx.Client) -> None:
    swing = fake_swings()[0] | {"club": 7, "hnad": "left", "context": "game"}
    swing["ulnar_deg"][3] = "x"
    del swing["flexion_deg"]
    document = problem(client.post("/v1/assess", json={"swings": [swing]}), 422, "invalid")
    assert {each["pointer"] for each in document["errors"]} == {
        "/swings/0/club", "/swings/0/hnad", "/swings/0/context", "/swings/0/ulnar_deg/3", "/swings/0/flexion_deg",
    }  # fmt: skip
    assert {each["part"] for each in document["errors"]} == {"body"}
    headers = {"content-type": "application/json"}
    for content in (b"", b"{", b"[]", b'{"swings": []}', b"[" * 100_000, b"\xff", b'{"swings": [null]}'):
        problem(client.post("/v1/assess", content=content, headers=headers), 422, "invalid")
    problem(
        client.post("/v1/assess", content=b"x", headers={"content-type": "text/plain"}),
        415,
        "unknown-media-type",
    )


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999"])
def test_what_is_no_finite_number_is_refused(client: httpx.Client, number: str) -> None:
    swing = json.dumps(fake_swings()[0])
    headers = {"content-type": "application/json"}
    for field in ("impact_s", "mounting_sd_deg", "declared_rate_hz"):
        body = f'{{"swings": [{swing[:-1]}, "{field}": {number}}}]}}'
        reported = problem(client.post("/v1/assess", content=body, headers=headers), 422, "invalid")
        assert [each["pointer"] for each in reported["errors"]] == [f"/swings/0/{field}"]
    body = f'{{"swings": [{{"t_s": [0, {number}], "flexion_deg": [0, 0], "ulnar_deg": [0, 0]}}]}}'
    reported = problem(client.post("/v1/assess", content=body, headers=headers), 422, "invalid")
    assert [each["pointer"] for each in reported["errors"]] == ["/swings/0/t_s/1"]


def test_limits_of_counts(client: httpx.Client) -> None:
    swings = fake_swings(6)
    document = problem(client.post("/v1/assess", json={"swings": swings}), 422, "too-many-swings")
    assert document["errors"][0]["pointer"] == "/swings"
    assert client.post("/v1/assess", json={"swings": swings[:5]}).status_code == 200
    swings[1] |= {"t_s": [*swings[1]["t_s"]] * 2}
    document = problem(client.post("/v1/assess", json={"swings": swings[:2]}), 422, "too-many-samples")
    assert document["errors"] == [
        {"part": "body", "pointer": "/swings/1/t_s", "detail": "at most 500 samples"}
    ]


def test_limits_of_parquet(client: httpx.Client) -> None:
    def sent(content: bytes) -> httpx.Response:
        return client.post("/v1/assess", content=content, headers={"content-type": PARQUET})

    problem(sent(parquet(fake_season(6))), 422, "too-many-swings")
    uneven = pd.concat([fake_season(1, rate_hz=400.0), fake_season(1, rate_hz=40.0)])
    problem(sent(parquet(uneven)), 422, "too-many-samples")
    long = pa.table({"t_s": pa.array([np.zeros(5_000_000)], pa.list_(pa.float64()))})
    out = io.BytesIO()
    pq.write_table(long, out, compression="zstd")
    assert len(out.getvalue()) < 100_000
    problem(sent(out.getvalue()), 422, "unpacks-too-far")
    problem(sent(parquet(fake_season(1).drop(columns="ulnar_deg"))), 422, "missing-column")
    problem(sent(parquet(fake_season(1).assign(t_s="x"))), 422, "wrong-type")
    problem(sent(parquet(fake_season(1))[:-30]), 422, "damaged-file")
    problem(sent(parquet(fake_season(1)[:0])), 422, "no-rows")
    problem(sent(b"PAR1"), 422, "damaged-file")


def test_swings_in_memory(assessor: Assessor) -> None:
    frame = fake_season(2)
    rows = frame.to_dict("records")
    expected = assess_swings(frame, assessor=assessor)
    for same in (rows, read_frame(frame)[0], pa.Table.from_pandas(frame, preserve_index=False)):
        given = assess_swings(same, assessor=assessor)
        assert_same(given.swings, expected.swings)
        assert_same(given.faults, expected.faults)
    for wrong, code in (
        ([{"t_s": [0.0]}], "missing-column"),
        ([rows[0] | {"flex": 1}], "unknown-column"),
        ([rows[0] | {"ulnar_deg": "abc"}], "wrong-type"),
        ([rows[0] | {"player": 7}], "wrong-type"),
        (frame[:0], "no-rows"),
    ):
        with pytest.raises(InputError, match=code):
            assess_swings(wrong, assessor=assessor)


def test_a_label_and_its_store(tmp_path: Path) -> None:
    label = {"player": "p1", "session": "s", "swing": "1", "fault": "flip", "verdict": "yes", "coach": "ann"}
    with serving(tmp_path, store=tmp_path / "store.sqlite", max_labels=2) as client:
        both = {"labels": [label, label | {"swing": "2"}]}
        assert client.post("/v1/labels", json=both).json() == {"added": 2, "already": 0}
        assert client.post("/v1/labels", json={"labels": [label]}).json() == {"added": 0, "already": 1}
        client.post("/v1/labels", json={"labels": [label | {"verdict": "no"}]})
        document = client.get("/v1/labels").json()
        assert document["total"] == 2 and [each["verdict"] for each in document["labels"]] == ["yes", "no"]
        assert client.get("/v1/labels?history=true&offset=2").json()["total"] == 3
        assert client.get("/v1/labels?player=nobody").json() == {"total": 0, "labels": []}
        document = problem(
            client.post("/v1/labels", json={"labels": [label, label | {"fault": "x"}]}), 422, "bad-verdict"
        )
        assert [each["pointer"] for each in document["errors"]] == ["/labels/1/fault"]
        document = problem(
            client.post("/v1/labels", json={"labels": [label | {"verdict": "maybe"}]}), 422, "invalid"
        )
        assert [each["pointer"] for each in document["errors"]] == ["/labels/0/verdict"]
        problem(client.post("/v1/labels", json={"labels": [label] * 3}), 422, "too-many-labels")
        for field in ("player", "session", "swing", "fault", "coach", "occasion"):
            reported = problem(
                client.post("/v1/labels", json={"labels": [label | {field: ""}]}), 422, "invalid"
            )
            assert [each["pointer"] for each in reported["errors"]] == [f"/labels/0/{field}"]
        headers = {"content-type": "application/json"}
        for number in ("NaN", "1e999"):
            body = json.dumps({"labels": [label | {"unit": "deg"}]}).replace(
                "}]", f', "severity": {number}}}]'
            )
            reported = problem(client.post("/v1/labels", content=body, headers=headers), 422, "invalid")
            assert [each["pointer"] for each in reported["errors"]] == ["/labels/0/severity"]
        assert client.get("/v1/labels?history=true").json()["total"] == 3
