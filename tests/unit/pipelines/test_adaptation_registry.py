"""A coach adaptation from verdicts to champion: learned, registered, judged, promoted, used, and taken back."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner

from faultml.classifier.bundle import default_bundle_path, read_manifest
from faultml.classifier.coach_adaptation import ADAPTATION_FILE, load_adaptation
from faultml.cli import main
from faultml.errors import BundleError, InputError
from faultml.faults.catalogue import Catalogue
from faultml.labels import Verdict, add
from faultml.pipelines.registry import registry
from faultml.pipelines.registry.adaptation_promotion import evaluate_adaptation
from faultml.pipelines.registry.promotion import promote
from faultml.pipelines.registry.served import ServedModel
from faultml.pipelines.registry.tracking import run_folder
from faultml.pipelines.retraining.coach_curve import coach_curve
from faultml.pipelines.retraining.cross_validation import COMMON, HELD_OUT
from faultml.pipelines.retraining.retrain import Learned, gather, retrain
from faultml.recordings.write import write_season
from faultml.results import Results, read_results
from faultml.season import classify_season
from faultml.store import Store, open_store
from faultml.store.people import models_of, note_training
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

pytest.importorskip("mlflow")

COACH = "Ann the Strict"
OF = registry.coach_model(COACH)
GOLFERS = 40
FIXED = 24
"""Golfers of the fixed suites."""


class Judged(NamedTuple):
    """Where a coach whose edges lie elsewhere has judged every full swing of a season."""

    season: Path
    results: Path
    store: Path
    verdicts: list[Verdict]


@pytest.fixture(scope="module")
def judged(catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Judged:
    folder = tmp_path_factory.mktemp("judged")
    recipe = Recipe(golfers=GOLFERS, sessions=1, swings=8, seed=404, non_swing_share=0.0)
    drawn = draw_season(catalogue, recipe)
    write_season(drawn.batch, folder / "season.parquet")
    classify_season([folder / "season.parquet"], folder / "results")
    truth = drawn.truth
    measures = truth[[f"measure_{fault}" for fault in catalogue.ids]].to_numpy(float)
    guards = truth[[f"guard_{fault.id}" for fault in catalogue.faults if fault.guard]].to_numpy(float)
    coach = Coach(-2.0 * catalogue.softness_by_fault, 0.02)
    answers = coach.label(catalogue, measures, guards, np.random.default_rng(6))
    ids = drawn.batch.table[["player", "session", "swing"]].itertuples(index=False)
    said = [
        Verdict(*swing, fault, "yes" if answer else "no", COACH, when="2026-05-01")
        for swing, row in zip(ids, answers, strict=True)
        for fault, answer in zip(catalogue.ids, row, strict=True)
        if np.isfinite(answer)
    ]
    with open_store(folder / "store.sqlite") as store:
        add(store, said)
    return Judged(folder / "season.parquet", folder / "results", folder / "store.sqlite", said)


class Kept(NamedTuple):
    """A registry with a coach's challenger."""

    folder: Path
    version: registry.Version
    adaptation: Path
    learned: Learned


def learn(
    judged: Judged, catalogue: Catalogue, store: Path, folder: Path, results: list[Results] | None = None
) -> Kept:
    bundle = registry.load_bundle()
    with open_store(store) as opened:
        learned = retrain(
            opened, COACH, results or [read_results(judged.results)], bundle, catalogue, folder / "adapted"
        )
    curve = coach_curve(catalogue, bundle.classifier, learned.labelled)
    version = registry.register_adaptation(
        folder / "registry", default_bundle_path(), folder / "adapted", curve
    )
    return Kept(folder / "registry", version, folder / "adapted", learned)


@pytest.fixture(scope="module")
def first(
    judged: Judged, catalogue: Catalogue, empty_registry: Path, tmp_path_factory: pytest.TempPathFactory
) -> Kept:
    folder = tmp_path_factory.mktemp("kept")
    shutil.copytree(empty_registry, folder / "registry")
    return learn(judged, catalogue, judged.store, folder)


@pytest.fixture
def kept(first: Kept, tmp_path: Path) -> Kept:
    """A copy of it."""
    return first._replace(folder=Path(shutil.copytree(first.folder, tmp_path / "registry")))


