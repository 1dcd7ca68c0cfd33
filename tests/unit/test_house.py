"""The house holds: imports point one way, and no module does what its room may not.

The rooms and their direction are drawn in DEVELOPERS.md; a failure names the file, the line and the rule.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[2]
SETUPTOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
FOLDERS: dict[str, str] = SETUPTOOLS["package-dir"]
OWN_FOLDERS = set(FOLDERS.values()) - {"faultml"}
MAX_LINES = 500

WORDS = {"faultml", "errors", "channels", "faults", "exact", "rules_file"}
STEPS = {"recordings", "motion", "quality", "features", "classifier", "network", "runtime", "kernels"}
INPUT = {"importing", "streams"}
TABLES = {"results", "store", "care", "labels", "outcomes", "coaching", "plan"}
MAY_IMPORT: dict[str, set[str]] = {
    "faultml": set(),
    "errors": set(),
    "channels": set(),
    "svg": {"errors"},
    "exact": {"errors"},
    "drawings": {
        "faultml",
        "errors",
        "channels",
        "faults",
        "svg",
    },  # what is drawn, without knowing who draws it
    "kernels": set(),  # how kernels are compiled: everybody with kernels
    "runtime": {"kernels"},  # arrays that answer
    "network": {"runtime"},  # a learner on plain arrays
    "rules_file": {"errors"},  # TOML files of rules and words, checked by their types
    "faults": {"errors", "channels", "kernels", "rules_file"},
    "recordings": WORDS | {"kernels"},
    "motion": WORDS | {"recordings", "network", "runtime", "kernels"},
    "importing": WORDS | {"recordings", "motion", "results"},  # results: folders replaced as a whole
    "quality": WORDS | {"recordings", "motion"},
    "features": WORDS | {"recordings", "motion", "kernels"},
    "classifier": WORDS | {"recordings", "motion", "features", "network", "quality", "runtime", "kernels"},
    "streams": WORDS | STEPS,
    "results": WORDS,
    "store": WORDS | {"recordings"},  # names of one player
    "care": WORDS | {"recordings", "store"},  # the roster as it is now, and what was said since
    "labels": WORDS | {"recordings", "motion", "results", "store"},  # motion: whether landmarks are in order
    "outcomes": WORDS | {"results", "store"},
    "coaching": WORDS
    | {"results", "store", "labels", "outcomes", "care"},  # probabilities and findings, never samples
    "plan": WORDS | {"results", "store", "outcomes", "care", "coaching"},  # notes and sums, never samples
    "practice": WORDS
    | STEPS
    | TABLES
    | INPUT
    | {"cutting"},  # samples against windows; what is noted afterwards
    "season": WORDS | STEPS | TABLES,
    "report": WORDS | STEPS | TABLES | {"season", "svg", "drawings"},
    "check": WORDS | STEPS | {"results"},
    "assessing": WORDS | STEPS,
    "cutting": WORDS | STEPS | INPUT,
    "layouts": WORDS | STEPS | INPUT | {"check", "cutting"},  # a layout tried on a file
    "service": WORDS | STEPS | INPUT | TABLES | {"season", "report", "assessing", "practice"},
    "desk": WORDS
    | STEPS
    | INPUT
    | TABLES
    | {"season", "report", "service", "cutting", "svg", "drawings", "practice"},
    "cli": WORDS
    | STEPS
    | INPUT
    | TABLES
    | {"season", "report", "service", "check", "cutting", "layouts", "desk", "practice"},
    "models": set(),
    "synthetic": WORDS | {"recordings", "svg"},  # the catalogue and the season table: so it cannot leak
    "pipelines": WORDS
    | STEPS
    | INPUT
    | TABLES
    | {"assessing", "season", "report", "svg", "synthetic", "models", "desk", "drawings", "practice"},
}
"""What each room may import besides itself; ``faultml`` is the package's own ``__init__``."""

CHECKOUT_ONLY = "faultml.pipelines.benchmarks"
"""Run from the checkout by make: nothing in the wheel imports it."""

