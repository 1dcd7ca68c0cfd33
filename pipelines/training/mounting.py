"""Learn what a swing tells of the sensor's turn about the forearm: ``python -m faultml.pipelines.training.mounting``.

Generated golfers with sensors that sit straight, turned by known angles; every other golfer is held out.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sklearn.linear_model import RidgeCV

from faultml.faults.catalogue import load_catalogue
from faultml.motion.curves import Curves
from faultml.motion.landmark_model import Landmarks
from faultml.motion.turn import turn
from faultml.pipelines.training.data import draw
from faultml.quality.mounting import TurnModel, turn_readings
from faultml.synthetic.recipe import Recipe

Array = NDArray[np.float64]

TURN_SD_DEG: Final = 12.0
USUAL_SD_DEG: Final = 6.0
FALSE_ALARMS: Final = 0.02
_RECIPE: Final = Recipe(
    golfers=1600, sessions=1, swings=4, seed=8_100, non_swing_share=0.0, mounting_scale=0.0, style_scale=1.2
)


def fit_turn(recipe: Recipe = _RECIPE, *, jobs: int = 2) -> tuple[TurnModel, dict[str, Any]]:
    """The model, and what it is worth on golfers not learned from: R2, false alarms, hits by the true turn."""
    random = np.random.default_rng(recipe.seed)
    drawn = draw(load_catalogue(), recipe, jobs=jobs)
    curves = Curves.read(drawn.windows, Landmarks(drawn.offset_s, np.full(drawn.offset_s.shape, 0.01)))
    names, golfer = np.unique(drawn.golfers, return_inverse=True)
    learn = (golfer % 2 == 0) & np.isfinite(curves.d_deg[:, :2, :151]).all(axis=(1, 2))
    test = (golfer % 2 == 1) & np.isfinite(curves.d_deg[:, :2, :151]).all(axis=(1, 2))

    def readings(turn_deg: Array) -> Array:
        address = curves.address_deg[:, :, None]
        turned_address = turn(address, turn_deg)
        turned = turn(curves.d_deg + address, turn_deg) - turned_address
        return np.nan_to_num(turn_readings(turned, turned_address[:, :, 0]))

    wide = random.normal(0, TURN_SD_DEG, len(names))[golfer]
    model = RidgeCV(np.logspace(-2, 4, 13)).fit(readings(wide)[learn], wide[learn])
    error = model.predict(readings(wide)[test]) - wide[test]
    usual = random.normal(0, USUAL_SD_DEG, len(names))[golfer]
    size_deg = np.abs(model.predict(readings(usual)[test]))
    limit = float(np.quantile(size_deg, 1 - FALSE_ALARMS))
    hits = {
        angle: float(np.mean(np.abs(model.predict(readings(np.full(len(golfer), angle))[test])) > limit))
        for angle in (10.0, 15.0, 20.0, 30.0)
    }
    fitted = TurnModel(
        schema=1,
        intercept_deg=round(float(model.intercept_), 4),
        coefficients=tuple(round(float(value), 5) for value in model.coef_),
        sd_deg=round(float(error.std()), 1),
        suspected_deg=round(limit, 1),
    )
    return fitted, {"R2": 1 - error.var() / wide[test].var(), "hits": hits, "golfers": len(names)}


def main() -> None:
    """Fit and write ``faultml/quality/mounting.toml``."""
    model, worth = fit_turn()
    path = Path(str(resources.files("faultml.quality"))) / "mounting.toml"
    path.write_text(
        "# Written by python -m faultml.pipelines.training.mounting from generated golfers;"
        " on golfers not learned from:\n"
        f"# R2 {worth['R2']:.2f}; false alarms {FALSE_ALARMS:.1%}; found of turns by 10, 15, 20, 30 degrees: "
        + ", ".join(f"{share:.0%}" for share in worth["hits"].values())
        + f".\nschema = 1\nintercept_deg = {model.intercept_deg}\nsd_deg = {model.sd_deg}\n"
        f"suspected_deg = {model.suspected_deg}\ncoefficients = {list(model.coefficients)}\n",
        encoding="utf-8",
    )


if __name__ == "__main__":
    main()
