"""The fault catalogue: what the contract says it holds, and what an override file may and may not do."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultml.channels import CHANNELS
from faultml.errors import CatalogueError
from faultml.faults import catalogue as module
from faultml.faults.catalogue import Catalogue, Edge, Position, load_catalogue, parse_position

# Common practice, no source: the project's table of faults, in its order.
TABLE = {
    "flexed_takeaway": ("flexion_deg", "max", "b0.2", "b0.6", "above", 12, "closes"),
    "fanned_takeaway": ("pronation_deg", "at", "b0.5", "", "above", 45, "opens"),
    "early_set": ("ulnar_deg", "at", "b0.4", "", "below", -24, "none"),
    "underset": ("ulnar_deg", "min", "b0.8", "d0.5", "above", -15, "none"),
    "overset": ("ulnar_deg", "min", "b0.8", "d0.5", "below", -45, "none"),
    "flexed_top": ("flexion_deg", "at", "b1.0", "", "above", 25, "closes"),
    "cupped_top": ("flexion_deg", "at", "b1.0", "", "below", -20, "opens"),
    "recupping": ("flexion_deg", "drop", "d0.0", "d0.5", "above", 12, "opens"),
    "flexing_downswing": ("flexion_deg", "change", "d0.0", "d0.6", "above", 25, "closes"),
    "early_ulnar_release": ("ulnar_deg", "release", "b0.8", "d1.0", "below", 0.5, "none"),
    "early_roll": ("pronation_deg", "change", "d0.4", "d0.0", "above", 15, "closes"),
    "flip": ("flexion_deg", "at", "d1.0", "", "below", -5, "opens"),
    "overflexed_impact": ("flexion_deg", "at", "d1.0", "", "above", 35, "closes"),
    "raised_wrist_impact": ("ulnar_deg", "at", "d1.0", "", "above", 16, "right, with loft (toe down)"),
    "held_hinge": ("ulnar_deg", "at", "d1.0", "", "below", -12, "left, with loft (toe up)"),
    "roll_over": ("pronation_deg", "at", "d1.0", "", "below", -25, "closes"),
    "hold_off": ("pronation_deg", "change", "f0.30", "d1.0", "below", 10, "opens"),
}

OVERRIDES = """
owner = "Lindow Park academy"

[[edge]]
fault = "flexed_top"
value = 34.0
player = "p07"

