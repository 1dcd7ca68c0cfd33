"""Where kernels are kept: never an old result after an edit, nothing written into the install, cold workers at once."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from faultml import kernels

PACKAGE = Path(kernels.__file__).parent

CALLER = """
from toy.kernels import kernel
from toy.callee import inner

@kernel
def outer(x):
    return inner(x) + 1
"""
CALLEE = """
from toy.kernels import kernel

@kernel
def inner(x):
    return x * FACTOR
"""


def test_the_list_names_every_module_with_kernels() -> None:
    found = {
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if re.search(r"^@kernel$", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert found | {"kernels.py"} == set(kernels.KERNEL_MODULES)
    assert list(kernels.KERNEL_MODULES[1:]) == sorted(kernels.KERNEL_MODULES[1:])


def test_no_kernel_is_compiled_past_the_one_place() -> None:
    for path in PACKAGE.rglob("*.py"):
        compiles = re.search(
            r"^(import|from) numba|@(nb\.)?n?jit|@vectorize", path.read_text(encoding="utf-8"), re.M
        )
        assert not compiles or path.name == "kernels.py", path


@pytest.fixture
def toy(tmp_path: Path) -> Path:
    """A package with our `kernels` and two modules: one kernel calls that of the other file."""
    package = tmp_path / "toy"
    package.mkdir()
    (package / "__init__.py").touch()
    source = (PACKAGE / "kernels.py").read_text(encoding="utf-8")
    source = re.sub(
        r"KERNEL_MODULES: Final = \(.*?\n\)",
        'KERNEL_MODULES = ("callee.py", "caller.py")',
        source,
        flags=re.DOTALL,
    )
    (package / "kernels.py").write_text(source, encoding="utf-8")
    (package / "caller.py").write_text(CALLER, encoding="utf-8")
    (package / "callee.py").write_text(CALLEE.replace("FACTOR", "10"), encoding="utf-8")
    return tmp_path


def start(folder: Path, cache: Path) -> subprocess.Popen[str]:
    code = "import logging; logging.basicConfig(); from toy.caller import outer; print(outer(2.0))"
    env = os.environ | {"XDG_CACHE_HOME": str(cache), "HOME": str(cache), "PYTHONPATH": str(folder)}
    return subprocess.Popen(
        [sys.executable, "-B", "-c", code], env=env, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


def _cold(folder: Path, cache: Path) -> bool:
    code = "from toy.kernels import is_cold; print(is_cold())"
    env = os.environ | {"XDG_CACHE_HOME": str(cache), "PYTHONPATH": str(folder)}
    done = subprocess.run(
        [sys.executable, "-B", "-c", code], env=env, text=True, capture_output=True, timeout=120
    )
    return done.stdout.strip() == "True"


def result(process: subprocess.Popen[str]) -> float:
    out, error = process.communicate(timeout=120)
    assert process.returncode == 0, error
    return float(out)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems keep caches elsewhere")
def test_an_edit_of_a_called_kernel_in_another_file_is_seen(toy: Path) -> None:
    cache = toy / "cache"
    assert _cold(toy, cache)
    assert result(start(toy, cache)) == 21
    before = set(cache.rglob("*.nbc"))
    assert before and not _cold(toy, cache)
    assert result(start(toy, cache)) == 21
    assert set(cache.rglob("*.nbc")) == before, "compiled once"
    (toy / "toy" / "callee.py").write_text(CALLEE.replace("FACTOR", "30"), encoding="utf-8")
    assert result(start(toy, cache)) == 61


@pytest.mark.skipif(sys.platform != "linux", reason="other systems keep caches elsewhere")
def test_cold_workers_that_start_at_once_all_answer_and_leave_the_install_alone(toy: Path) -> None:
    files = {path: path.stat().st_mtime_ns for path in (toy / "toy").rglob("*")}
    workers = [start(toy, toy / "cache") for _ in range(3)]
    assert [result(worker) for worker in workers] == [21.0] * 3
    assert {path: path.stat().st_mtime_ns for path in (toy / "toy").rglob("*")} == files
    assert result(start(toy, toy / "cache")) == 21


@pytest.mark.skipif(sys.platform != "linux", reason="other systems keep caches elsewhere")
def test_without_a_place_to_write_each_process_compiles_its_own(toy: Path) -> None:
    blocked = toy / "blocked"
    blocked.write_text("a file where the cache's folder would be")
    process = start(toy, blocked)
    out, error = process.communicate(timeout=120)
    assert process.returncode == 0 and float(out) == 21, error
    assert "cannot be written" in error
