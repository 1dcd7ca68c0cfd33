"""The default bundle is what its card says: hashes of code, data recipe and file, and a part of its figures anew."""

from __future__ import annotations

from dataclasses import asdict

import pytest

from faultml.classifier.bundle import Bundle, default_bundle_path, load_bundle
from faultml.faults.catalogue import Catalogue
from faultml.pipelines import train as training
from faultml.pipelines.card import CARD_FILE
from faultml.pipelines.fixed_part import TOLERANCE, fixed_part


@pytest.fixture(scope="module")
def bundle() -> Bundle:
    return load_bundle()


def test_it_was_trained_with_the_code_and_the_recipe_that_are_here(
    bundle: Bundle, catalogue: Catalogue
) -> None:
    manifest = bundle.manifest
    assert manifest.code_sha256 == training.code_digest(), "the model's code has changed: make train"
    assert manifest.catalogue_sha256 == catalogue.digest
    plan = {
        name: list(value) if isinstance(value, tuple) else value for name, value in manifest.recipe.items()
    }
    assert plan == asdict(training.Plan(seed=manifest.seed))


def test_the_card_speaks_of_this_file() -> None:
    manifest = load_bundle().manifest
    card = (default_bundle_path() / CARD_FILE).read_text(encoding="utf-8")
    assert manifest.sha256 in card
    for name in ("contact_marked", "contact_not_marked"):
        for landmark, row in manifest.figures[name]["landmarks_ms"].items():
            assert f"| {landmark} | {row['median']} | {row['p95']} |" in card


def test_a_fixed_part_of_its_figures_comes_out_again(bundle: Bundle, catalogue: Catalogue) -> None:
    again = fixed_part(catalogue, bundle.detector, bundle.gate, bundle.classifier)
    stated = bundle.manifest.evidence["fixed_part"]
    assert again.keys() == stated.keys()
    for marked, figures in again.items():
        assert figures == pytest.approx(stated[marked], rel=TOLERANCE, abs=1e-4)