ONLY_INSIDE_COMMANDS = {"synthetic", "pipelines", "models"}
INSIDE = {
    "cli": ONLY_INSIDE_COMMANDS,
    "desk": {"pipelines"},  # what retraining needs, in the process of a job
    "faultml": WORDS | STEPS | INPUT | TABLES | {"season", "assessing", "check", "cutting"},
}
"""What a room may import beyond that where the import does not run at once: public names are lazy."""

LIGHT = {"faultml", "errors", "cli"}
"""What a command module may import at its top, so that ``--help`` stays fast."""


class Ban(NamedTuple):
    """Modules that are not used, except in one room."""

    modules: set[str]
    except_in: str
    why: str


BANS = (
    Ban(OWN_FOLDERS, "", "a second copy; import it under faultml"),
    Ban({"pickle", "cloudpickle", "dill", "shelve", "marshal"}, "", "reading such a file runs code"),
    Ban({"joblib.load", "joblib.dump"}, "", "reading such a file runs code"),
    Ban({"socket", "urllib.request", "http.client", "requests", "httpx", "aiohttp"}, "service", "no network"),
    Ban({"tsfresh", "mlflow"}, "pipelines", "an extra for training"),
)


class Import(NamedTuple):
    """One imported name: ``from a import b`` is ``a.b``."""

    name: str
    line: int
    inside: bool
    """Whether it stands in a function, or is for type checkers only."""


