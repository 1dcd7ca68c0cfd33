"""The comparison: suites are what they say, the pendulum swings by the laws of motion, peers get their inputs."""

from __future__ import annotations

import ast
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.integrate import solve_ivp
from sklearn.metrics import average_precision_score

from faultml.channels import FLEXION, PRONATION, ULNAR
from faultml.classifier.bundle import load_bundle
from faultml.errors import InputError, MissingExtraError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.pipelines.benchmarks.compare import contenders, pendulum, run
from faultml.pipelines.benchmarks.compare.__main__ import command
from faultml.pipelines.benchmarks.compare.contenders import (
    Truth,
    ask_peer,
    calibrated,
    hold_out,
    ours,
    peer_windows,
)
from faultml.pipelines.benchmarks.compare.pendulum import STEP_S, Pushes, release_by_dynamics, swing_down
from faultml.pipelines.benchmarks.compare.recorder import _understood, through_recorder
from faultml.pipelines.benchmarks.compare.run import DATA_FILE, PAGE_FILE, Sizes, compare
from faultml.pipelines.benchmarks.compare.scores import fault_scores, macro_scores, severity_scores
from faultml.pipelines.benchmarks.compare.suites import NEW_PAIRS, SUITES, Suite
from faultml.pipelines.training import comparison
from faultml.pipelines.training.data import Drawn
from faultml.synthetic.golfers import _compatible
from faultml.synthetic.motion import Motion
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_golfer_season, roster_golfers

ROOT = Path(__file__).parents[3]
BY_ID = {suite.id: suite for suite in SUITES}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="module")
def everyday(catalogue: Catalogue) -> Drawn:
    return BY_ID["marked"].draw(catalogue, 11, 3, jobs=1)


def pushes(count: int = 6, seed: int = 0) -> Pushes:
    random = np.random.default_rng(seed)
    parts = [Pushes.draw(1, random) for _ in range(count)]
    return Pushes(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in Pushes.__annotations__}
    )


def test_the_pendulum_keeps_its_energy_when_nobody_pushes() -> None:
    """External check: the energy of a double pendulum without friction is constant (mechanics)."""
    none = np.zeros(1)
    idle = Pushes(np.ones(1), none, np.ones(1), np.array([2.4]), np.array([1.5]), none, none, none, none)
    state = np.array([[-2.4], [-3.9], [0.0], [0.0]])

    def energy(state: np.ndarray) -> float:
        arm, club, arm_rate, club_rate = state[:, 0]
        inertia = 1.0 + pendulum.CLUB_MASS_KG * pendulum.ARM_LENGTH_M**2
        coupling = pendulum.CLUB_MASS_KG * pendulum.CLUB_CENTRE_M * pendulum.ARM_LENGTH_M
        moving = 0.5 * inertia * arm_rate**2 + 0.5 * pendulum.CLUB_INERTIA_KGM2 * club_rate**2
        moving += coupling * arm_rate * club_rate * np.cos(club - arm)
        weight = pendulum.ARM_CENTRE_KGM + pendulum.CLUB_MASS_KG * pendulum.ARM_LENGTH_M
        club_weight = pendulum.CLUB_MASS_KG * pendulum.CLUB_CENTRE_M
        return moving - pendulum.PLANE_GRAVITY_MPS2 * (weight * np.cos(arm) + club_weight * np.cos(club))

    free = np.zeros(1, dtype=bool)
    solved = solve_ivp(
        lambda t, y: pendulum._rates(y[:, None], idle, t, free)[:, 0], (0, 1.2), state[:, 0], rtol=1e-9
    )
    assert energy(solved.y[:, -1:]) == pytest.approx(energy(state), abs=1e-5)


