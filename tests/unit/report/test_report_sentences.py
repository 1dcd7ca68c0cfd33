from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import msgspec
import pytest

from faultml.coaching.misses import FitWord
from faultml.coaching.rules import Coaching
from faultml.report.changes import retest_lines
from faultml.report.drill_card import drill_card
from faultml.report.player_tables import PlayerTables, player_tables
from faultml.report.sentences import basis, keep, meta, sentence, warnings


@pytest.fixture(scope="module")
def shown(
    make_player: type, make_tables: Callable, source_of: Callable, coaching: Coaching
) -> dict[str, PlayerTables]:
    tables = make_tables(
        [
            make_player("bowed", style="bowed_top_saved", roster={"usual_miss": "hook"}),
            make_player("casting", style="casting", roster={"usual_miss": "thin", "level": "club"}),
            make_player("unknown", style="cupped", shots=False),
            make_player(
                "chosen", style="deep_cup", scatter=0.04, swings_per_session=15, roster={"usual_miss": ""}
            ),
            make_player("sound", roster={"usual_miss": "hook"}, shots=False, hand="left"),
            make_player("tilted", style="raised"),
        ]
    )
    straight = tables.swings["player"] == "chosen"
    tables.swings.loc[straight, "shot"] = tables.swings.loc[straight, "shot"].map(lambda _: ["straight"])
    tilted = tables.swings["player"] == "tilted"
    step = tables.swings.loc[tilted, "session"].rank(method="dense")
    tables.swings.loc[tilted, "address_flexion_deg"] -= 10 + 5 * step
    tables.swings.loc[tilted, "address_ulnar_deg"] -= 5 * step
    return {player.name: player for player in player_tables(source_of(tables, coaching))}


