"""Whether practice windows measure their faults. Every figure is synthetic.

``python -m faultml.pipelines.benchmarks.windows``.

Each window is placed on each generated golfer's own numbers. Swings with the fault have to lie outside it, sound swings
inside. Windows that care has cut are counted apart: they are stricter than the fault's edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.care.rules import Limits, Setup, load_care
from faultml.channels import CHANNELS
from faultml.classifier.bundle import Bundle, load_bundle
from faultml.coaching.place import OwnNumbers, PlacedWindow, place
from faultml.coaching.rules import Coaching, load_coaching
from faultml.coaching.window import SpreadWindow, Window, inside
from faultml.faults.catalogue import Catalogue, Fault, load_catalogue
from faultml.motion.curves import Curves
from faultml.motion.window import make_windows
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_golfer_season, roster_golfers

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

FIRST_SEED: Final = 5100
"""Golfers from here on; no window was chosen on them."""

NEEDED: Final = 0.95
"""Share of the faulty swings outside and of the sound ones inside that a window needs on true motion."""

NO_LIMITS: Final = Limits(
    flexion=math.inf, extension=math.inf, radial=math.inf, max_radial=math.inf, hinge_reach_deg=-math.inf,
    ulnar=math.inf, flexion_at_hinge=math.inf, hinge_from="b0.8", hinge_to="d0.5", min_width=3.0,
)  # fmt: skip
"""No limits: a window placed with these is as the book has it."""


@dataclass(frozen=True)
class GolferMotion:
    """One generated golfer's full swings.

    Attributes
    ----------
    truth
        A row a swing, as in `faultml.synthetic.season.GolferSeason.truth`.
    true_deg, recorded_deg
        ``(n_swings, 3, n_phases)`` relative to address: the true motion, and as read from the recording.
    own
        The numbers that windows are placed on: means of the true measures.
    """

    truth: pd.DataFrame
    true_deg: Array
    recorded_deg: Array
    own: OwnNumbers


def draw_motions(catalogue: Catalogue, recipe: Recipe, bundle: Bundle) -> Iterator[GolferMotion]:
    """Every golfer of a recipe in turn."""
    golfers = roster_golfers(catalogue, recipe)
    for index in range(len(golfers)):
        season = draw_golfer_season(catalogue, recipe, golfers, index)
        full = np.flatnonzero(season.truth["kind"] == "full")
        if not len(full):
            continue
        windows = make_windows(season.batch)
        recorded = Curves.read(windows, bundle.detector.predict(windows)).d_deg
        truth = season.truth.iloc[full].reset_index(drop=True)
        yield GolferMotion(truth, season.phase_deg[full], recorded[full], true_numbers(truth))


def true_numbers(truth: pd.DataFrame) -> OwnNumbers:
    """A golfer's own numbers from the truth of the full swings."""
    address = {name: float(truth[f"address_{name}"].median()) for name in CHANNELS}
    mean = truth.mean(numeric_only=True)
    return OwnNumbers(
        setup=Setup(**address),
        top_flexion_deg=float(mean["measure_flexed_top"]),
        impact_flexion_deg=float(mean["measure_flip"]),
        lowest_ulnar_deg=float(mean["measure_underset"]),
        impact_ulnar_deg=float(mean["measure_held_hinge"]),
    )


def faulty_and_sound(
    fault: Fault, truth: pd.DataFrame, catalogue: Catalogue, margin_deg: float
) -> tuple[Bools, Bools]:
    """Swings past the fault's edge by the softness, and swings inside it by the softness or the window's margin."""
    softness = getattr(catalogue.softness, fault.unit)
    past = fault.sign * (truth[f"measure_{fault.id}"].to_numpy(float) - fault.edge)
    faulty, sound = past >= softness, past <= -max(softness, margin_deg)
    if fault.guard is not None:
        guard = truth[f"guard_{fault.id}"].to_numpy(float) - fault.guard.below
        faulty, sound = faulty & (guard <= -softness), sound | (guard >= softness)
    return faulty, sound