def test_the_integration_agrees_with_an_independent_solver() -> None:
    """External check: scipy's adaptive solver on the same equations, once the wrists are free."""
    given = pushes(1)
    found = swing_down(given)
    free = np.zeros(1, dtype=bool)
    first = int((found.hinged_rad[:, 0] < given.hinged_rad[0] - 0.01).argmax())
    assert 0 < first < round(found.impact_s[0] / STEP_S) - 15, "released on the way"
    arm, club = found.arm_rad[first - 1 : first + 2, 0], found.club_rad[first - 1 : first + 2, 0]
    start = [arm[1], club[1], (arm[2] - arm[0]) / (2 * STEP_S), (club[2] - club[0]) / (2 * STEP_S)]
    solved = solve_ivp(
        lambda t, y: pendulum._rates(y[:, None], given, t, free)[:, 0],
        (first * STEP_S, (first + 15) * STEP_S),
        start,
        rtol=1e-8,
    )
    assert solved.y[:2, -1] == pytest.approx(
        [found.arm_rad[first + 15, 0], found.club_rad[first + 15, 0]], abs=1e-3
    )


def test_a_downswing_looks_like_one() -> None:
    found = swing_down(pushes(40))
    assert np.isfinite(found.impact_s).all()
    # About 0.27 s in professionals (facts.md: Grober & Cholewicki); a model with club golfers' torques takes longer.
    assert np.median(found.impact_s) == pytest.approx(0.3, abs=0.08)
    share = found.unhinged_at(np.tile([0.0, 0.2, 0.5, 0.8, 1.0], (40, 1)))
    released = found.unhinged_rad > 0.6
    assert released.mean() > 0.7
    assert share[:, 0] == pytest.approx(0, abs=1e-9)
    assert share[:, -1] == pytest.approx(1, abs=1e-6)
    quarter = np.median(found.unhinged_at(np.tile(np.linspace(0, 1, 101), (40, 1))) < 0.25, axis=0)
    assert 50 < quarter.sum() < 95, "late: well-timed releases are near d 0.75 (Sprigings & Neal 2000)"


def test_who_holds_longer_releases_later() -> None:
    one = pushes(1)
    late = Pushes(
        **{name: getattr(one, name) for name in Pushes.__annotations__} | {"hold_nm": np.array([15.0])}
    )
    cast = Pushes(
        **{name: getattr(one, name) for name in Pushes.__annotations__} | {"hold_nm": np.array([-28.0])}
    )
    grid = np.linspace(0, 1, 101)[None]
    released = [(swing_down(each).unhinged_at(grid) > 0.25).argmax() for each in (cast, late)]
    assert released[0] < released[1] - 5


def test_the_simulated_release_is_measured_anew(catalogue: Catalogue) -> None:
    recipe = Recipe(golfers=2, sessions=1, swings=4, seed=3, non_swing_share=0.0)
    seen: list[Motion] = []

    def keep(motion: Motion, random: np.random.Generator) -> Motion:
        seen.append(motion)
        return motion

    draw_golfer_season(catalogue, recipe, roster_golfers(catalogue, recipe), 0, change=keep)
    before = seen[0]
    after = release_by_dynamics(catalogue, before, np.random.default_rng(1))
    others = [FLEXION, PRONATION]
    assert np.array_equal(after.d_deg[:, others], before.d_deg[:, others])
    assert not np.allclose(after.d_deg[:, ULNAR], before.d_deg[:, ULNAR], atol=2)
    release = catalogue.ids.index("early_ulnar_release")
    assert not np.allclose(after.measures[:, release], before.measures[:, release], atol=0.02)
    flexed = catalogue.ids.index("flexed_top")
    assert np.array_equal(after.measures[:, flexed], before.measures[:, flexed])
    # Hinge at the top and at impact stay the golfer's, but for the smoothing of the joint between them.
    held = catalogue.ids.index("held_hinge")
    assert after.measures[:, held] == pytest.approx(before.measures[:, held], abs=2.5)


def test_training_never_sees_the_pendulum() -> None:
    for folder in ("synthetic", "faultml"):
        for path in (ROOT / folder).rglob("*.py"):
            assert "compare.pendulum" not in path.read_text(encoding="utf-8"), path
    for name in ("data.py", "train.py", "evaluate.py"):
        tree = ast.parse((ROOT / "pipelines" / "training" / name).read_text(encoding="utf-8"))
        modules = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        assert not any("compare" in module for module in modules), name


