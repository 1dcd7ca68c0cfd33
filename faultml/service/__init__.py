"""The HTTP service: assess swings, classify seasons, tell drills, keep verdicts."""

from __future__ import annotations

from faultml.errors import MissingExtraError

try:
    import fastapi  # noqa: F401
    import prometheus_client  # noqa: F401
    import uvicorn  # noqa: F401
except ImportError as error:  # pragma: no cover - without the extra
    raise MissingExtraError(
        "missing-extra",
        expected="FastAPI, prometheus-client and uvicorn: pip install 'faultml[serve]'",
        found=str(error),
    ) from error

from faultml.service.app import create_app
from faultml.service.settings import Limits, Settings

__all__ = ["Limits", "Settings", "create_app"]
