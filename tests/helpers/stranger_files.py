"""Recorders' files in layouts nobody described, made of swings whose truth is known: five by hand, and random ones."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from faultml.faults.catalogue import load_catalogue
from faultml.motion.rotations import joint_rotations
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Swing:
    """One true swing: seconds from 0, degrees ``(3, n)`` in our signs, contact in seconds."""

    t_s: Array
    angles_deg: Array
    impact_s: float
    golfer: str


def draw_swings(golfers: int, each: int, seed: int, *, rate_hz: float | None = None) -> list[Swing]:
    """Full swings of generated golfers with all three angles, `each` of a golfer at most."""
    recipe = Recipe(
        golfers=golfers,
        sessions=1,
        swings=each,
        seed=seed,
        rate_hz=rate_hz,
        style_scale=1.5,
        non_swing_share=0.0,
    )
    season = draw_season(load_catalogue(), recipe)
    batch, truth, swings = season.batch, season.truth, []
    impact = truth["impact_s"].to_numpy(float)
    for row, length in enumerate(batch.n_samples):
        t_s, angles = batch.t_s[row, :length], batch.angles_deg[row, :, :length]
        golfer = str(truth["player"].iloc[row])
        swings.append(Swing(t_s - t_s[0], angles, float(impact[row] - t_s[0]), golfer))
    return swings


def quaternions(angles_deg: Array, arm: str, seed: int) -> tuple[Array, Array]:
    """``(n, 4)`` scalar-last orientations of forearm and hand in the world, the forearm swung about."""
    n = angles_deg.shape[1]
    random = np.random.default_rng(seed)
    way = np.linspace(0, 1, n)[:, None] * random.normal(0, 90, 3) + 40 * np.sin(
        2 * np.pi * np.linspace(0, 1.3, n)[:, None] + random.uniform(0, 6, 3)
    )
    forearm = Rotation.from_rotvec(way, degrees=True)
    # The hand does not twist against the forearm.
    joint = joint_rotations(np.stack([angles_deg[0], angles_deg[1], np.zeros(n)], axis=1), arm)  # type: ignore[arg-type]
    return forearm.as_quat(), (forearm * Rotation.from_quat(joint)).as_quat()


def comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


def semicolon_file(folder: Path, swing: Swing) -> Path:
    """Semicolons, decimal commas, ms, radians, six lines above, a row of units; flexion's name says no direction."""
    path = folder / "p07_2031-04-02_003.csv"
    lines = [
        "Messprotokoll",
        "Prüfstand der Akademie Tarnholt",
        "Arm: links",
        "",
        "Spieler spielt mit: rechts",
        "---",
    ]
    lines += ["Zeit;Flex/Ext;Ulnar/Radial;Pro/Sup", "ms;rad;rad;rad"]
    flexion, ulnar, pronation = np.deg2rad(swing.angles_deg)
    for at, t in enumerate(swing.t_s):
        cells = [comma(1000 * t, 1), comma(flexion[at], 5), comma(ulnar[at], 5), comma(pronation[at], 5)]
        lines.append(";".join(cells))
    path.write_text("\n".join(lines) + "\n", encoding="cp1252")
    return path


def quaternion_file(folder: Path, swing: Swing) -> Path:
    """Quaternions of two sensors, scalar last, microseconds, the sensors' axes turned against the bones'."""
    path = folder / "mika_2031-05-01_012.csv"
    forearm, hand = quaternions(swing.angles_deg, "left", 5)
    # Sensor axes: x toward the elbow, y volar, so volar = +y and proximal = +x.
    to_sensor = Rotation.from_matrix(np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, -1]]).T)
    table = {"stamp_us": (swing.t_s * 1e6).round().astype(int) + 77_000_000}
    for name, values in (("forearm", forearm), ("hand", hand)):
        turned = (Rotation.from_quat(values) * to_sensor).as_quat()
        for part, column in zip("xyzw", turned.T, strict=True):
            table[f"{name}_q{part}"] = column
    text = pd.DataFrame(table).to_csv(index=False, float_format="%.7f")
    path.write_text("# worn on the left arm\n# right-handed\n" + text, encoding="utf-8")
    return path


def spreadsheet_file(folder: Path, swings: list[Swing]) -> Path:
    """A cover sheet, stamps of date and time, several swings with a column that numbers them; radial is positive."""
    from openpyxl import Workbook

    path = folder / "range day.xlsx"
    book = Workbook()
    book.active.title = "Cover"
    book.active["A1"], book.active["B3"] = "Range day", 12
    sheet = book.create_sheet("Samples")
    sheet.append(
        [
            "Player",
            "Swing No",
            "Timestamp",
            "Lead wrist flexion (deg)",
            "Lead wrist deviation (deg)",
            "Roll (deg)",
        ]
    )
    start = dt.datetime(2031, 6, 7, 10, 0, 0)
    for number, swing in enumerate(swings, 1):
        for at, t in enumerate(swing.t_s):
            stamp = start + dt.timedelta(seconds=30 * number + float(t))
            flexion, ulnar, pronation = (float(x) for x in swing.angles_deg[:, at])
            sheet.append(["noor", number, stamp, flexion, -ulnar, pronation])
    book.save(path)
    return path


def motion_file(folder: Path, swing: Swing) -> Path:
    """An open motion file in degrees with the coordinate names of an arm model, of a right arm."""
    path = folder / "ada_2031-07-01_swing04.mot"
    names = ["time", "elbow_flexion_r", "pro_sup_r", "flexion_r", "deviation_r"]
    head = [
        "Coordinates",
        "version=1",
        f"nRows={len(swing.t_s)}",
        f"nColumns={len(names)}",
        "inDegrees=yes",
        "endheader",
    ]
    flexion, ulnar, pronation = swing.angles_deg
    rows = zip(swing.t_s, 20 + 0.2 * pronation, pronation, flexion, ulnar, strict=True)
    lines = [*head, "\t".join(names), *("\t".join(f"{cell:.6f}" for cell in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def both_arms_file(folder: Path, swing: Swing) -> Path:
    """TSV in UTF-16, a number of the sample but no clock, the rate above, columns of both arms, an event column."""
    path = folder / "kim_2031-08-09_2.tsv"
    lines = ["Exported", "Rate: 120 Hz", ""]
    lines.append(
        "\t".join(
            [
                "Frame",
                "R Extension",
                "R Radial",
                "R Pronation",
                "L Extension",
                "L Radial",
                "L Pronation",
                "Event",
            ]
        )
    )
    flexion, ulnar, pronation = swing.angles_deg
    contact = int(np.argmin(np.abs(swing.t_s - swing.impact_s)))
    trail = (0.6 * flexion + 30, 0.8 * ulnar, -0.7 * pronation)
    for at in range(len(swing.t_s)):
        cells = [-trail[0][at], -trail[1][at], trail[2][at], -flexion[at], -ulnar[at], pronation[at]]
        lines.append("\t".join([str(at + 1), *(f"{cell:.3f}" for cell in cells), str(int(at == contact))]))
    path.write_text("\r\n".join(lines) + "\r\n", encoding="utf-16")
    return path
