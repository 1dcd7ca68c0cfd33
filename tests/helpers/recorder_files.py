"""Recorders' files for tests: a season table turned round into whatever a layout says, and written by any writer."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from faultml.importing.layout import (
    POSITIVE,
    AngleLayout,
    Angles,
    FileLayout,
    FromColumn,
    Ids,
    Layout,
    Swings,
    TimeLayout,
    Worn,
)

PER_SECOND = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9, "datetime": 1e9}
COLUMNS = {"flexion": "Bend", "ulnar": "Tilt", "pronation": "Twist"}


def layout_of(
    reader: str = "text",
    *,
    unit: str = "deg",
    positive: tuple[str, str, str] = ("flexion", "ulnar", "pronation"),
    geometric: bool = False,
    time_unit: str = "s",
    arm: str = "left",
    hand: str = "right",
    **file: object,
) -> Layout:
    """A layout of columns Player, Day, No, Clock, Bend, Tilt, Twist, without open questions."""
    sign = "geometric" if geometric else "anatomical"
    angles = {
        name: AngleLayout(COLUMNS[name], unit, word, sign)  # type: ignore[arg-type]
        for name, word in zip(POSITIVE, positive, strict=True)
    }
    lists = file.get("shape") == "lists"
    return Layout(
        1,
        file=FileLayout(reader, **file),  # type: ignore[arg-type]
        time=TimeLayout(time_unit, "Clock"),  # type: ignore[arg-type]
        angles=Angles(**angles),
        worn=Worn(arm, hand),
        ids=Ids(FromColumn("Player"), FromColumn("Day"), FromColumn("No")),
        swings=Swings("row" if lists else "column"),
    )


def recorder_table(season: pd.DataFrame, layout: Layout) -> pd.DataFrame:
    """A season table (one row a swing) with the columns, units and signs of a layout."""
    rows = season.rename(columns={"player": "Player", "session": "Day", "swing": "No"})
    table = rows[["Player", "Day", "No"]].copy()
    per_second = PER_SECOND[layout.time.unit]
    table["Clock"] = [np.asarray(t_s) * per_second for t_s in season["t_s"]]
    if layout.time.unit == "datetime":
        table["Clock"] = [
            pd.Timestamp("2026-05-01") + pd.to_timedelta(np.round(stamps).astype(np.int64), unit="ns")
            for stamps in table["Clock"]
        ]
    assert layout.angles is not None
    for name, column in COLUMNS.items():
        angle: AngleLayout | None = getattr(layout.angles, name)
        if angle is None:
            continue
        sign = 1.0 if angle.positive == POSITIVE[name][0] else -1.0
        if angle.sign == "geometric" and layout.worn.arm == "left":
            sign = -sign
        values = [sign * np.asarray(swing, dtype=float) for swing in season[f"{name}_deg"]]
        table[column] = [np.radians(swing) for swing in values] if angle.unit == "rad" else values
    if layout.file.shape == "rows":
        samples = ["Clock", *(name for name in COLUMNS.values() if name in table)]
        table = table.explode(samples, ignore_index=True)
        kinds = dict.fromkeys(samples[1:], float)
        table = table.astype(kinds if layout.time.unit == "datetime" else kinds | {"Clock": float})
    return table


def write_recorder(
    table: pd.DataFrame, path: Path, layout: Layout, *, preamble: int = 0, end: str = "\n"
) -> Path:
    """Write a table by what a layout says of its file; `preamble` lines stand above the names."""
    file = layout.file
    if file.reader == "parquet":
        pq.write_table(pa.Table.from_pandas(table, preserve_index=False), path)
    elif file.reader == "spreadsheet":
        with pd.ExcelWriter(path, engine="openpyxl") as book:
            table.to_excel(book, index=False, sheet_name=file.sheet or "Sheet1", startrow=preamble)
    else:
        path.write_bytes(text_bytes(table, layout, preamble=preamble, end=end))
    return path


def text_bytes(table: pd.DataFrame, layout: Layout, *, preamble: int = 0, end: str = "\n") -> bytes:
    """The bytes of a text or motion file."""
    file = layout.file
    mark = {"tab": "\t", "space": "  "}.get(file.delimiter, file.delimiter)
    mark = "\t" if file.reader == "motion" else mark

    def cell(value: object) -> str:
        if isinstance(value, list | np.ndarray | pd.DatetimeIndex):
            return file.list_delimiter.join(map(cell, value))
        if isinstance(value, pd.Timestamp):
            return value.isoformat()
        text = "" if value != value else repr(float(value)) if isinstance(value, float) else str(value)  # type: ignore[arg-type]
        text = text.replace(".", file.decimal) if isinstance(value, float) else text
        return f'"{text}"' if mark.strip() and mark in text else text

    lines = [f"line {at} of the preamble" for at in range(preamble)]
    if file.reader == "motion":
        unit = "yes" if layout.angles is not None and layout.angles.flexion.unit == "deg" else "no"
        lines += ["Coordinates", f"nRows={len(table)}", f"inDegrees={unit}", "", "endheader"]
    lines.append(mark.join(table.columns))
    lines += [mark.join(map(cell, row)) for row in table.itertuples(index=False)]
    content = (end.join(lines) + end).encode(file.encoding)
    return gzip.compress(content, mtime=0) if file.sheet == "gz" else content