def opened(judged: Judged, tmp_path: Path) -> Store:
    """A copy of the coach's store."""
    return open_store(Path(shutil.copy(judged.store, tmp_path / "store.sqlite")))


def test_a_run_holds_what_was_learned_and_no_player(kept: Kept, judged: Judged) -> None:
    from faultml.pipelines.registry.tracking import open_client

    assert (kept.version.number, kept.version.aliases, kept.version.coach) == (1, ("challenger",), COACH)
    adaptation, _ = load_adaptation(kept.adaptation)
    run = open_client(kept.folder).get_run(kept.version.run)
    assert run.data.tags["adaptation_sha256"] == adaptation.sha256 == kept.version.adaptation_sha256
    assert run.data.tags["labels_sha256"] == adaptation.labels_sha256 and len(adaptation.labels_sha256) == 64
    assert run.data.tags["model_sha256"] == adaptation.model_sha256
    assert run.data.params["golfers"] == str(GOLFERS)
    assert run.data.metrics["held_out.adapted"] == pytest.approx(adaptation.held_out["adapted"])
    files = run_folder(kept.folder, kept.version.run)
    for name, word in (("edges", "flexed_top"), ("learning", "golfers learned from")):
        assert word in "".join(ElementTree.parse(files / "figures" / f"{name}.svg").getroot().itertext())
    assert (files / "tables" / "learning.csv").read_text().startswith("golfers,default,adapted\n")
    players = {verdict.player for verdict in judged.verdicts}
    texts = [
        path.read_text() for path in files.rglob("*") if path.suffix in {".csv", ".json", ".svg", ".toml"}
    ]
    assert not [
        player for player in players for text in texts if f'"{player}"' in text or f"\n{player}," in text
    ]


def test_it_becomes_champion_is_used_and_the_results_say_so(
    kept: Kept, judged: Judged, tmp_path: Path, catalogue: Catalogue
) -> None:
    with opened(judged, tmp_path) as store:
        said = evaluate_adaptation(kept.folder, COACH, store, [read_results(judged.results)], golfers=FIXED)
    assert said.verdict.passed, said.report
    assert said.verdict.comparisons[0].name == HELD_OUT and "the model by itself" in said.report
    assert said.verdict.comparisons[0].log_loss.lo > 0.02
    kept_report = run_folder(kept.folder, kept.version.run) / "promotion" / "against_nobody.md"
    assert kept_report.read_text() == said.report
    champion = promote(kept.folder, said)
    assert champion is not None and champion.of == OF and champion.aliases == ("champion",)
    words = ["classify", str(judged.season), "--registry", str(kept.folder), "--coach", COACH, "--no-report"]
    done = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "r")], catch_exceptions=False)
    assert done.exit_code in (0, 3), done.output
    run = json.loads((tmp_path / "r" / "run.json").read_text())
    adaptation, edges = load_adaptation(kept.adaptation)
    assert run["registry"] == {"model": OF, "version": 1, "alias": "champion"}
    assert run["coach"]["name"] == COACH and run["coach"]["adaptation_sha256"] == adaptation.sha256
    assert run["coach"]["learned"] == adaptation.learned and run["model"]["sha256"] == adaptation.model_sha256
    faults = read_results(tmp_path / "r").faults
    assert faults.loc[faults["fault"] == "flip", "edge"].unique() == edges.edge("flip").value
    # mlflow's model answers with the same adaptation.
    bundle, seen = registry.load_coach(kept.folder, COACH)
    served = ServedModel(registry.path_of(kept.folder, champion)).assessor
    assert seen.edge("flip") == served.catalogue.edge("flip") == edges.edge("flip")
    np.testing.assert_array_equal(served.bundle.classifier.softness, bundle.classifier.softness)


def test_verdicts_of_other_swings_are_refused(judged: Judged, catalogue: Catalogue, tmp_path: Path) -> None:
    """Shuffled: every answer given to another golfer's swing."""
    random = np.random.default_rng(1)
    mixed = [
        verdict._replace(verdict=judged.verdicts[other].verdict)
        for verdict, other in zip(judged.verdicts, random.permutation(len(judged.verdicts)), strict=True)
    ]
    with open_store(tmp_path / "store.sqlite") as store:
        add(store, mixed)
        kept = learn(judged, catalogue, store.path, tmp_path)
        said = evaluate_adaptation(kept.folder, COACH, store, [read_results(judged.results)], golfers=FIXED)
    assert not said.verdict.passed and promote(kept.folder, said) is None
    assert any("it moves nothing" in reason for reason in said.verdict.reasons)
    assert any(f"{COMMON}: log loss is not shown better" in reason for reason in said.verdict.reasons)