def measure_windows(coaching: Coaching, limits: Limits, recipe: Recipe, bundle: Bundle) -> pd.DataFrame:
    """The share of faulty swings outside and of sound swings inside, for each window that judges a swing.

    Returns
    -------
    DataFrame
        A row a fault: ``fault, golfers``, of them those for whom care ``cut`` the window or left ``none``, and counts
        of swings by kind: ``<kind>_n_faulty``, ``<kind>_outside``, ``<kind>_n_sound``, ``<kind>_inside``. The kind is
        ``true`` or ``recorded`` (windows before care, all golfers), or ``cut`` (true motion, windows that care has
        cut). Swings that cannot be judged are left out.
    """
    catalogue = coaching.catalogue
    windows = {
        drill.window.fault: drill.window
        for drill in coaching.book.drills
        if isinstance(drill.window, Window) and drill.window.fault
    }
    rows = []
    for golfer in draw_motions(catalogue, recipe, bundle):
        for fault, window in windows.items():
            free, placed = (place(window, golfer.own, each) for each in (NO_LIMITS, limits))
            marks = faulty_and_sound(catalogue[fault], golfer.truth, catalogue, window.margin_deg)
            cut = placed.usable and placed.clipped
            row = {"fault": fault, "golfers": 1, "cut": int(cut), "none": int(not placed.usable)}
            for kind, one, curves_deg in (
                ("true", free, golfer.true_deg),
                ("recorded", free, golfer.recorded_deg),
                ("cut", placed, golfer.true_deg[:0] if not cut else golfer.true_deg),
            ):
                row |= _counts(kind, one, curves_deg, marks)
            rows.append(row)
    return pd.DataFrame(rows).groupby("fault", sort=False).sum().reset_index()


def _counts(kind: str, placed: PlacedWindow, curves_deg: Array, marks: tuple[Bools, Bools]) -> dict[str, int]:
    met = inside(placed.window, curves_deg) if placed.usable else np.full(len(curves_deg), np.nan)
    faulty, sound = (mark[: len(met)] & np.isfinite(met) for mark in marks)
    return {
        f"{kind}_n_faulty": int(faulty.sum()),
        f"{kind}_outside": int((faulty & (met == 0)).sum()),
        f"{kind}_n_sound": int(sound.sum()),
        f"{kind}_inside": int((sound & (met == 1)).sum()),
    }


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} % of {whole:.0f}" if whole else "–"


def as_markdown(figures: pd.DataFrame, coaching: Coaching) -> str:
    """One line a drill: its window's figures on true and on recorded motion."""
    rows = {row["fault"]: row for row in figures.to_dict("records")}
    lines = [
        "| drill | for | true: faulty outside | sound inside | recorded: faulty outside | sound inside"
        " | cut by care | cut: faulty outside | sound inside | no window |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for drill in coaching.book.drills:
        window = drill.window
        if window.fault in rows:
            row = rows[window.fault]
            true, recorded, cut = (_shares(row, kind) for kind in ("true", "recorded", "cut"))
            share = {name: f"{100 * row[name] / row['golfers']:.0f} %" for name in ("cut", "none")}
            cells = [window.fault, *true, *recorded, share["cut"], *cut, share["none"]]
        else:
            judged = "a session" if isinstance(window, SpreadWindow) else "the setup"
            cells = [window.fault or drill.when, f"{judged}: no single swing is judged", *[""] * 7]
        lines.append(f"| {drill.id} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _shares(row: dict[str, Any], kind: str) -> tuple[str, str]:
    outside = _share(row[f"{kind}_outside"], row[f"{kind}_n_faulty"])
    return outside, _share(row[f"{kind}_inside"], row[f"{kind}_n_sound"])


@click.command()
@click.option("--golfers", default=200, show_default=True)
@click.option("--seed", default=FIRST_SEED, show_default=True)
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write the table here too.")
def main(golfers: int, seed: int, out: Path | None) -> None:
    """Measure every window on generated golfers and print the table."""
    coaching = load_coaching(load_catalogue())
    recipe = Recipe(golfers=golfers, sessions=4, swings=10, seed=seed, non_swing_share=0.0)
    text = as_markdown(measure_windows(coaching, load_care().limits, recipe, load_bundle()), coaching)
    if out is not None:
        out.write_text(text, encoding="utf-8")
    click.echo(text)


if __name__ == "__main__":
    main()
