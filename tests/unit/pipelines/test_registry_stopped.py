"""A registry whose commands are stopped between any two steps: the next one mends it, and nothing is there by half."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from faultml.errors import InputError
from faultml.pipelines.registry import registry, tracking, unfinished
from faultml.pipelines.registry.tracking import DATABASE, open_client
from faultml.pipelines.registry.trainings import Training
from faultml.pipelines.registry.unfinished import FILE
from faultml.results import folders

mlflow = pytest.importorskip("mlflow")

WRITES = (
    "create_experiment", "create_run", "log_param", "set_tag", "log_metric", "log_artifacts",
    "create_registered_model", "create_model_version", "set_registered_model_alias",
    "delete_registered_model_alias", "set_model_version_tag", "set_terminated",
)  # fmt: skip
MAX_STEPS = 40


class Stopped(BaseException):
    """The process is gone."""


class Process:
    """A process that is stopped before its n-th step; from then on it does nothing more, as one that was killed."""

    def __init__(self) -> None:
        self.left: int | None = None

    def step(self) -> None:
        if self.left is not None:
            if self.left == 0:
                raise Stopped
            self.left -= 1

    def counted(self, function: Callable[..., object]) -> Callable[..., object]:
        def call(*given: object, **named: object) -> object:
            self.step()
            return function(*given, **named)

        return call

    def stopped_before(self, step: int, action: Callable[[], object]) -> bool:
        """Whether an action came to its end; it is stopped before one of its steps."""
        self.left = step
        try:
            action()
        except Stopped:
            return False
        finally:
            self.left = None
        return True


@pytest.fixture
def process(monkeypatch: pytest.MonkeyPatch) -> Process:
    made = Process()
    for name in WRITES:
        monkeypatch.setattr(mlflow.MlflowClient, name, made.counted(getattr(mlflow.MlflowClient, name)))
    for place, name in ((Path, "unlink"), (Path, "replace"), (unfinished.shutil, "rmtree")):
        monkeypatch.setattr(place, name, made.counted(getattr(place, name)))
    return made


@pytest.fixture
def folder(empty_registry: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(empty_registry, tmp_path / "registry"))


@pytest.fixture(autouse=True)
def small_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run of one file; what a real one holds is looked at elsewhere."""

    def lay_out(into: Path, training: Training) -> None:
        (into / "model").mkdir()
        (into / "model" / "file").write_text(training.title)

    monkeypatch.setattr(tracking, "_lay_out", lay_out)


def training(name: str) -> Training:
    return Training(name, {"seed": 1}, {"loss": 0.5}, {"model_sha256": name * 64}, {}, {}, {}, [])


def register(folder: Path, name: str) -> registry.Version:
    return registry._register(folder, registry.MODEL, training(name), "model_sha256")


def whole(folder: Path) -> list[registry.Version]:
    """The versions after whatever was left was mended: every run closed, every version with its files."""
    found = registry.versions(folder)
    assert not (folder / FILE).exists()
    assert tracking.open_runs(open_client(folder)) == []
    kept = {each.run for each in found if not each.withdrawn}
    runs = folder / "runs"
    assert {path.name for path in runs.iterdir() if runs.is_dir()} == kept if runs.exists() else not kept
    aliases = [alias for each in found for alias in each.aliases]
    assert len(aliases) == len(set(aliases))
    return found


def restore(kept: Path, folder: Path) -> None:
    """Make a registry what it was; its database through SQLite, since mlflow has it open."""
    with (
        closing(sqlite3.connect(kept / DATABASE)) as one,
        closing(sqlite3.connect(folder / DATABASE)) as other,
    ):
        one.backup(other)
    shutil.copytree(kept / "runs", folder / "runs", dirs_exist_ok=True)


def steps() -> Iterator[int]:
    yield from range(MAX_STEPS)


def test_a_registration_is_there_with_its_alias_or_not_at_all(folder: Path, process: Process) -> None:
    states = set()
    for step in steps():
        name = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"[step]
        before = len(whole(folder))
        ended = process.stopped_before(step, lambda name=name: register(folder, name))
        found = whole(folder)
        states.add((ended, len(found) - before))
        if len(found) > before:
            assert found[-1].sha256 == name * 64 and found[-1].aliases == ("challenger",)
        else:
            assert register(folder, name).aliases == ("challenger",), "the next command does it"
        if ended:
            break
    assert states == {(False, 0), (False, 1), (True, 1)}, "stopped before and after the version was there"


def test_a_promotion_a_rollback_and_a_withdrawal_are_made_whole_or_not_at_all(
    folder: Path, process: Process
) -> None:
    for name in "abc":
        register(folder, name)
    registry.make_champion(folder, 1)
    registry.make_champion(folder, 2)
    kept = Path(shutil.copytree(folder, folder.with_name("kept")))
    champion = {"promote": (2, 3), "roll back": (2, 1), "withdraw": (2, 1)}
    actions = {
        "promote": lambda at: registry.make_champion(at, 3),
        "roll back": registry.roll_back,
        "withdraw": lambda at: registry.withdraw(at, 2),
    }
    for action, run in actions.items():
        seen = set()
        for step in steps():
            restore(kept, folder)
            ended = process.stopped_before(step, lambda run=run: run(folder))
            found = {alias: each for each in whole(folder) for alias in each.aliases}
            seen.add(found["champion"].number)
            assert found["champion"].number in champion[action]
            if found["champion"].number != 2:
                second, third = registry.versions(folder)[1:]
                assert bool(second.rolled_back) == (action == "roll back")
                assert bool(second.withdrawn) == (action == "withdraw")
                assert ("challenger" in found) == (action != "promote")
                assert bool(third.champion_since) == (action == "promote")
            if ended:
                assert step > 2
                break
        assert seen == set(champion[action])


def test_the_first_registry_is_made_whole_or_not_at_all(
    tmp_path: Path, process: Process, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped while mlflow makes its tables, which it cannot go on with."""
    folder = tmp_path / "registry"
    client = tracking._client

    def half(uri: str) -> object:
        Path(uri.removeprefix("sqlite:///")).write_bytes(b"half of the tables")
        raise Stopped

    monkeypatch.setattr(tracking, "_client", half)
    monkeypatch.setattr(
        folders.Path, "unlink", lambda *_, **__: None
    )  # a process that is gone clears nothing
    with pytest.raises(Stopped):
        registry.versions(folder)
    assert not (folder / DATABASE).exists() and len(list(folder.glob(f".{DATABASE}*"))) == 1
    monkeypatch.undo()
    monkeypatch.setattr(tracking, "_client", client)
    assert registry.versions(folder) == []
    assert not list(folder.glob(f".{DATABASE}*")), "what was left is cleared"


def test_a_withdrawn_version_is_neither_loaded_nor_promoted_nor_rolled_back_to(folder: Path) -> None:
    for name in "abc":
        registry.make_champion(folder, register(folder, name).number)
    assert registry.withdraw(folder, 2).number == 3  # type: ignore[union-attr]
    for ask in (registry.make_champion, registry.locate, registry.find):
        with pytest.raises(InputError, match="withdrawn-version"):
            ask(folder, 2)
    with pytest.raises(InputError, match="which was withdrawn"):
        register(folder, "b")
    assert registry.roll_back(folder).number == 1, "the second is passed over"
    assert registry.withdraw(folder, 1) is None, "nobody is in use"
    assert registry.champion_or_none(folder) is None
    assert [each.number for each in registry.learned_from(folder, ["c" * 64, "a" * 64])] == [3]
