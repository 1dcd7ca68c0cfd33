"""Assesses partitions in a process of its own: ``python -m faultml.season.worker PARTS``.

Fragments come as lines of JSON on standard input, and answers go to standard output. When the input closes, the run has
ended, and so does this.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import msgspec
import pyarrow as pa

from faultml.errors import FaultmlError
from faultml.recordings.fragments import Fragment
from faultml.season.answering import load_answering, refusal
from faultml.season.messages import Answer


def main() -> None:
    """Load the frozen inputs, then answer one order after the other."""
    # The cores are shared by processes, not by threads.
    pa.set_cpu_count(1)
    pa.set_io_thread_count(1)
    # Answers have standard output to themselves: whatever else is printed goes to standard error.
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    answer = _answering(Path(sys.argv[1]))
    while line := sys.stdin.buffer.readline():
        answers.write(msgspec.json.encode(answer(msgspec.json.decode(line, type=Fragment))) + b"\n")
        answers.flush()


def _answering(out: Path) -> Callable[[Fragment], Answer]:
    try:
        return load_answering(out).answer
    except FaultmlError as error:
        refused = refusal(error)
        return lambda fragment: refused


if __name__ == "__main__":
    main()