def test_an_adaptation_is_tested_on_the_verdicts_it_was_learned_from(
    kept: Kept, judged: Judged, tmp_path: Path
) -> None:
    flipped = {"yes": "no", "no": "yes"}
    with opened(judged, tmp_path) as store:
        one = judged.verdicts[0]
        add(store, [one._replace(verdict=flipped[one.verdict], when="2026-06-01")])
        with pytest.raises(InputError, match="labels-changed"):
            evaluate_adaptation(kept.folder, COACH, store, [read_results(judged.results)], golfers=FIXED)


def test_more_labels_of_the_same_golfers_are_compared_fairly(
    judged: Judged, catalogue: Catalogue, empty_registry: Path, tmp_path: Path
) -> None:
    """The champion has learned from one swing of each golfer, the challenger from all of their swings."""
    folder, bundle = Path(shutil.copytree(empty_registry, tmp_path / "registry")), registry.load_bundle()
    results, first = [read_results(judged.results)], judged.verdicts[0].swing
    with open_store(tmp_path / "store.sqlite") as store:

        def learned(verdicts: list[Verdict]) -> registry.Version:
            add(store, verdicts)
            retrain(store, COACH, results, bundle, catalogue, tmp_path / "adapted")
            return registry.register_adaptation(folder, default_bundle_path(), tmp_path / "adapted")

        few = [each for each in judged.verdicts if each.swing == first]
        registry.make_champion(folder, learned(few).number, OF)
        learned([each for each in judged.verdicts if each.swing != first])
        said = evaluate_adaptation(folder, COACH, store, results, golfers=FIXED)
        assert (
            f"learned anew from the verdicts that it had on {GOLFERS} of its {GOLFERS} swings" in said.report
        )
        held_out = said.verdict.comparisons[0]
        assert (held_out.name, held_out.golfers) == (HELD_OUT, GOLFERS) and held_out.log_loss.lo > 0
        assert said.verdict.passed and "champion 1" in said.report
        # The verdicts behind the champion are gone, so that it cannot be learned anew without golfers it knows.
        with store.writing() as connection:
            connection.exec_driver_sql(f"DELETE FROM trainings WHERE last_verdict = {len(few)}")
        said = evaluate_adaptation(folder, COACH, store, results, golfers=FIXED)
    assert "could not be learned anew" in said.report and not said.verdict.passed
    assert any(f"{HELD_OUT}: 0 golfers" in reason for reason in said.verdict.reasons)