def test_cause_save_and_miss_stand_in_one_sentence(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    said = sentence(shown["bowed"], coaching)
    assert said.count(". ") == 0 and said.endswith(".")
    order = [
        said.index(part) for part in ("bowed at the top", "the call is yes in", "late save", "bring the hook")
    ]
    assert order == sorted(order)


def test_a_moment_is_reported_as_a_part_of_the_downswing(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    said = sentence(shown["casting"], coaching)
    assert "casts" in said and said.endswith(
        "it can bring the thin shots (26 of 47 balls were thin, 21 straight)."
    )


def test_the_figures_say_what_is_counted_and_what_is_estimated(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    row = shown["bowed"].main_fault
    assert row is not None and row.swings_now == 24 and 0 < row.flagged_now <= 24
    assert f"yes in {row.flagged_now} of the last 24 swings" in sentence(shown["bowed"], coaching)
    figures = " ".join(basis(shown["bowed"], coaching))
    assert f"estimated at {100 * row.rate_now:.0f} % of swings (90 % interval" in figures
    assert f"over the season at {100 * row.rate:.0f} %" in figures
    assert "those that do not show it too" in figures
    assert "50 % of the downswing" in " ".join(basis(shown["casting"], coaching))
    assert basis(shown["sound"], coaching) == []


@pytest.mark.parametrize(
    ("fit", "said"),
    [
        ("agree", "that fits the hook, by the catalogue and by the balls"),
        ("catalogue", "by the catalogue it can bring the hook ("),
        ("against", "by the catalogue it can bring the hook, but here it shows less often with it"),
        ("data", "here it shows more often with the hook than without, which the catalogue does not say"),
        ("", "it does not explain the hook"),
    ],
)
def test_a_fault_fits_the_miss_only_where_catalogue_and_balls_agree(
    shown: dict[str, PlayerTables], coaching: Coaching, fit: FitWord, said: str
) -> None:
    bowed = shown["bowed"]
    known = fit in ("agree", "catalogue")
    rows = {
        fault: msgspec.structs.replace(
            row, fit=fit, explains_miss=known, fit_balls=20, fit_rate=0.6, fit_others=30, fit_others_rate=0.3
        )
        for fault, row in bowed.faults.items()
    }
    own = replace(bowed, faults=rows)
    assert said in sentence(own, coaching)
    assert ("fits" in sentence(own, coaching)) is (fit == "agree")
    assert "in an estimated 60 % of 20 balls with the hook and 30 % of 30 others" in " ".join(
        basis(own, coaching)
    )


def test_an_unknown_miss_is_not_made_up(shown: dict[str, PlayerTables], coaching: Coaching) -> None:
    said = sentence(shown["unknown"], coaching)
    assert "cupped at the top" in said and "fits" not in said and "explain" not in said


def test_a_style_is_left_alone(shown: dict[str, PlayerTables], coaching: Coaching) -> None:
    assert (
        sentence(shown["chosen"], coaching)
        == "What stands out (cupped top) is repeatable and goes with no miss."
    )
    assert any(
        line.startswith("Cupped top: ") and "style" in line for line in keep(shown["chosen"], coaching)
    )


def test_no_retest_of_a_style_is_reported(
    make_player: type, make_tables: Callable, source_of: Callable, coaching: Coaching
) -> None:
    tables = make_tables(
        [
            make_player(
                "chosen", style="deep_cup", scatter=0.04, swings_per_session=15, roster={"usual_miss": ""}
            )
        ]
    )
    tables.swings["shot"] = tables.swings["shot"].map(lambda _: ["straight"])
    last = tables.swings["session"] == tables.swings["session"].max()
    tables.swings.loc[last, "context"] = "retest"
    player = player_tables(source_of(tables, coaching))[0]
    assert player.faults["cupped_top"].kind == "style"
    assert "cupped_top" in [row.fault for row in player.retests]
    assert not [line for line in retest_lines(player, coaching) if line.startswith("Cupped top")]


def test_a_miss_that_nothing_explains_is_said(shown: dict[str, PlayerTables], coaching: Coaching) -> None:
    assert sentence(shown["sound"], coaching) == (
        "No fault shows often enough now to work on; nothing seen here explains the hook "
        "(the roster's word; no ball was noted)."
    )


def test_what_is_sound_is_named_and_what_shows_is_not(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    (sound,) = keep(shown["casting"], coaching)
    assert "the takeaway" in sound and "the wrist at the top" in sound
    assert "the moment of release" not in sound and "the bend at impact" not in sound


def test_a_setup_out_of_its_band_and_moving_is_looked_at_first(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    high, drift = warnings(shown["tilted"], coaching)
    assert "more than 32°" in high and "grip" in high and "moved between sessions" in drift
    assert warnings(shown["sound"], coaching) == []


def test_who_played_what_when(shown: dict[str, PlayerTables]) -> None:
    who = "right-handed · club · usual miss: thin"
    when = "47 swings assessed of 48 in 4 sessions · 2031-04-02 to 2031-05-28"
    assert meta(shown["casting"]) == f"{when} · {who}"
    assert "left-handed" in meta(shown["sound"])


def test_a_fault_that_is_worth_no_drill_is_still_named(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    bowed = shown["bowed"]
    nothing_leads = {
        fault: msgspec.structs.replace(row, leading=False) for fault, row in bowed.faults.items()
    }
    said = sentence(replace(bowed, faults=nothing_leads), coaching)
    assert re.match(
        r"No fault is worth a new drill now; what shows most is .*\(the call is yes in \d+ of the last 24",
        said,
    )


def test_a_reserve_says_why_it_is_for_another_fault_than_the_leading_one(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    other = [
        (drill, player)
        for player in shown.values()
        for drill in player.drills
        if not player.faults[drill.faults[0]].leading
    ]
    assert other
    for drill, player in other:
        assert coaching.words[drill.faults[0]] in drill_card(drill, player, coaching).serves


def test_a_miss_that_only_the_roster_knows_would_fit(
    shown: dict[str, PlayerTables], coaching: Coaching
) -> None:
    bowed = shown["bowed"]
    unseen = {
        fault: msgspec.structs.replace(row, miss_balls=0, usual_miss="hook")
        for fault, row in bowed.faults.items()
    }
    said = sentence(replace(bowed, faults=unseen), coaching)
    assert "; by the catalogue it can bring the hook (0 of " in said
    apart = {
        fault: msgspec.structs.replace(row, usual_miss="fat thin") for fault, row in bowed.faults.items()
    }
    said = sentence(replace(bowed, faults=apart), coaching)
    assert "the roster names fat shots and thin shots as the usual miss)" in said
