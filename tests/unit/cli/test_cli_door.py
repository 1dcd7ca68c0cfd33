"""The program's front door: fast, documented, and never a traceback."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from faultml.cli import COMMANDS, main, module_of

WRITTEN = [name for name in COMMANDS if importlib.util.find_spec(module_of(name))]
HEAVY = {"numpy", "pandas", "pyarrow", "scipy", "sklearn", "numba", "jinja2", "msgspec", "mlflow", "tsfresh"}


def command_of(name: str) -> click.Command:
    found = main.get_command(click.Context(main), name)
    assert found is not None
    return found


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, list(arguments))
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result.exit_code, result.stdout, result.stderr


def test_help_names_every_command_without_importing_any() -> None:
    code = (
        "import sys; from faultml.cli import main; main(['-h'], standalone_mode=False); print(*sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    said, loaded = done.stdout.rsplit("\n", 2)[0], set(done.stdout.splitlines()[-1].split())
    assert all(
        re.search(rf"^  {name} +{re.escape(line)}", said, flags=re.M) for name, line in COMMANDS.items()
    )
    assert not HEAVY & loaded
    assert not [module for module in loaded if module.startswith("faultml.cli.")]


@pytest.mark.parametrize("name", WRITTEN)
def test_a_command_is_documented_with_an_example(name: str) -> None:
    command = command_of(name)
    exit_code, said, _ = run(name, "--help")
    assert exit_code == 0
    assert re.search(rf"Examples?:\n +faultml {name}\b", said)
    assert command.get_short_help_str(200) == COMMANDS[name], "its line in the group's help is another"
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"{name} {option.name} says nothing"
            assert option.opts[0] in said


@pytest.mark.parametrize("name", WRITTEN)
def test_a_command_imports_nothing_heavy_before_it_runs(name: str) -> None:
    code = f"import sys, {module_of(name)}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not HEAVY & set(done.stdout.split())


@pytest.mark.parametrize(
    "arguments",
    [
        ["nothing"],
        ["report"],
        ["report", "no/such/folder"],
        ["catalogue", "--nothing"],
        ["explain", "."],
        ["--nothing"],
    ],
)
def test_wrong_use_is_exit_code_2_and_says_how(arguments: list[str]) -> None:
    exit_code, _, said = run(*arguments)
    assert exit_code == 2
    assert "Error: " in said and "Try 'faultml" in said


def test_a_typed_error_is_one_message_and_exit_code_2(tmp_path: Path) -> None:
    file = tmp_path / "edges.toml"
    file.write_text("owner = 3")
    exit_code, said, wrong = run("catalogue", "--catalogue", str(file))
    assert (exit_code, said) == (2, "")
    assert wrong.startswith(f"Error: {file}: ") and "Traceback" not in wrong


def test_the_version_is_reported() -> None:
    assert run("--version")[1].startswith("faultml, version ")
