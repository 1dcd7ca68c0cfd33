"""A real Chromium through Playwright, and a desk in a process of its own for it to open."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
AXE = ROOT / ".axe" / "package" / "axe.min.js"
REQUIRED = "FAULTML_REQUIRE_BROWSER"
"""Set by ``.ci/run``: what is missing is then a failure and not a skip."""


def chromium() -> str:
    """The path of a Chromium; skips the test where there is none, with the line that installs it."""
    found = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), "")
    return found or _missing("no Chromium: apt-get install -y chromium")


def axe_script() -> str:
    """The text of axe-core; skips the test where it is not there, with the line that fetches it."""
    if AXE.is_file():
        return AXE.read_text(encoding="utf-8")
    return _missing(
        "no axe-core: mkdir -p .axe && npm pack axe-core@4 --pack-destination .axe"
        " && tar xzf .axe/axe-core-*.tgz -C .axe"
    )


@contextmanager
def browser() -> Iterator[Any]:
    """A Chromium that reaches nobody but this machine."""
    path = chromium()
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _missing("no Playwright: pip install playwright")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()


class RunningDesk:
    """``faultml desk`` on a folder, in a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                "from faultml.cli import main; main()",
                "desk",
                str(folder),
                "--port",
                "0",
                "--no-open",
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=ROOT,
        )
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert "http://" in line, line + self._process.stdout.read()
        self.address = line.split("http://")[1].split("/")[0]

    @property
    def url(self) -> str:
        """Where it is."""
        return f"http://{self.address}"

    def kill(self) -> None:
        """End it at once, as a crash or a power cut would."""
        self._process.kill()
        self._process.wait()

    def stop(self) -> None:
        """End it in order."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait(timeout=30)


@contextmanager
def running_desk(folder: Path) -> Iterator[RunningDesk]:
    """A desk that is ended at the end."""
    desk = RunningDesk(folder)
    try:
        yield desk
    finally:
        desk.stop()


def _missing(what: str) -> str:
    if os.environ.get(REQUIRED):
        pytest.fail(what)
    pytest.skip(what)