def test_suites_are_what_they_say(catalogue: Catalogue, everyday: Drawn) -> None:
    impact = everyday.offset_s[:, 2]
    assert everyday.windows.mark_s == pytest.approx(impact)
    assert not BY_ID["unmarked"].draw(catalogue, 11, 2, jobs=1).windows.marked.any()
    assert not BY_ID["no_pronation"].draw(catalogue, 11, 2, jobs=1).windows.has_pronation.any()
    sensors = BY_ID["other_sensors"].draw(catalogue, 11, 2, jobs=1).windows
    assert sensors.sample_rate_hz == pytest.approx(60, rel=0.05)
    assert np.isfinite(impact).all(), "full swings only"


def test_golfers_of_the_shifts(catalogue: Catalogue) -> None:
    golfers = roster_golfers(catalogue, Recipe(golfers=200, seed=4))
    random = np.random.default_rng(1)
    tempo, near, pairs = (
        BY_ID[name].golfers(catalogue, golfers, random)  # type: ignore[misc]
        for name in ("other_styles", "near_edges", "new_combinations")
    )
    assert (tempo.table["tempo"].min(), tempo.table["tempo"].max()) == pytest.approx((1.6, 5.5), abs=0.1)
    assert np.nanmax(np.abs(near.fault_size) / catalogue.softness_by_fault) <= 1
    assert (np.isfinite(pairs.fault_size).sum(axis=1) == 2).all()
    assert not any(_compatible(*pair[:1], list(pair[1:])) for pair in NEW_PAIRS), "training has none of them"


def test_scores_against_scikit_learn() -> None:
    random = np.random.default_rng(2)
    chance = random.random((4000, 2))
    labels = (random.random(chance.shape) < chance).astype(float)
    labels[:, 1] = np.nan
    scores = fault_scores(("a", "b"), labels, chance)
    assert list(scores) == ["a"]
    assert scores["a"]["average_precision"] == average_precision_score(labels[:, 0], chance[:, 0])
    assert scores["a"]["calibration_error"] < 0.04
    assert macro_scores(scores)["faults"] == 1
    assert macro_scores({}) == {"faults": 0}


def test_severity_scores() -> None:
    true = np.array([[10.0, 0.40], [np.nan, 0.60]])
    past = np.array([[2.0, 0.1], [-1.0, -0.1]])
    found = severity_scores(
        past, true + np.array([1.0, 0.02]), np.full((2, 2), 1.0), true, np.array([4.0, 0.04]), 1.645
    )
    assert found["severity_error_median"] == pytest.approx(1.5)
    assert found["interval_covers"] == 1


def test_calibration_is_on_the_labels() -> None:
    random = np.random.default_rng(3)
    raw = random.normal(size=(3000, 2))
    labels = (random.random(raw.shape) < 1 / (1 + np.exp(-2 * raw))).astype(float)
    labels[:, 1] = 0
    chance = calibrated(raw, labels, np.array([[0.0, 0.0], [1.0, 5.0]]))
    assert chance[0, 0] == pytest.approx(0.5, abs=0.05)
    assert chance[1, 0] == pytest.approx(0.88, abs=0.04)
    assert chance[:, 1] == pytest.approx([0.5, 1.0], abs=1e-5), "nobody said yes: uncalibrated"


def test_what_the_peers_see(catalogue: Catalogue, everyday: Drawn) -> None:
    curves, known = peer_windows(everyday.windows)
    assert curves.shape == (len(everyday), 4, 340)
    at = -2.4 + 0.01 * curves[:, 3].argmax(axis=1)
    assert at == pytest.approx(everyday.windows.mark_s, abs=0.006)
    assert known[:, 0].all()
    held = hold_out(everyday.golfers, 1)
    assert set(everyday.golfers[held]).isdisjoint(everyday.golfers[~held])
    truth = Truth.of(catalogue, everyday, np.random.default_rng(1))
    assert np.nanmax(np.abs(truth.distance(catalogue))) <= 8
    assert np.array_equal(np.isnan(truth.labels), np.isnan(truth.measures))