def imports(node: ast.AST, package: str, inside: bool = False) -> Iterator[Import]:
    """Every import below a node, relative ones resolved against the package."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import):
            yield from (Import(alias.name, child.lineno, inside) for alias in child.names)
        elif isinstance(child, ast.ImportFrom):
            above = package.split(".")[: package.count(".") + 2 - child.level] if child.level else []
            base = ".".join([*above, child.module] if child.module else above)
            yield from (Import(f"{base}.{alias.name}", child.lineno, inside) for alias in child.names)
        yield from imports(child, package, inside or isinstance(child, ast.FunctionDef) or for_types(child))


def for_types(node: ast.AST) -> bool:
    """Whether a node is ``if TYPE_CHECKING:``, whose imports never run."""
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def room_of(name: str) -> str:
    """Room of a dotted name below faultml: ``faultml.motion.landmarks`` is in ``motion``."""
    second = name.split(".")[1] if "." in name else "faultml"
    return "faultml" if second.startswith("__") else second


def broken_rules(module: str, source: str, *, is_package: bool = False) -> list[str]:
    """What a module does that its room does not allow, each with file and line."""
    tree = ast.parse(source)
    room = room_of(module)
    broken = []
    for name, line, inside in imports(tree, module if is_package else module.rpartition(".")[0]):
        place = f"{module}:{line}: {name}"
        if name.startswith(f"{CHECKOUT_ONLY}.") and not module.startswith(CHECKOUT_ONLY):
            broken.append(f"{place}: not in the wheel")
        if name.split(".")[0] == "faultml":
            allowed = MAY_IMPORT[room] | {room} | (INSIDE.get(room, set()) if inside else set())
            if room_of(name) not in allowed:
                broken.append(f"{place}: {room} may import {sorted(allowed)}")
            light = room_of(name) in LIGHT
        else:
            banned = [ban for ban in BANS if any(f"{name}.".startswith(f"{each}.") for each in ban.modules)]
            broken += [f"{place}: {ban.why}" for ban in banned if room != ban.except_in]
            light = name.split(".")[0] in {"click", *sys.stdlib_module_names}
        if room == "cli" and not inside and not light:
            broken.append(f"{place}: import it inside the command, so that --help stays fast")
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id="print")):
                broken.append(f"{module}:{node.lineno}: print; click.echo in a command, a logger elsewhere")
            case (
                ast.Attribute(value=ast.Name(id="joblib"), attr="load" | "dump")
                | ast.Attribute(attr="read_pickle" | "to_pickle")
                | ast.keyword(arg="allow_pickle", value=ast.Constant(value=True))
            ):
                broken.append(f"{module}:{node.lineno}: reading such a file runs code")
    return broken


def modules() -> Iterator[tuple[str, Path]]:
    """Every module of the wheel: dotted name and file."""
    for package, folder in FOLDERS.items():
        for path in sorted((ROOT / folder).rglob("*.py")):
            inside = path.relative_to(ROOT / folder).with_suffix("").parts
            yield ".".join([package, *(part for part in inside if part != "__init__")]), path


@pytest.mark.parametrize(("module", "path"), [pytest.param(*each, id=each[0]) for each in modules()])
def test_a_module_keeps_to_its_room(module: str, path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert room_of(module) in MAY_IMPORT, f"a new room: say in MAY_IMPORT what {room_of(module)} may import"
    assert broken_rules(module, source, is_package=path.stem == "__init__") == []
    assert len(source.splitlines()) <= MAX_LINES, "one module, one idea: split it"


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("faultml.recordings.read", "from faultml.motion.landmark_model import find"),
        ("faultml.recordings.read", "from faultml import motion"),
        ("faultml.recordings.read", "from ..motion import landmarks"),
        ("faultml.recordings.read", "from .. import motion"),
        ("faultml.recordings.read", "def f():\n    import faultml.season"),
        ("faultml.recordings.read", "class A:\n    async def f(self):\n        import faultml.season"),
        ("faultml.coaching.rank", "from faultml.recordings.swings import SwingBatch"),
        ("faultml.coaching.prescribe", "from faultml.plan import state"),
        ("faultml.season", "from faultml.report import page"),
        ("faultml.report.page", "def f():\n    from faultml.synthetic import golfers"),
        ("faultml.cli.train", "from faultml.pipelines.training import train"),
        ("faultml.cli.train", "import pandas"),
        ("faultml.cli.train", "from faultml.season import classify"),
        ("faultml.synthetic.swings", "from faultml.features import windows"),
        ("faultml.synthetic.swings", "import synthetic"),
        ("faultml.pipelines.training.train", "from pipelines import evaluate"),
        ("faultml.classifier.bundle", "import pickle"),
        ("faultml.classifier.bundle", "from joblib import load"),
        ("faultml.classifier.bundle", "import joblib\njoblib.load('model')"),
        ("faultml.classifier.bundle", "import numpy as np\nnp.load('a', allow_pickle=True)"),
        ("faultml.classifier.bundle", "import urllib.request"),
        ("faultml.classifier.bundle", "from urllib import request"),
        ("faultml.features.windows", "import tsfresh"),
        ("faultml.season", "print('done')"),
    ],
)
def test_a_broken_rule_is_seen(module: str, source: str) -> None:
    assert broken_rules(module, source)


@pytest.mark.parametrize(
    ("module", "source"),
    [
        (
            "faultml.cli.train",
            "import click\ndef f():\n    from faultml.pipelines.training import train\n    import pandas",
        ),
        ("faultml.cli.train", "from faultml import __version__\nfrom faultml.errors import InputError"),
        ("faultml.features.windows", "from faultml.motion import landmarks\nfrom . import timing"),
        ("faultml.features.windows", "import urllib.parse\nfrom faultml.faults import load_catalogue"),
        ("faultml.season", "from joblib import Parallel"),
        ("faultml.pipelines.training.train", "import mlflow\nfrom faultml.synthetic import golfers"),
    ],
)
def test_what_is_allowed_passes(module: str, source: str) -> None:
    assert broken_rules(module, source) == []


def test_the_tests_import_each_room_by_its_one_name() -> None:
    for path in sorted((ROOT / "tests").rglob("*.py")):
        for found in imports(ast.parse(path.read_text(encoding="utf-8")), ""):
            assert found.name.split(".")[0] not in OWN_FOLDERS, (
                f"{path}:{found.line}: import it under faultml"
            )