def test_the_training_is_noted_before_its_files_appear(
    judged: Judged, catalogue: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from faultml.classifier import coach_adaptation

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(coach_adaptation, "_put", stopped)
    with opened(judged, tmp_path) as store:
        before = len(models_of(store, judged.verdicts[0].player))
        with pytest.raises(KeyboardInterrupt):
            retrain(
                store,
                COACH,
                [read_results(judged.results)],
                registry.load_bundle(),
                catalogue,
                tmp_path / "a",
            )
        assert len(models_of(store, judged.verdicts[0].player)) == before + 1
    assert not list((tmp_path / "a").iterdir())


def test_forgetting_a_player_takes_the_versions_that_know_them_out_of_use(
    kept: Kept, judged: Judged, tmp_path: Path
) -> None:
    registry.make_champion(kept.folder, 1, OF)
    registry.register(kept.folder, default_bundle_path())
    store = Path(shutil.copy(judged.store, tmp_path / "store.sqlite"))
    with open_store(store) as held:
        note_training(held, kept.version.adaptation_sha256, {each.player for each in judged.verdicts})

    def run(*words: object) -> str:
        done = CliRunner().invoke(
            main, [*map(str, words), "--store", str(store), "--registry", str(kept.folder)]
        )
        assert done.exit_code == 0, done.output
        return done.output

    forget = ("players", "forget", judged.verdicts[0].player)
    named = f"version 1 of {OF}, champion, with its files"
    assert named in run(*forget, "--dry-run") and registry.champion_or_none(kept.folder, OF)
    assert named in run(*forget, "--yes")
    assert registry.champion_or_none(kept.folder, OF) is None
    assert not run_folder(kept.folder, kept.version.run).exists()
    assert registry.find(kept.folder, "challenger").number == 1, "everybody's model has not learned from them"
    assert "No version has learned" in run("models", "withdraw", "--forgotten")
    assert (
        "withdrawn 20" in CliRunner().invoke(main, ["models", "list", "--registry", str(kept.folder)]).output
    )
    said = CliRunner().invoke(
        main, ["models", "withdraw", "--version", "1", "--registry", str(kept.folder), "--yes"]
    )
    assert "Withdrawn: version 1 of faultml; none is in use." in said.output


def test_what_was_changed_in_the_registry_is_refused(kept: Kept, judged: Judged) -> None:
    path = registry.path_of(kept.folder, kept.version)
    adaptation = path / ADAPTATION_FILE
    adaptation.write_text(
        adaptation.read_text().replace(
            f'"lapse_rate": {load_adaptation(kept.adaptation)[0].lapse_rate}', '"lapse_rate": 0.4'
        )
    )
    with pytest.raises(BundleError, match="as registered"):
        registry.load_coach(kept.folder, COACH, 1)


def test_everybodys_model_and_coaches_are_kept_apart(kept: Kept) -> None:
    assert registry.versions(kept.folder) == []
    registry.register(kept.folder, default_bundle_path())
    with pytest.raises(InputError, match="already-registered"):
        registry.register_adaptation(kept.folder, default_bundle_path(), kept.adaptation)
    listed = CliRunner().invoke(main, ["models", "list", "--registry", str(kept.folder)]).output.splitlines()
    assert [line.split()[:2] for line in listed] == [["faultml", "1"], [OF, "1"]]
    sha256 = read_manifest(default_bundle_path()).sha256
    assert {each.sha256 for each in registry.all_versions(kept.folder)} == {sha256}


def test_the_commands_keep_a_training_in_a_registry(
    judged: Judged, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(*words: object, code: int = 0) -> str:
        done = CliRunner().invoke(main, [str(word) for word in words])
        assert done.exit_code == code, done.output
        return done.output

    def trained(*_: object, **__: object) -> object:
        shutil.copytree(default_bundle_path(), tmp_path / "model", dirs_exist_ok=True)
        return read_manifest(default_bundle_path())

    monkeypatch.setattr("faultml.pipelines.training.train.train", trained)
    at = ("--registry", tmp_path / "registry")
    assert "as version 1" in run("train", "--out", tmp_path / "model", "--quiet", *at)
    assert "Was in" in run("train", "--out", tmp_path / "model", "--quiet", *at)
    store = shutil.copy(judged.store, tmp_path / "store.sqlite")
    words = (
        "retrain",
        "--coach",
        COACH,
        "--results",
        judged.results,
        "--store",
        store,
        "--out",
        tmp_path / "adapted",
    )
    assert f"version 1 of {OF}, the challenger" in run(*words, *at)
    assert "no-former-champion" in run("models", "rollback", "--coach", COACH, *at, code=2)
    assert "--coach goes with --results" in run("models", "promote", "--coach", COACH, *at, code=2)
    bob = ("models", "promote", "--coach", "bob", "--results", judged.results, "--store", store)
    assert "no-version" in run(*bob, *at, code=2)


@pytest.mark.parametrize("coaches", [("ann", "Ann"), ("a b", "a-b"), ("ä", "ö"), ("a/b", "a:b")])
def test_each_coach_has_a_model_of_their_own(coaches: tuple[str, str]) -> None:
    one, other = map(registry.coach_model, coaches)
    assert one != other and all(
        set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") for name in (one, other)
    )
    assert registry.coach_model("ann") == "coach-ann"


def test_the_digest_of_verdicts_does_not_depend_on_their_order(
    judged: Judged, catalogue: Catalogue, tmp_path: Path
) -> None:
    bundle, results = registry.load_bundle(), [read_results(judged.results)]
    with opened(judged, tmp_path) as store, open_store(tmp_path / "other.sqlite") as other:
        add(other, judged.verdicts[::-1])
        digests = {gather(each, COACH, results, bundle, catalogue).labels_sha256 for each in (store, other)}
    assert len(digests) == 1
