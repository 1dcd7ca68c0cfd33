"""Requests made up from the description of the service, right and wrong, under every check of schemathesis but one.

That one wants whatever fits the description to be accepted; it cannot say which faults a catalogue has, that a day is
not ahead, or what is a season's table.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import schemathesis
from http_fakes import serving
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import positive_data_acceptance

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
        assert len(operations) == 17
        for operation in operations:
            for mode in GenerationMode:

                @REPEATABLE
                @given(case=operation.as_strategy(generation_mode=mode))
                def ask(case: Any) -> None:
                    case.call_and_validate(excluded_checks=[positive_data_acceptance])

                # A route that takes nothing cannot be asked wrongly.
                with suppress(Unsatisfiable):
                    ask()