[[edge]]
fault = "flexed_top"
value = 30
"""


def overridden(folder: Path, text: str = OVERRIDES) -> Catalogue:
    path = folder / "edges.toml"
    path.write_text(text, encoding="utf-8")
    return load_catalogue(path)


@pytest.fixture
def catalogue() -> Catalogue:
    return load_catalogue()


def test_the_faults_are_those_of_the_contract(catalogue: Catalogue) -> None:
    held = {
        fault.id: (
            fault.measure.channel,
            fault.measure.stat,
            fault.measure.start,
            fault.measure.end,
            fault.side,
            fault.edge,
            fault.face,
        )
        for fault in catalogue.faults
    }
    assert held == TABLE
    assert catalogue.ids == tuple(TABLE)
    assert {fault.id for fault in catalogue.faults if fault.unit == "share"} == {"early_ulnar_release"}
    assert catalogue["early_ulnar_release"].measure.share == 0.25
    assert catalogue["early_ulnar_release"].measure.min_deg == 15
    guard = catalogue["recupping"].guard
    assert guard is not None and (guard.stat, guard.start, guard.end, guard.below) == (
        "min",
        "d0.0",
        "d0.5",
        0,
    )
    assert {fault.id: fault.edge for fault in catalogue.session_faults} == {
        "inconsistent_release": 0.08,
        "inconsistent_face": 6,
    }
    assert {fault.min_swings for fault in catalogue.session_faults} == {5}


def test_what_a_fault_brings_with_it(catalogue: Catalogue) -> None:
    brings = {fault.id: set(fault.brings) for fault in catalogue.faults if fault.brings}
    assert brings == {
        "early_ulnar_release": {"flip"},
        "fanned_takeaway": {"hold_off", "roll_over", "flexed_top"},
        "flexed_top": {"hold_off", "overflexed_impact"},
        "cupped_top": {"recupping", "roll_over", "flip"},
    }
    assert {fault.id for fault in catalogue.faults if fault.brings_pattern == "late_save"} == {"flexed_top"}


def test_the_late_save_and_the_setup(catalogue: Catalogue) -> None:
    save = catalogue.late_save
    assert (save.peak.stat, save.peak.channel, save.peak.start, save.peak.end) == (
        "max",
        "flexion_deg",
        "b0.6",
        "d0.3",
    )
    assert (save.past, save.given_back, save.given_back_share) == (25, 15, 0.5)
    assert (catalogue.address.extension_low, catalogue.address.extension_high) == (8, 32)


def test_arrays_follow_catalogue_order(catalogue: Catalogue) -> None:
    assert catalogue.signs.tolist() == [1 if row[4] == "above" else -1 for row in TABLE.values()]
    assert catalogue.softness_by_fault.tolist() == [
        0.04 if fault == "early_ulnar_release" else 4 for fault in TABLE
    ]
    assert [fault.needs_pronation for fault in catalogue.faults] == [
        row[0] == "pronation_deg" for row in TABLE.values()
    ]
    assert [CHANNELS[fault.measure.channel_index] for fault in catalogue.faults] == [
        row[0] for row in TABLE.values()
    ]


def test_every_edge_says_where_it_comes_from(catalogue: Catalogue) -> None:
    sourced = {fault.id for fault in catalogue.faults if "no source" not in fault.source}
    assert sourced == {"early_ulnar_release", "held_hinge"}


@given(st.sampled_from("bdf"), st.decimals(min_value=0, max_value=1, places=2))
def test_a_position_reads_back(phase: str, fraction: object) -> None:
    position = parse_position(f"{phase}{fraction}")
    assert position == Position(phase, float(str(fraction)))
    assert str(position) == f"{phase} {fraction}"


@pytest.mark.parametrize(
    "text", ["", "b", "0.6", "x0.6", "b0.6 ", " b0.6", "b 0.6", "b.6", "b1e2", "bnan", "b0,6", "B0.6"]
)
def test_what_is_no_position_is_refused(text: str) -> None:
    with pytest.raises(CatalogueError) as caught:
        parse_position(text)
    assert caught.value.code == "bad-position"
    assert repr(text) in str(caught.value)


def test_without_overrides_the_default_owns_every_edge(catalogue: Catalogue) -> None:
    assert {catalogue.edge(fault, "p07").owner for fault in catalogue.ids} == {catalogue.owner}
    assert catalogue.edges(["p07"]).tolist() == [[row[5] for row in TABLE.values()]]


def test_a_players_edge_comes_before_the_sites_and_each_says_whose_it_is(tmp_path: Path) -> None:
    moved = overridden(tmp_path)
    assert moved.edge("flexed_top") == Edge(30, "Lindow Park academy")
    assert moved.edge("flexed_top", "p01") == Edge(30, "Lindow Park academy")
    assert moved.edge("flexed_top", "p07") == Edge(34, "Lindow Park academy")
    assert moved.edge("cupped_top", "p07") == Edge(-20, moved.owner)
    assert load_catalogue().edge("flexed_top", "p07").value == 25, "an override stays in its own catalogue"


def test_edges_of_many_players_keep_their_order(tmp_path: Path) -> None:
    moved = overridden(tmp_path)
    edges = moved.edges(["p07", "p01", "p07"])
    assert edges.shape == (3, len(TABLE))
    assert edges[:, moved.ids.index("flexed_top")].tolist() == [34, 30, 34]
    assert edges[:, moved.ids.index("cupped_top")].tolist() == [-20, -20, -20]
    assert np.array_equal(edges, moved.edges(np.array(["p07", "p01", "p07"], dtype=object)))
    assert moved.edges([]).shape == (0, len(TABLE))


def test_the_digest_follows_the_content(tmp_path: Path, catalogue: Catalogue) -> None:
    moved = overridden(tmp_path).digest
    assert moved == overridden(tmp_path, f"# a comment\n{OVERRIDES}").digest
    assert len({catalogue.digest, moved, overridden(tmp_path, OVERRIDES.replace("34.0", "33.0")).digest}) == 3


def test_the_digest_is_the_same_in_another_process(catalogue: Catalogue) -> None:
    code = (
        "import sys; from faultml.faults.catalogue import load_catalogue as f; sys.stdout.write(f().digest)"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert other.stdout == catalogue.digest


EDGE = '[[edge]]\nfault = "flip"\nvalue = -8.0\n'


@pytest.mark.parametrize(
    ("text", "code", "reported"),
    [
        (EDGE, "bad-catalogue", "owner"),
        ('owner = "us"', "bad-catalogue", "edge"),
        (f'owner = ""\n{EDGE}', "bad-catalogue", "owner"),
        (f'owner = "us"\n{EDGE}limit = 3', "bad-catalogue", "limit"),
        (f'owner = "us"\ncolour = "red"\n{EDGE}', "bad-catalogue", "colour"),
        (f'owner = "us"\n{EDGE}'.replace("-8.0", '"-8"'), "bad-catalogue", "value"),
        (f'owner = "us"\n{EDGE}'.replace("-8.0", ""), "bad-catalogue", ""),
        (f'owner = "us"\n{EDGE}player = 7', "bad-catalogue", "player"),
        (f'owner = "us"\n{EDGE}'.replace("flip", "flop"), "unknown-fault", "flop"),
        (f'owner = "us"\n{EDGE}{EDGE}', "repeated-edge", "flip"),
        (f'owner = "us"\n{EDGE}'.replace("-8.0", "nan"), "bad-edge", "nan"),
        (f'owner = "us"\n{EDGE}'.replace("-8.0", "-inf"), "bad-edge", "inf"),
        (f'owner = "us"\n{EDGE}'.replace("-8.0", "-800"), "bad-edge", "-800"),
        (f'owner = "us"\n{EDGE}'.replace("flip", "early_ulnar_release"), "bad-edge", "-8"),
    ],
)
def test_an_override_that_does_not_fit_is_refused(
    tmp_path: Path, text: str, code: str, reported: str
) -> None:
    with pytest.raises(CatalogueError) as caught:
        overridden(tmp_path, text)
    assert caught.value.code == code
    assert reported in str(caught.value)
    assert "edges.toml" in str(caught.value)


def test_an_unreadable_override_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'owner = "caf\xe9"')
    for name in ("missing.toml", "latin.toml", "."):
        with pytest.raises(CatalogueError, match="unreadable-catalogue") as caught:
            load_catalogue(tmp_path / name)
        assert str(tmp_path) in caught.value.where


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('id = "early_set"', 'id = "underset"'),
        ('brings = ["flip"]', 'brings = ["flop"]'),
        ('of = ["early_ulnar_release"]', 'of = ["late"]'),
        ('from = "b0.5"', 'from = "0.5"'),
        ('side = "above"', 'side = "over"'),
        ("softness]\ndeg = 4.0", "softness]\ndeg = 0.0"),
        ("schema = 1", "schema = 2"),
        ('channel = "ulnar_deg"', 'channel = "ulnar"'),
        ("below = 0.0", "beneath = 0.0"),
    ],
)
def test_a_damaged_catalogue_is_refused(old: str, new: str) -> None:
    text = Path(module.__file__).with_name("catalogue.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises((CatalogueError, msgspec.ValidationError)):
        Catalogue(msgspec.toml.decode(text.replace(old, new, 1), type=module._CatalogueFile))
