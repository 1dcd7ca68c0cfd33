"""Which model is in use: versions of registered models, their champions and challengers, and how they changed.

There is one registered model of everybody's, and one more for each coach with an adaptation: a version of that
holds the adaptation and the model whose measures it rests on, so that the two always go together.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from faultml.classifier.bundle import MANIFEST_FILE, Bundle, Registered, load_bundle
from faultml.classifier.coach_adaptation import load_adaptation, with_adaptation
from faultml.errors import BundleError, InputError
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.registry import unfinished
from faultml.pipelines.registry.tracking import bundle_folder, log_training, run_folder
from faultml.pipelines.registry.unfinished import BEFORE, CHAMPION, LEFT, SINCE, WITHDRAWN, Change

if TYPE_CHECKING:
    from mlflow import MlflowClient

    from faultml.pipelines.registry.trainings import Training

MODEL: Final = "faultml"
"""The registered model of everybody's."""
_OF_COACH: Final = "coach-"


class Version(NamedTuple):
    """One registered version.

    Attributes
    ----------
    of
        The registered model: `MODEL`, or `coach_model` of a coach.
    number
        In the order of registering, from 1.
    run
        The training's run.
    model
        Name and version of the bundle.
    sha256
        Of its model file, as it was registered.
    manifest_sha256
        Of its manifest file; "" where an older program registered it.
    adaptation_sha256, coach, labels_sha256
        Of a coach adaptation: its hash, whose it is, and the hash of the verdicts behind it; "" for everybody's.
    registered
        When, UTC.
    aliases
        ``champion``, ``challenger`` or none.
    champion_since, rolled_back, withdrawn
        When it last became champion, when it last was taken back, and when it was withdrawn; "" where never.
    """

    of: str
    number: int
    run: str
    model: str
    sha256: str
    manifest_sha256: str
    adaptation_sha256: str
    coach: str
    labels_sha256: str
    registered: str
    aliases: tuple[str, ...]
    champion_since: str
    rolled_back: str
    withdrawn: str


class Located(NamedTuple):
    """Where a version's files lie, and what it must be: `faultml.classifier.bundle.load_bundle` takes both."""

    path: Path
    registered: Registered


def coach_model(coach: str) -> str:
    """The registered model of a coach: their name as far as it can stand in an address, distinguished by its hash."""
    plain = re.sub(r"[^a-z0-9]+", "-", coach.lower()).strip("-")
    exact = "" if plain == coach else f"-{hashlib.sha256(coach.encode()).hexdigest()[:8]}"
    return f"{_OF_COACH}{plain or 'unnamed'}{exact}"


def register(folder: Path, bundle: Path) -> Version:
    """Log a bundle's training and make it the challenger.

    Raises
    ------
    BundleError
        Where the bundle does not load: then nothing is registered.
    InputError
        ``already-registered``.
    """
    from faultml.pipelines.registry.trainings import of_bundle

    load_bundle(bundle)
    return _register(folder, MODEL, of_bundle(bundle), "model_sha256")


def register_adaptation(
    folder: Path, bundle: Path, adaptation: Path, curve: list[dict[str, float]] | None = None
) -> Version:
    """Log how a coach adaptation was learned on a bundle's measures, and make it the coach's challenger.

    Parameters
    ----------
    bundle, adaptation
        Their folders.
    curve
        As in `faultml.pipelines.registry.trainings.of_adaptation`.

    Raises
    ------
    BundleError
        Where the bundle or the adaptation does not load, or they do not go together.
    InputError
        ``already-registered``.
    """
    from faultml.pipelines.registry.trainings import of_adaptation

    seen, _ = load_adaptation(adaptation)
    with_adaptation(load_bundle(bundle), seen)
    return _register(
        folder, coach_model(seen.coach), of_adaptation(bundle, adaptation, curve or ()), "adaptation_sha256"
    )


def versions(folder: Path, of: str = MODEL) -> list[Version]:
    """Every version of a registered model, the oldest first; none in an empty folder."""
    return _versions(unfinished.reading(folder, create=True), of)


def all_versions(folder: Path) -> list[Version]:
    """Every version: of everybody's model, then of each coach's."""
    client = unfinished.reading(folder, create=True)
    names = [each.name for each in client.search_registered_models()]
    order = sorted(names, key=lambda name: (name != MODEL, name))
    return [version for name in order for version in _versions(client, name)]


def version_of(folder: Path, sha256: str, of: str = MODEL) -> Version | None:
    """The version that holds a file already: the model file, or a coach adaptation; None where none does."""
    return _version_of(versions(folder, of), sha256)


