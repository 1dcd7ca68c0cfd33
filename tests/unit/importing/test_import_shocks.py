"""Contacts from accelerations: read by a layout, written into the season, proposed when seen."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from importing_one import Read, read
from recorder_files import layout_of, recorder_table, text_bytes
from season_fakes import fake_season

from faultml.errors import InputError
from faultml.importing.layout import Acceleration, AngularRate, Contact, Layout, open_questions, parse_layout
from faultml.importing.propose.proposal import propose_layout
from faultml.importing.pseudonyms import load_pseudonyms
from faultml.importing.season import import_season
from faultml.recordings.read import open_season

RATE_HZ, IMPACT_S = 400.0, 1.36
AXES = ("AccX", "AccY", "AccZ")
SEASON = fake_season(3, rate_hz=RATE_HZ)


def felt(t_s: np.ndarray, *, ball: bool) -> np.ndarray:
    bell = np.exp(-0.5 * ((t_s - IMPACT_S) / 0.08) ** 2)
    signal = np.stack([9.81 + 0 * t_s, -110 * bell, 5 * bell])
    since = t_s - IMPACT_S - 0.0011
    wave = np.where(since >= 0, np.exp(-np.maximum(since, 0) / 0.008) * np.cos(440 * since), 0)
    return signal + ball * 120 * np.array([[0.6], [0.5], [0.62]]) * wave


def table_of(layout: Layout, unit: float = 1.0) -> pd.DataFrame:
    """The season's rows with accelerations; the last swing meets no ball."""
    table = recorder_table(SEASON, layout)
    signals = [felt(np.asarray(t_s), ball=at < 2) / unit for at, t_s in enumerate(SEASON["t_s"])]
    for name, values in zip(AXES, np.concatenate(signals, axis=1), strict=True):
        table[name] = values
    return table


def with_sensor(unit: str = "m/s2", **more: object) -> Layout:
    return msgspec.structs.replace(layout_of(), acceleration=Acceleration(AXES, unit), **more)  # type: ignore[arg-type]


def imported(layout: Layout, folder: Path, table: pd.DataFrame) -> Read:
    return read(text_bytes(table, layout), layout, folder)


def placed_by(got: Read) -> list[str]:
    return got.season["impact_from"].fillna("").tolist()


@pytest.mark.parametrize(("unit", "size"), [("m/s2", 1.0), ("g", 9.80665)])
def test_a_shock_becomes_a_mark_with_its_doubt(unit: str, size: float, tmp_path: Path) -> None:
    layout = with_sensor(unit)
    got = imported(layout, tmp_path, table_of(layout, size))
    assert placed_by(got) == ["shock", "shock", ""]
    np.testing.assert_allclose(
        got.season["impact_s"].to_numpy(float)[:2], IMPACT_S + 0.0011, atol=1 / RATE_HZ
    )
    assert got.season["impact_sd_s"].between(0.001, 0.003).tolist() == [True, True, False]
    assert got.run.n_shocks == 2


def test_the_recorders_own_mark_stays(tmp_path: Path) -> None:
    layout = with_sensor(contact=Contact(time_column="Hit"))
    table = table_of(layout)
    table["Hit"] = np.where(table["No"] == "001", 1.3, np.nan)
    got = imported(layout, tmp_path, table)
    assert got.season["impact_s"].tolist()[0] == 1.3 and placed_by(got) == ["", "shock", ""]


def test_a_wrong_unit_marks_nothing_and_is_reported(tmp_path: Path) -> None:
    layout = with_sensor("g")
    got = imported(layout, tmp_path, table_of(layout))
    assert got.season["impact_s"].isna().all() and got.codes == {"sensed-unit"}


def test_without_such_columns_nothing_changes(tmp_path: Path) -> None:
    layout = layout_of()
    plain = imported(layout, tmp_path / "a", recorder_table(SEASON, layout)).season
    aside = imported(layout, tmp_path / "b", table_of(layout)).season
    pd.testing.assert_frame_equal(plain, aside)
    assert plain["impact_s"].isna().all() and plain["impact_from"].isna().all()


def test_angular_rates_serve_where_there_are_no_accelerations(tmp_path: Path) -> None:
    layout = msgspec.structs.replace(layout_of(), angular_rate=AngularRate(AXES, "rad/s"))
    table = table_of(layout, 180 / np.pi)
    assert placed_by(imported(layout, tmp_path, table)) == ["shock", "shock", ""]


def test_a_layout_says_three_axes_or_a_norm() -> None:
    text = 'schema = 1\n[acceleration]\ncolumns = ["x", "y"]\nunit = "g"'
    with pytest.raises(InputError, match="three axes, or one norm"):
        parse_layout(text)
    assert "acceleration.unit" in open_questions(
        parse_layout(text.replace('"x", "y"', '"n"').replace('"g"', '"?"'))
    )


@pytest.mark.parametrize(
    ("names", "size", "unit"),
    [
        (("acc_x [g]", "acc_y [g]", "acc_z [g]"), 9.80665, "g"),
        (("Accel X (m/s2)", "Accel Y (m/s2)", "Accel Z (m/s2)"), 1.0, "m/s2"),
        (("accX", "accY", "accZ"), 9.80665, "g"),
        (("accX", "accY", "accZ"), 1.0, "m/s2"),
    ],
)
def test_accelerations_are_proposed_when_seen(
    names: tuple[str, ...], size: float, unit: str, tmp_path: Path
) -> None:
    layout = layout_of()
    table = table_of(layout, size).rename(columns=dict(zip(AXES, names, strict=True)))
    (tmp_path / "a.csv").write_bytes(text_bytes(table, layout))
    proposed = propose_layout([tmp_path / "a.csv"]).layout
    assert proposed.acceleration == Acceleration(names, unit)  # type: ignore[arg-type]


def test_a_unit_that_nothing_tells_is_not_proposed(tmp_path: Path) -> None:
    layout = layout_of()
    table = table_of(layout, 0.01).rename(columns=dict(zip(AXES, ("accX", "accY", "accZ"), strict=True)))
    (tmp_path / "a.csv").write_bytes(text_bytes(table, layout))
    assert propose_layout([tmp_path / "a.csv"]).layout.acceleration is None


def test_a_coachs_marks_stand_beside_the_season_under_pseudonyms(tmp_path: Path) -> None:
    layout = layout_of()
    (tmp_path / "file.csv").write_bytes(text_bytes(recorder_table(SEASON, layout), layout))
    marks = tmp_path / "coach.csv"
    marks.write_text(
        "player,session,swing,landmark,time_s\np1,2026-05-01,001,impact,1.35\n", encoding="utf-8"
    )
    names = load_pseudonyms(tmp_path / "names.csv")
    out = tmp_path / "season"
    import_season([tmp_path / "file.csv"], layout, out, marks=marks, pseudonyms=names)
    (mark,) = open_season([out]).marks
    assert mark.player == names.name("p1") != "p1" and mark.at_s == 1.35
    assert set(open_season([out]).players) == {mark.player}
    marks.write_text("player,impact\np1,1.35\n", encoding="utf-8")
    with pytest.raises(InputError, match="bad-marks"):
        import_season([tmp_path / "file.csv"], layout, out, marks=marks)
