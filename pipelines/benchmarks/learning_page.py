"""The learning curves for a person: a table on the terminal, and a page with its figure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from faultml.classifier.bundle import Manifest
from faultml.pipelines.benchmarks.learning_curves import Point
from faultml.results.folders import replaced_file
from faultml.svg import Drawing, Scale, padded_range, x_axis, y_axis

PAGE_FILE: Final = "learning-curves.md"
FIGURE_FILE: Final = "learning-curves.svg"

_HEAD: Final = """\
# How much is learned from how many verdicts

Written by `python -m faultml.pipelines.benchmarks.learning_curves --out docs`; do not edit. **Everything here is
synthetic**: {golfers} generated golfers with {swings} swings each (seed {seed}), contact marked, measured by the model
{version} (`{sha256}`); {draws} draws, each with its own simulated coach and its own 40 % of the golfers held out.
Every fault of a labelled swing is answered. Losses are macro log losses over the faults, on the golfers held out,
against what the same coach says without lapses when made to say yes or no. As in `faultml retrain`, faults are moved
one by one where their own answers say so, and an adaptation that is not shown better on its own golfers, held out in
turn, is not used. What spoiled labels do stands in [retraining.md](retraining.md).

![log loss against labelled swings, one panel a coach]({figure})

| simulated coach | swings | learned | default | knows the edges | gap closed | edges alone | upper bound |
|---|---|---|---|---|---|---|---|
"""
_CARELESS: Final = """
*Edges alone*: what is learned with unsure answers left out and no edge depending on the rest of the swing, used whether
it is shown better as a whole or not. *Upper bound*: of learned - default, one-sided 95 %, draws of labels and golfers
of each drawn again, the same for both sides; +.000 where no draw's adaptation was used.

**Labels of a careless coach make the tool no worse** (wanted: upper bound .01 at most), scored in three ways:

| swings | answers without lapses | with lapses, as reported | with lapses, rate learned in both | rate | gained |
|---|---|---|---|---|---|
"""
_ELSEWHERE: Final = """
*As reported*: the probability that `classify --coach` gives, the chance of a yes on a good day,
against answers of which 15 % are the wrong way round. *In both*: the lapse rate learned mixed into both forecasts.
*Gained*: mean loss of the learned forecast with its lapse rate, less that of the default, against those answers: for
who wants to predict what this coach will say.

**One who looks elsewhere** judges `flip` at d 0.8 and `flexed_top` at d 0.2, at the catalogue's edges. No edge on the
catalogue's measures explains that; thresholds that depend on the rest of the swing do in part. Log loss over these two
faults, and the upper bound over all faults, for every coach, of what covariates and unsure answers cost against edges
alone:

| swings | looks elsewhere: edges alone | learned | {names} |
|---|---|---|{dashes}|
"""
_STYLE: Final = (
    "text{font:11px sans-serif;fill:#222}.tick{font-size:10px;fill:#555}.grid{stroke:#ddd;fill:none}"
    ".line{fill:none;stroke:#1f5a7a;stroke-width:1.8;vector-effect:non-scaling-stroke}"
    ".default{stroke-dasharray:7 4;stroke:#555}.knowing{stroke-dasharray:2 3;stroke:#555}"
    ".mark{fill:#1f5a7a;stroke:#1f5a7a}"
)
_PANEL: Final = (230, 210)
_COLUMNS: Final = 3
_STEP: Final = 0.02


def table(points: Sequence[Point]) -> list[str]:
    """The curves as lines of text."""
    lines = [
        f"{'coach':24s} swings    loss  default  knowing  closed  edges alone   upper  reported   own upper  lapses"
    ]
    for p in points:
        lines.append(
            f"{p.coach:24s} {p.swings:6d}  {p.loss:.4f}   {p.default:.4f}   {p.knowing:.4f}  {p.closed:6.2f}"
            f"       {p.edges_loss:.4f}  {p.difference_hi:+.4f}     {p.reported_difference_hi:+.4f}"
            f"    {p.own_difference_hi:+.4f}   {p.lapse_rate:.3f}"
        )
    return lines


def write_page(folder: Path, points: Sequence[Point], manifest: Manifest, setting: Mapping[str, int]) -> None:
    """Write the page and its figure.

    Raises
    ------
    InputError
        ``not-writable``.
    """
    for name, text in ((FIGURE_FILE, figure(points)), (PAGE_FILE, page(points, manifest, setting))):
        with replaced_file(folder / name) as part:
            part.write_text(text, encoding="utf-8")


def page(points: Sequence[Point], manifest: Manifest, setting: Mapping[str, int]) -> str:
    """The page as Markdown."""
    rows = [point for point in points if point.swings]
    facts = {"version": manifest.version, "sha256": manifest.sha256[:12], "figure": FIGURE_FILE}
    text = _HEAD.format(**setting, **facts)
    for p in rows:
        knowing = "-" if p.coach == "looks elsewhere" else _loss(p.knowing)
        closed = "-" if np.isnan(p.closed) else f"{p.closed:.0%}"
        text += (
            f"| {p.coach} | {p.swings} | {_loss(p.loss)} | {_loss(p.default)} | {knowing} | {closed} | "
            f"{_loss(p.edges_loss)} | {_signed(p.difference_hi)} |\n"
        )
    text += _CARELESS
    for p in rows:
        if p.coach == "careless":
            bounds = [
                _signed(each) for each in (p.difference_hi, p.reported_difference_hi, p.own_difference_hi)
            ]
            text += (
                f"| {p.swings} | {' | '.join(bounds)} | {p.lapse_rate:.1%} | {_signed(p.own_forecast)} |\n"
            )
    coaches = list(dict.fromkeys(p.coach for p in rows))
    text += _ELSEWHERE.format(names=" | ".join(coaches), dashes="|".join(["---"] * len(coaches)))
    for swings in dict.fromkeys(p.swings for p in rows):
        at = {p.coach: p for p in rows if p.swings == swings}
        there = at["looks elsewhere"]
        bounds = [_signed(at[coach].edges_difference_hi) for coach in coaches]
        text += (
            f"| {swings} | {_loss(there.elsewhere_edges_loss)} | {_loss(there.elsewhere_loss)} | "
            f"{' | '.join(bounds)} |\n"
        )
    return text


def figure(points: Sequence[Point]) -> str:
    """A panel a coach: log loss against labelled swings, a standalone SVG file."""
    coaches = list(dict.fromkeys(point.coach for point in points))
    losses = [each for p in points for each in (p.loss, p.default, p.knowing)]
    low, high = padded_range(losses, (min(losses), max(losses)), _STEP)
    width, height = _PANEL
    rows = -(-len(coaches) // _COLUMNS)
    drawing = Drawing(
        _COLUMNS * width, rows * height + 24, "Log loss on golfers held out, by labelled swings"
    )
    drawing.rect(0, 0, drawing.width, drawing.height, fill="#fff")
    for number, coach in enumerate(coaches):
        left, top = number % _COLUMNS * width, number // _COLUMNS * height
        _panel(drawing, left, top, [p for p in points if p.coach == coach], (low, high))
    for number, (name, style) in enumerate(
        (("learned", "line"), ("default", "line default"), ("knows the edges", "line knowing"))
    ):
        x, y = 40 + 160 * number, drawing.height - 10
        drawing.line(x, y - 4, x + 28, y - 4, class_=style)
        drawing.text(x + 34, y, name)
    return drawing.file(_STYLE)


def _panel(
    drawing: Drawing, left: float, top: float, points: Sequence[Point], span: tuple[float, float]
) -> None:
    """One coach's curve; the counts stand evenly, since they about double."""
    width, height = _PANEL
    x = Scale(0, len(points) - 1, left + 44, left + width - 14)
    y = Scale(*span, top + height - 34, top + 26)
    drawing.text(left + 10, top + 16, points[0].coach)
    y_axis(drawing, y, x.start, [(tick, _loss(tick, 2)) for tick in y.ticks(2 * _STEP)], x.end)
    x_axis(drawing, x, y.start, [(at, str(point.swings)) for at, point in enumerate(points)])
    drawing.text((x.start + x.end) / 2, y.start + 27, "labelled swings", class_="tick", text_anchor="middle")
    across = x.array(np.arange(len(points)))
    known = not np.isnan([point.closed for point in points]).all()
    for name, style in (("default", "line default"), ("knowing", "line knowing"), ("loss", "line")):
        if name != "knowing" or known:
            drawing.trace(across, y.array([getattr(point, name) for point in points]), class_=style)
    for at, point in enumerate(points):
        drawing.mark("circle", across[at], y(point.loss), 2.8, class_="mark")


def _loss(loss: float, digits: int = 3) -> str:
    return f"{loss:.{digits}f}".removeprefix("0")


def _signed(value: float) -> str:
    return f"{round(value, 3) + 0.0:+.3f}".replace("0.", ".")