def find(folder: Path, number: int | str, of: str = MODEL) -> Version:
    """The version of that number or alias.

    Raises
    ------
    InputError
        ``no-version`` where there is none, ``withdrawn-version``.
    """
    return _find(unfinished.reading(folder), folder, number, of)


def champion_or_none(folder: Path, of: str = MODEL) -> Version | None:
    """The version in use; None where none was promoted yet."""
    return _champion(versions(folder, of))


def make_champion(folder: Path, number: int, of: str = MODEL) -> Version:
    """Put a version in use, whatever the promotion test said; the one before is remembered for `roll_back`."""
    _must_be_there(folder)
    with unfinished.writing(folder) as client:
        before, chosen = _champion(_versions(client, of)), _find(client, folder, number, of)
        if before and before.number == number:
            raise InputError("already-champion", expected="another version", found=str(number))
        former = before.number if before else 0
        unfinished.carry_out(client, folder, Change("promote", of, chosen.number, former, _now()))
        return _find(client, folder, number, of)


def roll_back(folder: Path, of: str = MODEL) -> Version:
    """Put the champion before this one in use again; one that was withdrawn is passed over.

    Raises
    ------
    InputError
        ``no-former-champion`` where there was none.
    """
    _must_be_there(folder)
    with unfinished.writing(folder) as client:
        now = _champion(_versions(client, of))
        former = _former(client, now) if now else 0
        if not now or not former:
            raise InputError(
                "no-former-champion", where=str(folder), expected="a champion that followed another"
            )
        unfinished.carry_out(client, folder, Change("roll back", of, now.number, former, _now()))
        return _find(client, folder, former, of)


def withdraw(folder: Path, number: int, of: str = MODEL) -> Version | None:
    """Take a version out of use for good and delete its files; the champion before it, if any, is in use again.

    What is left is that it was there: numbers, hashes and how it was measured.

    Returns
    -------
    version
        The one in use now; None where none is.

    Raises
    ------
    InputError
        As `find`.
    """
    _must_be_there(folder)
    with unfinished.writing(folder) as client:
        version = _find(client, folder, number, of)
        former = _former(client, version) if CHAMPION in version.aliases else 0
        unfinished.carry_out(client, folder, Change("withdraw", of, version.number, former, _now()))
        return _champion(_versions(client, of))


def learned_from(folder: Path, models: Collection[str]) -> list[Version]:
    """The versions that hold one of these models or adaptations, by SHA-256, and were not withdrawn.

    What the store says has learned from a player (`faultml.store.people.models_of`) is found so.
    """
    return [
        each
        for each in all_versions(folder)
        if not each.withdrawn and {each.adaptation_sha256, each.sha256} & set(models)
    ]


def locate(folder: Path, number: int | str = CHAMPION, of: str = MODEL) -> Located:
    """Where the files of a version or alias lie, without loading them.

    Raises
    ------
    InputError
        ``no-version`` where there is none.
    BundleError
        ``bundle-changed`` where its manifest, which says from where on a fault is flagged, is not the one registered.
    """
    version = find(folder, number, of)
    alias = number if isinstance(number, str) else ""
    registered = Registered(of, version.number, alias, version.sha256, version.adaptation_sha256)
    path = path_of(folder, version)
    _check_manifest(path, version)
    return Located(path, registered)


def load_version(folder: Path, number: int | str = CHAMPION, of: str = MODEL) -> Bundle:
    """The bundle of a version or alias, read by our own loader: mlflow's files beside it are not looked at.

    Raises
    ------
    BundleError
        Where it is not the file that was registered, or `load_bundle` refuses it.
    """
    return load_bundle(*locate(folder, number, of))


def load_coach(folder: Path, coach: str, number: int | str = CHAMPION) -> tuple[Bundle, Catalogue]:
    """A version of a coach's: the model as this coach sees, and the catalogue with their edges.

    Raises
    ------
    BundleError
        As `load_version`, and where the adaptation is not the one that was registered.
    """
    path, registered = locate(folder, number, coach_model(coach))
    adaptation, catalogue = load_adaptation(path, registered.adaptation_sha256)
    return with_adaptation(load_bundle(path, registered), adaptation), catalogue


def path_of(folder: Path, version: Version) -> Path:
    """The folder of a version's bundle."""
    return bundle_folder(folder, version.run)


