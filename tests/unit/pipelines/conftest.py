"""One registry without a version, to be copied: making its tables takes a while."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def empty_registry(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from faultml.pipelines.registry import registry

    folder = tmp_path_factory.mktemp("registry") / "empty"
    assert registry.versions(folder) == []
    return folder
