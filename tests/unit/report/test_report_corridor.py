from __future__ import annotations

from pathlib import Path

from faultml.drawings.corridor import DRAWN_STATS, band_at, corridor_for
from faultml.faults.catalogue import load_catalogue


def test_every_fault_read_off_one_curve_has_its_edge_in_a_band() -> None:
    catalogue = load_catalogue()
    drawn = {edge.fault: edge.deg for band in corridor_for(catalogue, "p1") for edge in band.edges()}
    expected = {fault.id: fault.edge for fault in catalogue.faults if fault.measure.stat in DRAWN_STATS}
    assert drawn == expected


def test_the_top_is_passed_between_cupped_and_bowed() -> None:
    band = band_at(corridor_for(load_catalogue(), ""), "flexion_deg", 1.0)
    assert band is not None and band.low is not None and band.high is not None
    assert (band.low.fault, band.low.deg, band.high.fault, band.high.deg) == (
        "cupped_top",
        -20,
        "flexed_top",
        25,
    )
    assert band.start == band.end == 1.0


def test_a_stretch_begins_and_ends_where_the_catalogue_says() -> None:
    band = band_at(corridor_for(load_catalogue(), ""), "ulnar_deg", 1.0)
    assert band is not None
    assert (band.start, band.end, band.stat) == (0.8, 1.5, "min")


def test_a_players_own_edge_is_drawn_with_its_owner(tmp_path: Path) -> None:
    file = tmp_path / "edges.toml"
    file.write_text('owner = "Lindow Park"\n[[edge]]\nfault = "flexed_top"\nvalue = 34.0\nplayer = "p07"\n')
    catalogue = load_catalogue(file)
    own = band_at(corridor_for(catalogue, "p07"), "flexion_deg", 1.0)
    other = band_at(corridor_for(catalogue, "p08"), "flexion_deg", 1.0)
    assert (
        own is not None and own.high is not None and (own.high.deg, own.high.owner) == (34.0, "Lindow Park")
    )
    assert other is not None and other.high is not None and other.high.deg == 25.0