def keep_report(folder: Path, version: Version, name: str, text: str) -> None:
    """Keep a report among the files of a version's run."""
    path = run_folder(folder, version.run) / "promotion" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def _register(folder: Path, of: str, training: Training, digest: str) -> Version:
    """Log a training and make it the challenger of a registered model; `digest` names the hash that tells it apart."""
    with unfinished.writing(folder) as client:
        known = _version_of(_versions(client, of), training.hashes[digest])
        if known:
            raise InputError(
                "already-registered",
                where=training.title,
                expected="another model",
                found=f"version {known.number}, the same file{', which was withdrawn' if known.withdrawn else ''}",
            )
        unfinished.begin(folder, Change("register", of))
        try:
            run = log_training(client, folder, training)
            if not client.search_registered_models(f"name='{of}'"):
                client.create_registered_model(
                    of, description="Lead-wrist fault model, judged by its promotion test."
                )
            tags = {**training.hashes, **_tags(training)}
            source = str((run_folder(folder, run) / "model").resolve())
            made = client.create_model_version(of, source, run, tags=tags)
        finally:
            unfinished.finish(client, folder)
        return _find(client, folder, int(made.version), of)


def _must_be_there(folder: Path) -> None:
    """Say that there is no registry before anything is written."""
    unfinished.reading(folder)


def _version_of(known: list[Version], sha256: str) -> Version | None:
    return next((each for each in known if sha256 == (each.adaptation_sha256 or each.sha256)), None)


def _champion(known: list[Version]) -> Version | None:
    return next((each for each in known if CHAMPION in each.aliases), None)


def _find(client: MlflowClient, folder: Path, number: int | str, of: str) -> Version:
    for each in _versions(client, of):
        if each.number == number or number in each.aliases:
            if each.withdrawn:
                raise InputError(
                    "withdrawn-version",
                    where=str(folder),
                    expected="a version that is in use or may be",
                    found=f"{number} of {of}, withdrawn {each.withdrawn}",
                )
            return each
    raise InputError(
        "no-version",
        where=str(folder),
        expected=f"a registered version of {of}; faultml models list shows them",
        found=f"no {number}" if isinstance(number, str) else str(number),
    )


def _former(client: MlflowClient, version: Version) -> int:
    """The number of the last champion before a version that was not withdrawn; 0 where there was none."""
    withdrawn = {each.number for each in _versions(client, version.of) if each.withdrawn}
    seen, number = {version.number}, version.number
    while True:
        number = int(client.get_model_version(version.of, str(number)).tags.get(BEFORE) or 0)
        if number in seen:  # promoted again after it was taken back: what was before is not known any more
            return 0
        if number not in withdrawn:
            return number
        seen.add(number)


def _check_manifest(path: Path, version: Version) -> None:
    """The model file is checked by whoever loads it; what it promises stands in the manifest beside it."""
    file = path / MANIFEST_FILE
    found = hashlib.sha256(file.read_bytes()).hexdigest() if file.is_file() else ""
    if version.manifest_sha256 not in ("", found):
        raise BundleError(
            "bundle-changed",
            where=str(file),
            expected=f"SHA-256 {version.manifest_sha256[:12]}..., as registered",
            found=f"{found[:12]}..." if found else "no file",
        )


def _tags(training: Training) -> Mapping[str, str]:
    return {"model": training.title, "coach": str(training.parameters.get("coach", ""))}


def _versions(client: MlflowClient, of: str) -> list[Version]:
    models = client.search_registered_models(f"name='{of}'")
    if not models:
        return []
    aliases: dict[int, list[str]] = {}
    for alias, number in models[0].aliases.items():
        aliases.setdefault(int(number), []).append(alias)
    found = [
        Version(
            of=of,
            number=int(each.version),
            run=each.run_id or "",
            model=each.tags.get("model", ""),
            sha256=each.tags.get("model_sha256", ""),
            manifest_sha256=each.tags.get("manifest_sha256", ""),
            adaptation_sha256=each.tags.get("adaptation_sha256", ""),
            coach=each.tags.get("coach", ""),
            labels_sha256=each.tags.get("labels_sha256", ""),
            registered=_time(each.creation_timestamp / 1000),
            aliases=tuple(sorted(aliases.get(int(each.version), []))),
            champion_since=each.tags.get(SINCE, ""),
            rolled_back=each.tags.get(LEFT, ""),
            withdrawn=each.tags.get(WITHDRAWN, ""),
        )
        for each in client.search_model_versions(f"name='{of}'")
    ]
    return sorted(found, key=lambda each: each.number)


def _now() -> str:
    return _time(datetime.now(UTC).timestamp())


def _time(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")
