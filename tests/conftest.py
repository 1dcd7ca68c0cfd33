"""What holds for every test: Hypothesis tries the same examples each time, and no test fails for being slow."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
