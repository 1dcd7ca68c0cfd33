"""Random layouts with random names, units, signs, orders and delimiters, and what is true of each."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from stranger_files import Swing

NAMES = {
    "flexion": {
        "flexion": [
            "flexion",
            "Wrist Flexion",
            "lead_wrist_flexion",
            "wrist_flex",
            "Beugung_flexion",
            "flexion_angle",
        ],
        "extension": ["extension", "WristExt", "wrist_extension", "Extension Angle"],
        "": ["FE", "flex_ext", "Flexion/Extension", "wrist FE angle"],
    },
    "ulnar": {
        "ulnar": ["ulnar", "UlnarDeviation", "wrist_ulnar_dev", "Ulnar Dev."],
        "radial": ["radial", "Radial Deviation", "wristRadial"],
        "": ["deviation", "RUD", "radial_ulnar", "wrist dev", "Radial/Ulnar Deviation"],
    },
    "pronation": {
        "pronation": ["pronation", "ForearmPronation", "pron"],
        "supination": ["supination", "forearm_supination"],
        "": ["roll", "forearm rotation", "PS", "pro_sup", "Pronation/Supination"],
    },
}
TIME = {
    "s": ["time", "t_s", "Time (s)", "t", "Timestamp"],
    "ms": ["time_ms", "Time [ms]", "t", "Zeit", "elapsed"],
    "us": ["timestamp_us", "Timestamp", "usec time"],
}
PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6}
JUNK = [
    "battery",
    "acc_x",
    "gyro_z",
    "elbow_flexion",
    "temperature",
    "pelvis rotation",
    "flexion_velocity",
    "hr",
]


@dataclass
class Made:
    """A file and its truth: values by the paths of a layout."""

    path: Path
    truth: dict[str, object] = field(default_factory=dict)


def make(folder: Path, number: int, swings: list[Swing], random: np.random.Generator) -> Made:
    """One file in a layout of its own; a tenth of the names that say a direction say the wrong one."""
    truth: dict[str, object] = {}
    columns: dict[str, np.ndarray] = {}
    units_row: dict[str, str] = {}
    several = len(swings) > 1
    split = str(random.choice(["column", "clock"])) if several else "file"
    unit = str(random.choice(["deg", "rad"]))
    tells_unit = str(random.choice(["name", "row", "no"]))
    for name, pools in NAMES.items():
        positive = list(pools)[:2]
        means = str(random.choice(positive))
        reported = str(
            random.choice([means, means, "", positive[means == positive[0]]], p=[0.4, 0.2, 0.35, 0.05])
        )
        title = str(random.choice(pools[reported]))
        if tells_unit == "name":
            title += {"deg": " (deg)", "rad": "_rad"}[unit]
        channel = list(NAMES).index(name)
        values = np.concatenate([swing.angles_deg[channel] for swing in swings])
        values = values if means == positive[0] else -values
        columns[title] = np.deg2rad(values) if unit == "rad" else values
        units_row[title] = unit
        truth |= {
            f"angles.{name}.column": title,
            f"angles.{name}.unit": unit,
            f"angles.{name}.positive": means,
        }
    time_unit = str(random.choice(list(TIME)))
    title = str(random.choice(TIME[time_unit]))
    offset = 0.0 if split == "clock" else np.arange(len(swings)) * 12.0
    clock = np.concatenate(
        [s.t_s + o for s, o in zip(swings, np.broadcast_to(offset, len(swings)), strict=True)]
    )
    columns[title] = np.round(clock * PER_S[time_unit], {"s": 4, "ms": 1, "us": 0}[time_unit])
    units_row[title] = time_unit
    truth |= {"time.column": title, "time.unit": time_unit, "swings.split": split}
    for junk in random.choice(JUNK, random.integers(0, 4), replace=False):
        columns[str(junk)] = random.normal(0, 20, len(clock)).round(2)
    if split == "column":
        title = str(random.choice(["swing", "Trial", "swing_no"]))
        columns[title] = np.repeat(np.arange(1, len(swings) + 1), [len(s.t_s) for s in swings])
        truth["ids.swing"] = {"column": title}
    stem = f"g{number:03d}_2031-03-{number % 28 + 1:02d}" + ("" if several else f"_{number:02d}")
    truth["ids.pattern"] = "{player}_{session}" + ("" if several else "_{swing}")
    if random.random() < 0.4:
        mark = np.concatenate([np.full(len(s.t_s), s.impact_s) for s in swings])
        if split == "file" and random.random() < 0.5:
            columns["impact_time"] = np.round(mark * PER_S[time_unit], 4)
            truth["contact.time_column"] = "impact_time"
            units_row["impact_time"] = time_unit
        else:
            event = np.concatenate(
                [np.abs(s.t_s - s.impact_s) == np.abs(s.t_s - s.impact_s).min() for s in swings]
            )
            columns["event"] = event.astype(int)
            truth["contact.event_column"] = "event"
    keys = list(columns)
    random.shuffle(keys)
    table = pd.DataFrame({key: columns[key] for key in keys})
    kind = str(random.choice(["text", "text", "text", "parquet", "spreadsheet"]))
    path = _write(folder, stem, kind, table, units_row if tells_unit == "row" else {}, truth, random)
    truth["ids.pattern"] = f"{truth['ids.pattern']}{''.join(path.suffixes)}"
    return Made(path, truth)


def _write(
    folder: Path,
    stem: str,
    kind: str,
    table: pd.DataFrame,
    units: dict[str, str],
    truth: dict[str, object],
    random: np.random.Generator,
) -> Path:
    truth["file.reader"] = kind
    above = int(random.integers(0, 4))
    row = [units.get(name, "-") for name in table] if units else []
    if kind == "parquet":
        path = folder / f"{stem}.parquet"
        table.to_parquet(path)
        return path
    truth |= {"file.names_line": above + 1, "file.first_line": above + 2 + bool(row)}
    if kind == "spreadsheet":
        from openpyxl import Workbook

        path, book = folder / f"{stem}.xlsx", Workbook()
        sheet = book.active
        for line in range(above):
            sheet.append([f"line {line} of what stands above"])
        sheet.append(list(table))
        if row:
            sheet.append(row)
        for cells in table.itertuples(index=False):
            sheet.append([cell.item() if hasattr(cell, "item") else cell for cell in cells])
        book.save(path)
        return path
    delimiter = str(random.choice([",", ";", "\t", "|"]))
    decimal = "," if delimiter != "," and random.random() < 0.5 else "."
    encoding = str(random.choice(["utf-8", "utf-8-sig", "utf-16", "latin-1"]))
    truth["file.delimiter"] = "tab" if delimiter == "\t" else delimiter
    if decimal == ",":
        truth["file.decimal"] = ","
    lines = [f"line {line} öf what stands above" for line in range(above)]
    lines += [delimiter.join(table), *([delimiter.join(row)] if row else [])]
    for cells in table.itertuples(index=False):
        written = (f"{cell:.6f}".rstrip("0").rstrip(".") for cell in cells)
        lines.append(delimiter.join(cell.replace(".", decimal) for cell in written))
    path = folder / f"{stem}.{random.choice(['csv', 'txt', 'tsv'])}"
    path.write_text("\r\n".join(lines) + "\r\n", encoding=encoding)
    return path


def verdicts(truth: dict[str, object], guesses: list) -> tuple[list[str], list[str], list[str]]:
    """Paths that are stated rightly, stated wrongly and left open, of those whose truth is known."""
    right, wrong, left = [], [], []
    for guess in guesses:
        if guess.path not in truth:
            continue
        if guess.doubt == "open":
            left.append(guess.path)
        else:
            (right if guess.value == truth[guess.path] else wrong).append(guess.path)
    return right, wrong, left
