"""Requests made up from the description of the service, right and wrong ones: none is answered as our own error."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import schemathesis
from http_fakes import serving
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import response_schema_conformance, status_code_conformance

CHECKS = [not_a_server_error, status_code_conformance, response_schema_conformance]
REPEATABLE = settings(
    max_examples=12,
    derandomize=True,
    database=None,
    deadline=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


def test_no_request_is_answered_as_our_own_error(tmp_path: Path) -> None:
    with serving(tmp_path / "spool", store=tmp_path / "store.sqlite", max_jobs=1) as client:
        schema = schemathesis.openapi.from_url(str(client.base_url.join("/openapi.json")))
        operations = [found.ok() for found in schema.get_all_operations()]
        assert len(operations) == 16
        for operation in operations:
            for mode in GenerationMode:

                @REPEATABLE
                @given(case=operation.as_strategy(generation_mode=mode))
                def ask(case: Any) -> None:
                    case.call_and_validate(checks=CHECKS)

                # A route that takes nothing cannot be asked wrongly.
                with suppress(Unsatisfiable):
                    ask()
