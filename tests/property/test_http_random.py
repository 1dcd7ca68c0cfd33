"""Requests made up from the description of the service, right and wrong ones: none is answered as our own error."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from http_fakes import serving
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

EXAMPLES = 15


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder: Path = tmp_path_factory.mktemp("service")
    with serving(folder / "spool", store=folder / "store.sqlite", most_jobs=1) as client:
        yield schemathesis.openapi.from_url(f"{client.base_url}/openapi.json".replace("//open", "/open"))


schema = schemathesis.pytest.from_fixture("api")


@schema.parametrize()
@settings(
    max_examples=EXAMPLES,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_no_request_is_answered_as_our_own_error(case: Any) -> None:
    case.call_and_validate(checks=[not_a_server_error, status_code_conformance, response_schema_conformance])
