"""A coach's own verdicts: an estimate below some 55 golfers, shown from there on where flags bear it out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from label_fakes import fake_frame
from scipy.stats import binom

from faultml.classifier.assess import Assessor
from faultml.classifier.bundle import Bundle
from faultml.classifier.promise import read_own_promise
from faultml.cli import main
from faultml.coaching.rules import load_coaching
from faultml.errors import BundleError, InputError
from faultml.faults.catalogue import Catalogue
from faultml.labels import Verdict, add
from faultml.pipelines.retraining.own_promise import encode, learn_own_promise, report_lines
from faultml.report.promise import promise_words
from faultml.results import FAULTS, PROBLEMS, SWINGS, Results, ResultsWriter, read_results
from faultml.store import Store, open_store
from faultml.synthetic.season import SyntheticSeason

SHARE = 0.10
FAULTS_JUDGED = ("flip", "flexed_top")


def season(folder: Path, bundle: Bundle, catalogue: Catalogue, golfers: int, swings: int = 3) -> Results:
    """Every swing of every golfer flagged for a flip, none for a bow; not assessed once."""
    rows, faults = [], []
    for golfer in range(golfers):
        for swing in range(swings):
            ids = {"player": f"g{golfer:03d}", "session": "2031-04-05", "swing": f"{swing:03d}"}
            rows.append({**ids, "assessed": True})
            for fault in FAULTS_JUDGED:
                reported = {"status": "assessed", "flagged": fault == "flip", "edge": catalogue[fault].edge}
                faults.append({**ids, "fault": fault, **reported})
    with ResultsWriter(folder) as results:
        results.append("swings", fake_frame(SWINGS, rows))
        results.append("faults", fake_frame(FAULTS, faults))
        results.append("problems", fake_frame(PROBLEMS, []))
        results.write("players", pd.DataFrame([{"player": "g000", "fault": "flip"}]))
        results.run |= {"model": {"sha256": bundle.manifest.sha256}, "promise": {"false_share": SHARE}}
    return read_results(folder)


def judge(store: Store, results: Results, wrong: set[tuple[str, str]], coach: str = "ann") -> None:
    flips = results.faults[results.faults["fault"].isin(FAULTS_JUDGED)]
    given = [
        Verdict(row.player, row.session, row.swing, row.fault, "no" if _no(row, wrong) else "yes", coach)
        for row in flips.itertuples()
    ]
    add(store, given)


def _no(row: object, wrong: set[tuple[str, str]]) -> bool:
    return row.fault != "flip" or (row.player, row.swing) in wrong  # type: ignore[attr-defined]


@pytest.fixture
def store(tmp_path: Path):
    with open_store(tmp_path / "coach.sqlite") as opened:
        yield opened


def learned(
    tmp_path: Path,
    store: Store,
    bundle: Bundle,
    catalogue: Catalogue,
    golfers: int,
    wrong: set[tuple[str, str]],
):
    results = season(tmp_path / f"r{golfers}", bundle, catalogue, golfers)
    judge(store, results, wrong)
    return learn_own_promise(store, "ann", [results], bundle, catalogue)


def test_below_some_55_golfers_it_is_an_estimate_however_good(
    tmp_path: Path, store: Store, bundle: Bundle, catalogue: Catalogue
) -> None:
    few = learned(tmp_path, store, bundle, catalogue, 55, set())
    assert (few.golfers, few.faults["flip"].flagged, few.faults["flip"].wrong) == (55, 165, 0)
    assert not few.faults["flip"].shown and not few.together.shown
    assert any("flip" in line and "an estimate" in line for line in report_lines(few))


def test_from_there_on_it_is_shown_where_the_flags_bear_it_out(
    tmp_path: Path, store: Store, bundle: Bundle, catalogue: Catalogue
) -> None:
    own = learned(tmp_path, store, bundle, catalogue, 56, {("g003", "001")})
    assert own.faults["flip"].shown and own.faults["flip"].wrong == 1 and own.needed == 56
    assert not own.faults["flexed_top"].shown, "nothing flagged shows nothing"
    assert any("shown: at most 10% wrong" in line for line in report_lines(own))


def test_many_wrong_flags_show_nothing(
    tmp_path: Path, store: Store, bundle: Bundle, catalogue: Catalogue
) -> None:
    wrong = {(f"g{golfer:03d}", "001") for golfer in range(0, 200, 2)}
    assert not learned(tmp_path, store, bundle, catalogue, 200, wrong).faults["flip"].shown


def test_swings_do_not_count_as_golfers() -> None:
    """Golfers whose flags are all right or all wrong, wrong just above the share: shown in five draws of a hundred."""
    from faultml.classifier.promise import keeps_to

    random, shown, draws = np.random.default_rng(4), 0, 300
    golfers = np.repeat(np.arange(60), 6).astype(str).astype(object)
    for _ in range(draws):
        wrong = np.repeat(random.random(60) < SHARE + 0.005, 6).astype(float)
        shown += keeps_to(np.ones(360, dtype=bool), wrong, golfers, SHARE)
    assert shown <= binom.ppf(0.999, draws, 0.05)


def test_what_a_coach_retracts_or_cannot_say_is_left_out_and_results_of_another_model_are_refused(
    tmp_path: Path, store: Store, bundle: Bundle, catalogue: Catalogue
) -> None:
    results = season(tmp_path / "r", bundle, catalogue, 4)
    judge(store, results, set())
    add(store, [Verdict("g000", "2031-04-05", "000", "flip", "unsure", "ann")])
    assert learn_own_promise(store, "ann", [results], bundle, catalogue).faults["flip"].flagged == 4 * 3 - 1
    with pytest.raises(InputError, match="no-verdicts"):
        learn_own_promise(store, "bob", [results], bundle, catalogue)
    results.run["model"]["sha256"] = "0" * 64
    with pytest.raises(InputError, match="other-model"):
        learn_own_promise(store, "ann", [results], bundle, catalogue)


def test_it_fills_the_column_and_the_pages_words(
    tmp_path: Path,
    store: Store,
    bundle: Bundle,
    catalogue: Catalogue,
    generated: SyntheticSeason,
    assessor: Assessor,
) -> None:
    own = learned(tmp_path, store, bundle, catalogue, 60, set())
    (tmp_path / "own.json").write_bytes(encode(own))
    with_own = Assessor(replace(bundle, own_promise=read_own_promise(tmp_path / "own.json")), catalogue)
    assessment = assessor.assess(generated.batch)
    before, after = assessor.promised(assessment), with_own.promised(assessment)
    assert (np.isfinite(after) >= np.isfinite(before)).all()
    column = catalogue.ids.index("flip")
    assessed = assessment.status[:, column] == "assessed"
    assert (after[assessed, column] == SHARE).all()
    moved = replace(assessment, edges=assessment.edges + 1.0)
    assert np.isnan(with_own.promised(moved)).all(), "a proof is for the edges it was made with"

    coaching = load_coaching(catalogue)
    plain, said = (
        promise_words({"promise": each.promise_record()}, coaching) for each in (assessor, with_own)
    )
    shown_on = f"{bundle.manifest.promises.golfers} generated golfers"
    assert shown_on in plain and "an estimate, until some 56 of them are judged" in plain
    assert f"on them it is shown for {coaching.words['flip']}; for the other faults" in said
    assert promise_words({}, coaching) == ""


def test_a_promise_for_other_flags_is_refused(
    tmp_path: Path, store: Store, bundle: Bundle, catalogue: Catalogue
) -> None:
    own = learned(tmp_path, store, bundle, catalogue, 3, set())
    with pytest.raises(BundleError, match="promise-model"):
        Assessor(replace(bundle, own_promise=own), catalogue, false_share=0.20)
    (tmp_path / "bad.json").write_text("{}")
    with pytest.raises(BundleError, match="bad-promise"):
        read_own_promise(tmp_path / "bad.json")


def test_the_command_tells_and_writes(
    tmp_path: Path, bundle: Bundle, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAULTML_STORE", str(tmp_path / "store.sqlite"))
    results = season(tmp_path / "results", bundle, catalogue, 5)
    with open_store(tmp_path / "store.sqlite") as opened:
        judge(opened, results, {("g001", "000")})
    out = tmp_path / "ann.json"
    ran = CliRunner().invoke(
        main, ["labels", "promise", str(results.folder), "--coach", "ann", "--out", str(out)]
    )
    assert ran.exit_code == 0, ran.output
    assert "Wanted: at most 10% wrong" in ran.output and "all together" in ran.output
    assert read_own_promise(out).faults["flip"].wrong == 1
    assert "g001" not in out.read_text(), "names nobody"
