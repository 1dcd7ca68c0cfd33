"""The default bundle is what its card says: hashes of data recipe and file, and a part of its figures anew."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import asdict
from pathlib import Path

import msgspec
import pytest

from faultml.classifier.bundle import MODEL_FILE, Bundle, default_bundle_path, load_bundle, read_manifest
from faultml.faults.catalogue import Catalogue
from faultml.pipelines.training import train as training
from faultml.pipelines.training.card import CARD_FILE, COMPARED, TIMED, figures_of, recipe_digest, write_card
from faultml.pipelines.training.fixed_part import TOLERANCE, fixed_part
from faultml.pipelines.training.risk_figure import RISK_FIGURE


@pytest.fixture(scope="module")
def bundle() -> Bundle:
    return load_bundle()


def test_it_was_trained_with_the_recipe_that_is_here(bundle: Bundle, catalogue: Catalogue) -> None:
    # The hash of the code is information only: what guards the model is the figures measured anew below.
    manifest = bundle.manifest
    assert manifest.catalogue_sha256 == catalogue.digest
    plan = {
        name: list(value) if isinstance(value, tuple) else value for name, value in manifest.recipe.items()
    }
    assert plan == asdict(training.Plan(seed=manifest.seed))


def test_the_card_says_which_file_code_and_recipe_it_speaks_of(catalogue: Catalogue) -> None:
    card = (default_bundle_path() / CARD_FILE).read_text(encoding="utf-8")
    manifest = read_manifest(default_bundle_path())
    for digest in (
        hashlib.sha256((default_bundle_path() / MODEL_FILE).read_bytes()).hexdigest(),
        manifest.code_sha256,
        recipe_digest(asdict(training.Plan(seed=manifest.seed))),
        catalogue.digest,
    ):
        assert f"`{digest}`" in card, "the card is of another model: make train"


def test_the_card_and_its_picture_are_what_the_figures_beside_it_give(tmp_path: Path) -> None:
    here = default_bundle_path()
    for name in (COMPARED, TIMED):
        if (here / name).exists():
            shutil.copy(here / name, tmp_path / name)
    write_card(tmp_path, read_manifest(here))
    for name in (CARD_FILE, RISK_FIGURE):
        again = (tmp_path / name).read_text(encoding="utf-8")
        assert again == (here / name).read_text(encoding="utf-8"), (
            "python -m faultml.pipelines.training.card models writes it anew"
        )


@pytest.mark.parametrize("name", [COMPARED, TIMED])
def test_what_was_measured_beside_the_bundle_was_measured_of_it(name: str) -> None:
    here = default_bundle_path()
    assert figures_of(here, name, read_manifest(here)), (
        f"{name} is of another model, or missing: make {name.removesuffix('.json')}"
    )


def test_figures_of_another_model_stay_off_the_card(tmp_path: Path) -> None:
    here = default_bundle_path()
    figures = msgspec.json.decode((here / COMPARED).read_bytes())
    figures["model"]["sha256"] = "0" * 64
    (tmp_path / COMPARED).write_bytes(msgspec.json.encode(figures))
    write_card(tmp_path, read_manifest(here))
    card = (tmp_path / CARD_FILE).read_text(encoding="utf-8")
    assert "not been compared yet" in card and "## Targets" not in card


def test_a_fixed_part_of_its_figures_comes_out_again(bundle: Bundle, catalogue: Catalogue) -> None:
    again = fixed_part(catalogue, bundle.detector, bundle.swing_filter, bundle.classifier)
    stated = bundle.manifest.evidence["fixed_part"]
    assert again.keys() == stated.keys()
    for marked, figures in again.items():
        assert figures == pytest.approx(stated[marked], rel=TOLERANCE, abs=1e-4)
