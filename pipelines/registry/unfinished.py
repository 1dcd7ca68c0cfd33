"""Changes of a registry that are made whole or not at all, though each takes several steps of mlflow's.

A change is written down before its first step and crossed out after its last one; every step may be done twice. Whoever
opens the registry next finishes what a stopped process has left. A registration is finished where its version is there,
and else undone: its run is closed and its files are removed.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import msgspec

from faultml.pipelines.registry.tracking import DATABASE, open_client, open_runs, run_folder
from faultml.results.folders import PRIVATE_FOLDER, hold_lock, is_held, replaced_file

if TYPE_CHECKING:
    from mlflow import MlflowClient

CHAMPION: Final = "champion"
CHALLENGER: Final = "challenger"
BEFORE: Final = "champion_before"
SINCE: Final = "champion_since"
LEFT: Final = "rolled_back_at"
WITHDRAWN: Final = "withdrawn_at"
"""Tags of a version: the champion before it, and when it became champion, was taken back, was withdrawn."""
FILE: Final = "unfinished.json"


class Change(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A change that is under way.

    Attributes
    ----------
    action
        What is done.
    of, number
        The registered model and its version; 0 of a registration.
    former
        The version that was champion before a promotion, or is champion after the change; 0 for none.
    at
        When, UTC.
    """

    action: Literal["register", "promote", "roll back", "withdraw"]
    of: str
    number: int = 0
    former: int = 0
    at: str = ""


@contextmanager
def writing(folder: Path) -> Iterator[MlflowClient]:
    """A client that alone may change the registry, made where there is none; what was left unfinished is done first."""
    folder.mkdir(PRIVATE_FOLDER, parents=True, exist_ok=True)
    lock = hold_lock(folder)
    try:
        client = open_client(folder, create=True)
        finish(client, folder)
        close_runs(client, folder)
        yield client
    finally:
        if lock is not None:
            os.close(lock)


def reading(folder: Path, *, create: bool = False) -> MlflowClient:
    """A client for reading; what a stopped process has left is finished first, unless somebody is at it.

    Parameters
    ----------
    create
        Whether to make a registry where there is none.

    Raises
    ------
    InputError
        As `open_client`.
    """
    client = open_client(folder) if not create or (folder / DATABASE).is_file() else None
    if client is None or ((folder / FILE).exists() and _is_free(folder)):
        with writing(folder) as client:
            return client
    return client


def carry_out(client: MlflowClient, folder: Path, change: Change) -> None:
    """Make a change, or leave it to the next command where this one is stopped."""
    begin(folder, change)
    finish(client, folder)


def begin(folder: Path, change: Change) -> None:
    """Write down what is about to be done."""
    with replaced_file(folder / FILE) as part:
        part.write_bytes(msgspec.json.encode(change))


def finish(client: MlflowClient, folder: Path) -> None:
    """Do every step of the change that is written down, and cross it out."""
    file = folder / FILE
    if not file.exists():
        return
    change = msgspec.json.decode(file.read_bytes(), type=Change)
    if change.action == "register":
        close_runs(client, folder)
    else:
        _STEPS[change.action](client, folder, change)
    file.unlink()


def close_runs(client: MlflowClient, folder: Path) -> None:
    """Close every run that is still open: as the challenger's where its version is there, else without its files.

    Only whoever holds the registry may ask: no run of somebody else's is open then.
    """
    for run in open_runs(client):
        found = client.search_model_versions(f"run_id='{run}'")
        for version in found:
            client.set_registered_model_alias(version.name, CHALLENGER, version.version)
        if not found:
            shutil.rmtree(run_folder(folder, run).parent, ignore_errors=True)
        client.set_terminated(run, "FINISHED" if found else "KILLED")


def _promote(client: MlflowClient, folder: Path, change: Change) -> None:
    number = str(change.number)
    client.set_model_version_tag(change.of, number, BEFORE, str(change.former or ""))
    client.set_model_version_tag(change.of, number, SINCE, change.at)
    client.set_registered_model_alias(change.of, CHAMPION, number)
    _drop_alias(client, change.of, CHALLENGER, change.number)


def _roll_back(client: MlflowClient, folder: Path, change: Change) -> None:
    client.set_model_version_tag(change.of, str(change.number), LEFT, change.at)
    client.set_registered_model_alias(change.of, CHAMPION, str(change.former))


def _withdraw(client: MlflowClient, folder: Path, change: Change) -> None:
    version = client.get_model_version(change.of, str(change.number))
    client.set_model_version_tag(change.of, version.version, WITHDRAWN, change.at)
    if change.former:
        client.set_registered_model_alias(change.of, CHAMPION, str(change.former))
    for alias in (CHAMPION, CHALLENGER):
        _drop_alias(client, change.of, alias, change.number)
    if version.run_id:
        shutil.rmtree(run_folder(folder, version.run_id).parent, ignore_errors=True)


_STEPS: Final = {"promote": _promote, "roll back": _roll_back, "withdraw": _withdraw}


def _drop_alias(client: MlflowClient, of: str, alias: str, number: int) -> None:
    """Take an alias away from a version, where it has it."""
    aliases = client.get_registered_model(of).aliases
    if alias in aliases and int(aliases[alias]) == number:
        client.delete_registered_model_alias(of, alias)


def _is_free(folder: Path) -> bool:
    """Whether nobody is changing the registry, and this process may."""
    try:
        return not is_held(folder)
    except OSError:  # a registry that may only be read
        return False