def test_the_oracle_and_ours(catalogue: Catalogue, everyday: Drawn) -> None:
    bundle = load_bundle()
    truth = Truth.of(catalogue, everyday, np.random.default_rng(1))
    said = ours(catalogue, bundle.detector, bundle.classifier, everyday)
    known = np.isfinite(truth.labels)
    off = {
        name: np.mean((chance[known] - truth.chance[known]) ** 2)
        for name, chance in (("ours", said.chance), ("edges", said.edges_chance))
    }
    assert max(off.values()) < 0.05
    assert ((said.edges_chance > 0) & (said.edges_chance < 1)).all()


def test_a_peer_without_its_environment_is_reported(tmp_path: Path) -> None:
    with pytest.raises(MissingExtraError, match="make compare"):
        ask_peer(tmp_path / "python", "quant", {"train": np.zeros((2, 1, 9))})


def fake_peer(python: Path, peer: str, task: dict) -> dict:
    """A peer that says how bowed the wrist is at the anchor, whatever is asked."""
    said = {name: task[name][:, 0, 240:241] for name in ("train", "test")}
    count = 17 if "distance" in task else 1
    answer = {name: np.repeat(values / 10, count, axis=1) for name, values in said.items()}
    held_out = answer["train"][~task["learn"]]
    return {"held_out": held_out, "test": answer["test"], "fit_s": 1.0, "predict_s": 1.0}


def test_a_comparison_end_to_end(
    catalogue: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "ask_peer", fake_peer)
    monkeypatch.setattr(run, "public_figures", lambda *args, **settings: {})
    sizes = Sizes(seeds=2, test_golfers=2, train_golfers=10, slow_swings=7, epochs=1)
    figures = compare(
        catalogue, load_bundle(), tmp_path / "out", sizes, python=Path("python"), suites=SUITES[:2]
    )
    written = json.loads((tmp_path / "out" / DATA_FILE).read_text())
    assert sorted(os.listdir(tmp_path / "out")) == sorted([DATA_FILE, PAGE_FILE])  # noqa: PTH208
    assert written["sizes"] == figures["sizes"]
    marked = written["suites"]["marked"]
    assert marked["swings"] == 80
    everybody = {"oracle", "recorder", "ours", "ours_small", "edges", "minirocket", "quant"}
    assert set(marked["contenders"]) == everybody
    assert set(marked["small_subset"]["contenders"]) - set(marked["contenders"]) == {"tsfresh"}
    assert marked["small_subset"]["swings"] == 14
    macro = {name: each["macro"]["log_loss"] for name, each in marked["contenders"].items()}
    assert macro["oracle"] < macro["ours"] < macro["minirocket"]
    assert written["refusals"]["full"]["full"][0] > 50
    page = (tmp_path / "out" / PAGE_FILE).read_text()
    assert "quick run" in page and "## What is refused" in page
    assert page.count("(synthetic)") >= 4
    targets, rivals = (part.split("\n## ")[0] for part in page.split("\n## ")[1:3])
    ours, oracle, recorder = (
        marked["contenders"][name]["macro"]["average_precision"] for name in ("ours", "oracle", "recorder")
    )
    shares = [cell.strip() for cell in targets.split(f"| {SUITES[0].words} |")[1].split("|")[:3]]
    assert [float(share) for share in shares] == pytest.approx(
        [ours / oracle, 0.97, ours / recorder], abs=6e-4
    )
    assert {"edges", "minirocket", "quant", "tsfresh"} <= {
        name for name, words in comparison.NAMES.items() if words in rivals.splitlines()[4]
    }


def test_few_swings_are_spread_over_the_golfers() -> None:
    assert run._few(100, 5).tolist() == [0, 25, 50, 74, 99]
    assert run._few(7, 20).tolist() == list(range(7))


