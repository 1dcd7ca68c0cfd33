"""The wheel carries what is on disk, the lock what is asked for, and no file tells where it was made."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path, PurePosixPath

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import faultml

ROOT = Path(__file__).parents[2]
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]
SETUPTOOLS = PYPROJECT["tool"]["setuptools"]
CHECKOUT_ONLY = ROOT / "pipelines" / "benchmarks"
"""Run from the checkout by make, and not in the wheel."""


@pytest.fixture(scope="module")
def files() -> list[Path]:
    """Every file git tracks or would track."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    try:
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=True, text=True).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    return [path for name in listed.split("\0") if name and (path := ROOT / name).is_file()]


@pytest.fixture(scope="module")
def packages() -> dict[Path, str]:
    """Every package on disk: folder to dotted name."""
    found = {}
    for package, folder in SETUPTOOLS["package-dir"].items():
        for path in sorted((ROOT / folder).rglob("*.py")):
            inside = path.parent.relative_to(ROOT / folder).parts
            if CHECKOUT_ONLY in path.parents:
                continue
            found[path.parent] = ".".join([package, *inside])
    return found


def test_packages_are_listed_as_on_disk(packages: dict[Path, str]) -> None:
    assert sorted(SETUPTOOLS["packages"]) == sorted(packages.values())
    for folder in packages:
        assert (folder / "__init__.py").is_file(), folder


def test_package_data_is_what_lies_beside_the_code(files: list[Path], packages: dict[Path, str]) -> None:
    idle = {(package, glob) for package, globs in SETUPTOOLS["package-data"].items() for glob in globs}
    forgotten = []
    for path in files:
        folder = next((above for above in path.parents if above in packages), None)
        if folder is None or path.suffix == ".py" or CHECKOUT_ONLY in path.parents:
            continue
        inside = PurePosixPath("/", path.relative_to(folder))
        globs = SETUPTOOLS["package-data"].get(packages[folder], [])
        matching = {(packages[folder], glob) for glob in globs if inside.match(f"/{glob}")}
        idle -= matching
        if not matching:
            forgotten.append(str(path.relative_to(ROOT)))
    assert forgotten == [], "in no package-data glob: works here, missing from the wheel"
    assert idle == set(), "globs that match no file"


def test_no_registry_address_and_no_machine_path(files: list[Path]) -> None:
    # Bracketed so that this line does not match itself.
    leak = re.compile(
        rb"[p]ypi\.org|[p]ythonhosted\.|[n]pmjs\.|[d]ebian\.org|(?<!no-emit-)[i]ndex-url|[f]ind-links|[t]rusted-host"
        rb"|[/]work/|[/]root/|[/]home/\w|[/]Users/\w|[/]opt/|[C]:\\Users"
    )
    hits = [
        (str(path.relative_to(ROOT)), hit[0]) for path in files if (hit := leak.search(path.read_bytes()))
    ]
    assert hits == []


def test_test_modules_have_names_of_their_own() -> None:
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert sorted(names) == sorted(set(names))


def test_one_version() -> None:
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert newest is not None
    assert PROJECT["version"] == faultml.__version__ == newest[1]
    cited = re.search(r"^version: (.+)$", (ROOT / "CITATION.cff").read_text(encoding="utf-8"), re.M)
    assert cited and cited[1] == faultml.__version__


def pinned(lock: Path) -> dict[str, list[str]]:
    """Versions of each package in a lock; every entry has a hash."""
    pins: dict[str, list[str]] = {}
    for entry in re.split(r"\n(?=\w)", lock.read_text(encoding="utf-8")):
        if pin := re.match(r"([\w.-]+)==(\S+)", entry):
            assert "--hash=sha256:" in entry, pin[0]
            pins.setdefault(canonicalize_name(pin[1]), []).append(pin[2])
    return pins


def assert_held(wanted: list[str], pins: dict[str, list[str]], lock: str) -> None:
    for requirement in map(Requirement, wanted):
        if requirement.name != PROJECT["name"]:
            versions = pins.get(canonicalize_name(requirement.name), [])
            assert versions, f"make lock: {requirement} is not in {lock}"
            assert all(version in requirement.specifier for version in versions), f"make lock: {requirement}"


def test_the_lock_holds_every_requirement_with_its_hash() -> None:
    wanted = [*PROJECT["dependencies"], *PYPROJECT["build-system"]["requires"]]
    wanted += [each for extra in PROJECT["optional-dependencies"].values() for each in extra]
    assert_held(wanted, pinned(ROOT / "requirements.lock"), "requirements.lock")


def test_the_tools_fit_the_lock() -> None:
    """What `make docs` and `make sbom` install beside it holds nothing back and moves nothing."""
    main, tools = pinned(ROOT / "requirements.lock"), pinned(ROOT / "docs" / "tools.lock")
    wanted = [each for group in PYPROJECT["dependency-groups"].values() for each in group]
    assert_held(wanted, tools, "docs/tools.lock")
    moved = {
        name: (main[name], tools[name]) for name in main.keys() & tools.keys() if main[name] != tools[name]
    }
    assert moved == {}
