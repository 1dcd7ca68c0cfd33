"""How strangers write numbers: stand-ins for lost samples, thousands, whole-number quaternions, ids above the table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from importing_one import SEASON, read, text
from plain_files import recording, values, written
from recorder_files import layout_of, recorder_table, text_bytes
from stranger_files import quaternions

from faultml.errors import InputError
from faultml.importing.layout import FromColumn, Ids, parse_layout
from faultml.importing.layout_toml import write_layout
from faultml.importing.propose.proposal import as_toml, propose_layout


def with_cell(layout, cell: str, line: int = 30) -> bytes:  # type: ignore[no-untyped-def]
    lines = text(layout).split("\n")
    fields = lines[line].split(layout.file.delimiter)
    fields[4] = cell
    lines[line] = layout.file.delimiter.join(fields)
    return "\n".join(lines).encode()


@pytest.mark.parametrize("cell", ["-999", "-999.0", "--", " -- "])
def test_the_layouts_own_words_are_lost_samples(cell: str, tmp_path: Path) -> None:
    layout = layout_of(missing=("-999", "--"))
    got = read(with_cell(layout, cell), layout, tmp_path)
    assert got.run.n_sound == 2
    assert np.flatnonzero(np.isnan(got.season["flexion_deg"][0])).tolist() == [29]
    assert got.run.findings["gap-filled"] == 1


@pytest.mark.parametrize(
    ("thousands", "decimal", "cell", "value"),
    [
        (",", ".", "1,234.5", 1234.5),
        (".", ",", "1.234,5", 1234.5),
        (".", ",", "-12.345.678", -12345678.0),
        ("'", ".", "1'234", 1234.0),
        ("'", ".", "1\u2019234", 1234.0),
        (" ", ".", "1\u202f234.25", 1234.25),
        (",", ".", "-17.5", -17.5),
    ],
)
def test_thousands_are_read_where_the_layout_names_their_mark(
    thousands: str, decimal: str, cell: str, value: float, tmp_path: Path
) -> None:
    layout = layout_of(delimiter=";", decimal=decimal, thousands=thousands)
    got = read(with_cell(layout, cell), layout, tmp_path)
    assert got.season["flexion_deg"][0][29] == np.float32(value)


@pytest.mark.parametrize("cell", ["1,23", "12,3456", "1,234,56", ",123", "1,2345.0"])
def test_a_mark_that_groups_no_thousands_is_no_number(cell: str, tmp_path: Path) -> None:
    layout = layout_of(delimiter=";", thousands=",")
    got = read(with_cell(layout, cell), layout, tmp_path)
    assert got.codes == {"not-a-number"} and got.season["swing"].tolist() == ["002"]


def test_stand_ins_are_proposed_when_seen(tmp_path: Path) -> None:
    t_s, angles = recording()
    angles["flexion"][40:43] = -999
    table = {name: channel.astype(object) for name, channel in angles.items()}
    table["deviation"][60:62] = "--"
    proposal = propose_layout([written(tmp_path, {"time": t_s, **table})])
    (guess,) = (guess for guess in proposal.guesses if guess.path == "file.missing")
    assert guess.doubt == "likely" and set(guess.value) == {"-999", "--"}
    assert "stands 3 times in 'flexion'" in guess.reason
    assert proposal.layout.file.missing == tuple(guess.value)
    assert values(proposal)["angles.flexion.unit"] == "deg"
    assert values(proposal)["angles.ulnar.positive"] == "ulnar"


def test_a_large_number_that_is_none_is_no_stand_in(tmp_path: Path) -> None:
    t_s, angles = recording()
    table = {
        "time_ms": np.round(t_s * 1000) - 1,
        **angles,
        "battery": np.linspace(990, 1010, len(t_s)).round(),
    }
    assert "file.missing" not in values(propose_layout([written(tmp_path, table)]))


@pytest.mark.parametrize(("mark", "decimal"), [(",", "."), (".", ","), ("'", "."), (" ", ",")])
def test_thousands_are_proposed_when_seen(mark: str, decimal: str, tmp_path: Path) -> None:
    t_s, angles = recording()
    lines = ["time_ms;flexion;deviation;roll"]
    for t, *row in zip(t_s, *angles.values(), strict=True):
        time = f"{1000 * t + 5_000:,.1f}".translate(str.maketrans({",": mark, ".": decimal}))
        lines.append(";".join([time, *(f"{cell:.3f}".replace(".", decimal) for cell in row)]))
    path = tmp_path / "ann_2031-01-02_001.csv"
    path.write_text("\n".join(lines) + "\n")
    proposal = propose_layout([path])
    assert values(proposal)["file.thousands"] == mark
    assert values(proposal)["time.column"] == "time_ms"
    text = as_toml(proposal).replace('= "?"', '= "flexion"').replace('arm = "flexion"', 'arm = "lead"')
    layout = parse_layout(text.replace('hand = "flexion"', 'hand = "right"'))
    got = read(path, layout, tmp_path)
    assert got.run.n_problems == 0, got.problems
    np.testing.assert_allclose(got.season["t_s"][0] - 5, t_s, atol=1e-4)
    np.testing.assert_allclose(got.season["ulnar_deg"][0], angles["deviation"], atol=1e-3)


@pytest.mark.parametrize("scale", [16384, 1000, 20000])
def test_whole_number_quaternions_are_proposed_and_read(scale: int, tmp_path: Path) -> None:
    t_s, angles = recording()
    truth = np.stack([angles["flexion"], angles["deviation"], angles["roll"]])
    table: dict[str, np.ndarray] = {"time": t_s}
    for name, turned in zip(("forearm", "hand"), quaternions(truth, "left", 3), strict=True):
        for part, column in zip("xyzw", turned.T, strict=True):
            table[f"{name}_q{part}"] = np.round(column * scale).astype(int)
    path = written(tmp_path, table)
    proposal = propose_layout([path])
    stated = {guess.path: guess for guess in proposal.guesses}
    assert stated["orientation.scale"].value == scale and stated["orientation.scale"].doubt == "likely"
    text = (
        as_toml(proposal).replace('volar = "?"', 'volar = "+x"').replace('proximal = "?"', 'proximal = "+y"')
    )
    text = text.replace('arm = "?"', 'arm = "left"').replace('hand = "?"', 'hand = "right"')
    got = read(path, parse_layout(text), tmp_path)
    assert got.run.n_problems == 0, got.problems
    within = 240 / scale  # degrees: half a step in each of eight parts
    np.testing.assert_allclose(got.season["flexion_deg"][0], truth[0], atol=within)
    np.testing.assert_allclose(got.season["ulnar_deg"][0], truth[1], atol=within)


def test_whole_numbers_of_another_length_are_no_quaternions(tmp_path: Path) -> None:
    t_s, angles = recording()
    table = {"time": t_s, **{f"q{part}": (np.arange(len(t_s)) % 7 + at) for at, part in enumerate("wxyz")}}
    assert "orientation.scale" not in values(propose_layout([written(tmp_path, {**table, **angles})]))


HEAD = "Player: Ann Orme\nRecorded;01.05.2031;;\n# Trial = 7\n"
ABOVE = Ids(
    FromColumn(above="player"), FromColumn(above="Recorded", format="%d.%m.%Y"), FromColumn(above="Trial")
)


def test_ids_that_stand_above_the_table(tmp_path: Path) -> None:
    layout = layout_of(names_line=4)
    from msgspec.structs import replace

    layout = replace(layout, ids=ABOVE, swings=type(layout.swings)("file"))
    assert parse_layout(write_layout(layout)) == layout
    one = text_bytes(recorder_table(SEASON.iloc[:1], layout_of()), layout_of()).decode()
    got = read((HEAD + one).encode(), layout, tmp_path)
    assert got.season.loc[0, ["player", "session", "swing"]].tolist() == ["Ann Orme", "2031-05-01", "7"]
    for head, code in (
        (HEAD.replace("Player", "Pupil"), "not-above"),
        (HEAD.replace("# Trial = 7", "player: Bo"), "not-above"),
        (HEAD.replace("01.05", "31.02"), "bad-date"),
    ):
        got = read((head + one).encode(), layout, tmp_path)
        assert [problem.code for problem in got.run.unread] == [code]


def test_a_value_from_two_places_is_refused() -> None:
    for value in ('{ column = "a", above = "b" }', "{ words = {} }"):
        with pytest.raises(InputError, match="column or above"):
            parse_layout(f"schema = 1\nids.player = {value}\n")


def test_ids_above_the_table_are_proposed(tmp_path: Path) -> None:
    t_s, angles = recording()
    head = "Subject: p07\nDate: 17.05.2031\nTrial: 12\n\n"
    path = written(tmp_path, {"time": t_s, **angles}, "export.csv", head)
    reported = values(propose_layout([path]))
    assert reported["ids.player"] == {"above": "Subject"}
    assert reported["ids.session"] == {"above": "Date", "format": "%d.%m.%Y"}
    assert reported["ids.swing"] == {"above": "Trial"}
