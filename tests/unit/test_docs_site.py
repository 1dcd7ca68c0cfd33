"""The site's pages are listed, its examples can start, and every public name is used in something that runs."""

from __future__ import annotations

import ast
import importlib.util
import re
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest

import faultml
from faultml.importing.hdf5_file import MAX_OBJECTS
from faultml.importing.packed import MAX_FILES
from faultml.recordings.files import UNPACK_BASE_BYTES, UNPACK_RATIO

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
EXAMPLES = sorted((DOCS / "examples").glob("*.py"))
BLOCKS = re.compile(r"^```python\n(.*?)^```", re.M | re.S)
TOCTREES = re.compile(r"^```\{toctree\}\n(.*?)^```", re.M | re.S)


def listed_pages() -> set[Path]:
    """Every page that a toctree names."""
    found = set()
    for page in [*DOCS.glob("*.md"), *(DOCS / "decisions").glob("*.md")]:
        for entries in TOCTREES.findall(page.read_text(encoding="utf-8")):
            for entry in entries.split():
                if not entry.startswith(":"):
                    found |= {path.resolve() for path in page.parent.glob(f"{entry}.md")}
                    found |= {(page.parent / f"{entry}.md").resolve()} & {ROOT / f"{Path(entry).name}.md"}
    return found


def api_names() -> list[str]:
    """Names of the API reference, ``faultml.`` put before."""
    text = (DOCS / "api.md").read_text(encoding="utf-8")
    return [f"faultml.{name}" for name in re.findall(r"^   ([A-Za-z][\w.]+)$", text, re.M)]


def used_code() -> str:
    """All code that runs when the gallery or a guide does."""
    guides = [(DOCS / name).read_text(encoding="utf-8") for name in ("python.md", "own-steps.md")]
    examples = [path.read_text(encoding="utf-8") for path in EXAMPLES]
    return "\n".join([*examples, *(block for guide in guides for block in BLOCKS.findall(guide))])


def test_every_page_is_listed() -> None:
    pages = {path.resolve() for path in [*DOCS.glob("*.md"), *(DOCS / "decisions").glob("*.md")]}
    missing = pages - listed_pages() - {(DOCS / "index.md").resolve()}
    assert not missing, "put it into the toctree of a door (docs/for-....md): " + str(sorted(missing))


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_what_an_example_imports_is_there(example: Path) -> None:
    tree = ast.parse(example.read_text(encoding="utf-8"))
    assert len((ast.get_docstring(tree) or "").splitlines()) >= 3, "a title and what it shows"
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("faultml"):
            module = import_module(str(node.module))
            assert [each.name for each in node.names if not hasattr(module, each.name)] == []
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == "faultml"
        ):
            assert node.attr in faultml.__all__, node.attr


def test_the_gallery_is_whole() -> None:
    assert len(EXAMPLES) >= 10


def test_the_reference_holds_every_public_name() -> None:
    assert {f"faultml.{name}" for name in faultml.__all__} <= set(api_names())


def test_every_name_of_the_reference_runs_somewhere() -> None:
    """By its name, or as what a name that runs returns."""
    code, returned = used_code(), ""
    for name in api_names():
        home, _, last = name.rpartition(".")
        found = getattr(import_module(home), last)
        assert found.__doc__, name
        if re.search(rf"\b{last}\b", code):
            returned += f" {getattr(found, '__annotations__', {}).get('return', '')}"
    unused = [
        name for name in api_names() if not re.search(rf"\b{name.rpartition('.')[2]}\b", code + returned)
    ]
    assert unused == []


def test_the_limits_that_security_states_are_those_of_the_code() -> None:
    page = " ".join((ROOT / "SECURITY.md").read_text(encoding="utf-8").split())
    base, ratio = UNPACK_BASE_BYTES // 1_000_000, UNPACK_RATIO
    assert f"at most {base} MB plus {ratio} times the packed size" in page
    assert f"At most {MAX_FILES:,} files".replace(",", " ") in page
    assert f"At most {MAX_OBJECTS:,} objects".replace(",", " ") in page


@pytest.fixture(scope="module")
def checker() -> ModuleType:
    """docs/check_site.py, which is in no package."""
    spec = importlib.util.spec_from_file_location("check_site", DOCS / "check_site.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ('<a href="other.html#there">', None),
        ('<a href="https://example.org/">', None),
        ('<a href="gone.html">', "gone.html leads nowhere"),
        ('<a href="other.html#gone">', "other.html#gone names no place on that page"),
        ('<script src="https://example.org/x.js"></script>', "loads https://example.org/x.js"),
        ('<link href="//example.org/x.css">', "loads //example.org/x.css"),
    ],
)
def test_the_site_is_checked(checker: ModuleType, tmp_path: Path, body: str, said: str | None) -> None:
    (tmp_path / "other.html").write_text('<p id="there"></p>')
    (tmp_path / "page.html").write_text(body)
    found = checker.wrong_in(tmp_path)
    assert found == ([] if said is None else [f"page.html: {said}"])


@pytest.mark.parametrize(
    "rule", ["a { background: url(https://example.org/f.woff) }", "@import '//example.org/x.css';"]
)
def test_a_style_sheet_loads_nothing_from_elsewhere(checker: ModuleType, tmp_path: Path, rule: str) -> None:
    (tmp_path / "x.css").write_text(rule)
    assert len(checker.wrong_in(tmp_path)) == 1