def test_who_is_ahead_in_either_figure_is_named() -> None:
    def macro(average_precision: float, log_loss: float) -> dict[str, float]:
        return {"faults": 1, "average_precision": average_precision, "log_loss": log_loss}

    own = macro(0.9, 0.1)
    assert not comparison._is_better(macro(0.89, 0.11), own)
    assert comparison._is_better(macro(0.91, 0.2), own) and comparison._is_better(macro(0.5, 0.09), own)
    assert not comparison._is_better({"faults": 0}, own)


def test_readings_at_the_true_landmarks_lose_what_the_recorder_loses(
    catalogue: Catalogue,
) -> None:
    off = []
    for suite in ("marked", "other_sensors"):
        drawn = BY_ID[suite].draw(catalogue, 11, 10, jobs=1)
        truth = Truth.of(catalogue, drawn, np.random.default_rng(1))
        read = through_recorder(catalogue, drawn, truth.measures, seed=1)
        known = np.isfinite(truth.chance)
        assert ((read > 0) & (read < 1)).all()
        off.append(float(np.mean((read[known] - truth.chance[known]) ** 2)))
    assert off[0] < 0.02
    assert off[1] > 1.5 * off[0]


def test_a_half_is_understood_by_the_other_alone(catalogue: Catalogue) -> None:
    """A golfer's reading says of them what it says of the other half's golfers; their own truth is not looked at."""
    random = np.random.default_rng(0)
    true = random.normal(0, 10, (400, 1))
    read = 0.5 * true + 3 + random.normal(0, 1, true.shape)
    half = np.arange(400) < 200
    true_of_half = true.copy()
    true_of_half[half] = 1e6
    mean, sd = _understood(read, true_of_half, half)
    assert np.median(np.abs(mean[half] - true[half])) < 2
    assert sd[half] == pytest.approx(2, rel=0.2)
    lost = read.copy()
    lost[:5] = np.nan
    mean, _ = _understood(lost, true, half)
    assert mean[:5] == pytest.approx(true[~half].mean(), abs=1e-9)


def test_nothing_is_left_where_it_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError):
        run._write(tmp_path / "out", {DATA_FILE: b"{}"})


def test_the_command_says_what_it_takes() -> None:
    said = CliRunner().invoke(command, ["--help"])
    assert said.exit_code == 0
    assert "Example" in said.output
    assert CliRunner().invoke(command, []).exit_code == 2


def test_a_card_beside_the_comparison_is_written_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "compare", lambda *args, **settings: {})
    ran = CliRunner().invoke(command, ["--quiet", "--out", str(tmp_path / "elsewhere")])
    assert ran.exit_code == 0 and not (tmp_path / "elsewhere").exists()
    for name in ("manifest.json", DATA_FILE):
        shutil.copy(ROOT / "models" / name, tmp_path / name)
    assert CliRunner().invoke(command, ["--quiet", "--out", str(tmp_path)]).exit_code == 0
    card = (tmp_path / "CARD.md").read_text(encoding="utf-8")
    assert "## Targets" in card and "## What is refused" in card and "risk_coverage.svg" in card


def test_the_peers_script_needs_nothing_of_ours() -> None:
    tree = ast.parse((ROOT / "pipelines/benchmarks/compare/peers.py").read_text(encoding="utf-8"))
    names = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    names += [alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names]
    assert not any(name.startswith("faultml") for name in names)
    assert set(contenders.PEERS) | {"dtw"} == {"tsfresh", "minirocket", "quant", "dtw"}


def test_a_suite_is_drawn_from_its_seed(catalogue: Catalogue, everyday: Drawn) -> None:
    again = BY_ID["marked"].draw(catalogue, 11, 3, jobs=1)
    assert np.array_equal(again.windows.angles_deg, everyday.windows.angles_deg)
    other = Suite("marked", "", marks="all").draw(catalogue, 12, 1, jobs=1)
    assert not np.array_equal(other.windows.angles_deg[0], everyday.windows.angles_deg[0])
