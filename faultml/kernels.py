"""How kernels are compiled and where the compiled code is kept.

numba keys its cache by the file that a kernel stands in. A kernel that calls one of another file would then return the
old result after an edit of that file. The cache folder here is therefore named by a hash of every kernel module, numba
and the processor; it lies in the user's cache folder, so that an install may be read-only. Workers that start at once
with a cold cache compile the same code, and numba moves each file into place whole.
"""

from __future__ import annotations

import hashlib
import logging
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, Final

import numba
import platformdirs
from llvmlite import binding

logger = logging.getLogger(__name__)

KERNEL_MODULES: Final = (
    "kernels.py",
    "classifier/closure_doubt.py",
    "faults/measure.py",
    "faults/onset.py",
    "features/readings.py",
    "features/scan.py",
    "features/unhinging.py",
    "motion/arrival.py",
    "motion/closure.py",
    "motion/curves.py",
    "motion/even.py",
    "motion/looks.py",
    "motion/resample.py",
    "recordings/csv_runs.py",
    "recordings/screen.py",
    "runtime/dense.py",
    "runtime/trees.py",
)
"""Every module with kernels; a test compares the list with the sources."""


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function of arrays and numbers: it releases the interpreter's lock, and is kept on disk.

    Products may be fused with sums (``contract``), in the same way for every swing: nothing else is reordered.
    """
    folder = cache_folder()
    if folder is None:
        return numba.njit(nogil=True, error_model="numpy", fastmath={"contract"})(function)
    settings: Any = numba.config
    before, settings.CACHE_DIR = settings.CACHE_DIR, str(folder)
    try:
        # numba asks for the folder here, once; other packages' kernels keep their own.
        return numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})(function)
    finally:
        settings.CACHE_DIR = before


@cache
def cache_folder() -> Path | None:
    """Where compiled kernels are kept; None where nothing can be written, and each process compiles its own."""
    folder = (
        Path(platformdirs.user_cache_dir("faultml", appauthor=False)) / f"kernels-{sources_digest()[:16]}"
    )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError as error:
        logger.warning("kernels are compiled anew by each process: %s cannot be written (%s)", folder, error)
        return None


def is_cold() -> bool:
    """Whether nothing is compiled yet for these sources and this machine: the first answer then takes longer."""
    folder = cache_folder()
    return folder is None or next(folder.rglob("*.nbi"), None) is None


@cache
def sources_digest() -> str:
    """SHA-256 over every kernel module, numba's version and the processor."""
    digest = hashlib.sha256()
    features = binding.get_host_cpu_features().flatten()
    digest.update("\0".join([numba.__version__, binding.get_host_cpu_name(), features]).encode())
    for name in KERNEL_MODULES:
        digest.update(b"\0" + name.encode() + b"\0" + (Path(__file__).parent / name).read_bytes())
    return digest.hexdigest()
