"""The desk: one local page on which a coach does everything; it calls what the commands call."""

from __future__ import annotations

from faultml.errors import MissingExtraError

try:
    import fastapi  # noqa: F401
    import nicegui  # noqa: F401
    import uvicorn  # noqa: F401
except ImportError as error:  # pragma: no cover - without the extra
    raise MissingExtraError(
        "missing-extra", expected="NiceGUI: pip install 'faultml[desk]'", found=str(error)
    ) from error
