"""Which model is in use: versions of one registered model, its champion and its challenger, and how they changed."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from faultml.classifier.bundle import Bundle, load_bundle
from faultml.errors import BundleError, InputError
from faultml.pipelines.tracking import bundle_folder, log_training, manifest_hashes, open_client, run_folder

if TYPE_CHECKING:
    from mlflow import MlflowClient

MODEL: Final = "faultml"
CHAMPION: Final = "champion"
CHALLENGER: Final = "challenger"
_BEFORE, _SINCE, _LEFT = "champion_before", "champion_since", "rolled_back_at"


class Version(NamedTuple):
    """One registered version.

    Attributes
    ----------
    number
        In the order of registering, from 1.
    run
        The training's run.
    model
        Name and version of the bundle.
    sha256
        Of its model file, as it was registered.
    registered
        When, UTC.
    aliases
        ``champion``, ``challenger`` or none.
    champion_since, rolled_back
        When it last became champion, and when it last was taken back; "" where never.
    """

    number: int
    run: str
    model: str
    sha256: str
    registered: str
    aliases: tuple[str, ...]
    champion_since: str
    rolled_back: str


def register(folder: Path, bundle: Path, **more: Any) -> Version:
    """Log a bundle's training and make it the challenger; `more` as `log_training` takes it.

    Raises
    ------
    BundleError
        Where the bundle does not load: then nothing is registered.
    """
    manifest = load_bundle(bundle).manifest
    client = open_client(folder, create=True)
    known = next((each for each in versions(folder) if each.sha256 == manifest.sha256), None)
    if known:
        raise InputError(
            "already-registered",
            where=str(bundle),
            expected="another model",
            found=f"version {known.number}, the same file",
        )
    run = log_training(folder, bundle, **more)
    if not client.search_registered_models(f"name='{MODEL}'"):
        client.create_registered_model(MODEL, description="Lead-wrist fault model, judged by its gate.")
    tags = manifest_hashes(manifest) | {"model": f"{manifest.name} {manifest.version}"}
    source = str((run_folder(folder, run) / "model").resolve())
    made = client.create_model_version(MODEL, source, run, tags=tags)
    client.set_registered_model_alias(MODEL, CHALLENGER, made.version)
    return find(folder, int(made.version))


def versions(folder: Path) -> list[Version]:
    """Every registered version, the oldest first; none in an empty folder."""
    return _versions(open_client(folder, create=True))


def find(folder: Path, number: int | str) -> Version:
    """The version of that number or alias; raises `InputError` where there is none."""
    for each in versions(folder):
        if each.number == number or number in each.aliases:
            return each
    raise InputError("no-version", where=str(folder), expected="a registered version", found=str(number))


def champion_or_none(folder: Path) -> Version | None:
    """The version in use; None where none was promoted yet."""
    return next((each for each in versions(folder) if CHAMPION in each.aliases), None)


def make_champion(folder: Path, number: int) -> Version:
    """Put a version in use, whatever the gate said; the one before is remembered for `roll_back`."""
    client = open_client(folder)
    before, chosen = champion_or_none(folder), find(folder, number)
    if before and before.number == number:
        raise InputError("already-champion", expected="another version", found=str(number))
    client.set_model_version_tag(MODEL, str(number), _BEFORE, str(before.number) if before else "")
    client.set_model_version_tag(MODEL, str(number), _SINCE, _now())
    client.set_registered_model_alias(MODEL, CHAMPION, str(number))
    if CHALLENGER in chosen.aliases:
        client.delete_registered_model_alias(MODEL, CHALLENGER)
    return find(folder, number)


def roll_back(folder: Path) -> Version:
    """Put the champion before this one in use again.

    Raises
    ------
    InputError
        ``no-former-champion`` where there was none.
    """
    client = open_client(folder)
    now = champion_or_none(folder)
    tags = client.get_model_version(MODEL, str(now.number)).tags if now else {}
    if not now or not tags.get(_BEFORE):
        raise InputError("no-former-champion", where=str(folder), expected="a champion that followed another")
    former = find(folder, int(tags[_BEFORE]))
    client.set_model_version_tag(MODEL, str(now.number), _LEFT, _now())
    client.set_registered_model_alias(MODEL, CHAMPION, str(former.number))
    return find(folder, former.number)


def load_version(folder: Path, number: int | str = CHAMPION) -> Bundle:
    """The bundle of a version or alias, read by our own loader: mlflow's files beside it are not looked at.

    Raises
    ------
    BundleError
        Where it is not the file that was registered, or `load_bundle` refuses it.
    """
    version = find(folder, number)
    bundle = load_bundle(path_of(folder, version))
    if bundle.manifest.sha256 != version.sha256:
        raise BundleError(
            "bundle-changed",
            where=str(path_of(folder, version)),
            expected=f"SHA-256 {version.sha256[:12]}..., as registered",
            found=f"{bundle.manifest.sha256[:12]}...",
        )
    return bundle


def path_of(folder: Path, version: Version) -> Path:
    """The folder of a version's bundle."""
    return bundle_folder(folder, version.run)


def keep_report(folder: Path, version: Version, name: str, text: str) -> None:
    """Keep a report among the files of a version's run."""
    path = run_folder(folder, version.run) / "gate" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def _versions(client: MlflowClient) -> list[Version]:
    models = client.search_registered_models(f"name='{MODEL}'")
    if not models:
        return []
    aliases: dict[int, list[str]] = {}
    for alias, number in models[0].aliases.items():
        aliases.setdefault(int(number), []).append(alias)
    found = [
        Version(
            number=int(each.version),
            run=each.run_id or "",
            model=each.tags.get("model", ""),
            sha256=each.tags.get("model_sha256", ""),
            registered=_time(each.creation_timestamp / 1000),
            aliases=tuple(sorted(aliases.get(int(each.version), []))),
            champion_since=each.tags.get(_SINCE, ""),
            rolled_back=each.tags.get(_LEFT, ""),
        )
        for each in client.search_model_versions(f"name='{MODEL}'")
    ]
    return sorted(found, key=lambda each: each.number)


def _now() -> str:
    return _time(datetime.now(UTC).timestamp())


def _time(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")
