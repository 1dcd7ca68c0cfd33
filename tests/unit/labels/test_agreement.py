"""Agreement: who is compared with whom, what counts, and when there is no figure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from label_fakes import fake_results

from faultml.labels import Verdict, agreement
from faultml.labels.agree import kappa
from faultml.labels.lines import agreement_lines
from faultml.labels.rules import load_label_rules
from faultml.labels.verdict import COLUMNS
from faultml.results import Results, read_results


def said(*verdicts: Verdict) -> pd.DataFrame:
    return pd.DataFrame([each._asdict() for each in verdicts], columns=list(COLUMNS))


def answers(
    coach: str, word: str = "yes", occasion: str = "1", golfers: int = 6, fault: str = "flip"
) -> list[Verdict]:
    """Five swings of each golfer, every other one the other answer."""
    other = "no" if word == "yes" else "yes"
    return [
        Verdict(
            f"golfer{golfer}",
            "2031-04-05",
            f"{at:03d}",
            fault,
            word if at % 2 else other,
            coach,
            occasion=occasion,
        )
        for golfer in range(golfers)
        for at in range(5)
    ]


@pytest.fixture
def results(tmp_path: Path) -> Results:
    return read_results(fake_results(tmp_path / "results"))


def test_who_is_compared(results: Results) -> None:
    verdicts = said(
        *answers("bob"), *answers("ann"), *answers("ann", occasion="2"), *answers("ann", occasion="3")
    )
    table = agreement(verdicts, results)
    pairs = table[["against", "coach", "other"]].drop_duplicates()
    assert pairs.values.tolist() == [
        ["tool", "ann", "the tool"],
        ["tool", "bob", "the tool"],
        ["coach", "ann", "bob"],
        ["again", "ann", "occasion 2 after 1"],
        ["again", "ann", "occasion 3 after 2"],
    ]
    assert set(table.loc[table["against"] == "again", "kappa"]) == {1.0}
    assert set(agreement(verdicts)["against"]) == {"coach", "again"}
    assert len(agreement(said(), results)) == 0


def test_a_fault_no_longer_known_stands_after_the_others(results: Results) -> None:
    gone = [each for coach in ("ann", "bob") for each in answers(coach, fault="a_former_name")]
    table = agreement(said(*gone, *answers("ann"), *answers("bob")), results)
    assert table.loc[table["against"] == "coach", "fault"].tolist() == ["flip", "a_former_name", "all"]


def test_the_tool_says_yes_from_a_half_on(results: Results) -> None:
    mine = said(*answers("ann"))
    row = agreement(mine, results).set_index("fault").loc["flip"]
    reported = results.faults.query("fault == 'flip'").set_index(["player", "swing"])["probability"]
    tool = np.array([reported[(each.player, each.swing)] >= 0.5 for each in mine.itertuples()])
    yes = (mine["verdict"] == "yes").to_numpy()
    expected = [(yes & tool).sum(), (yes & ~tool).sum(), (~yes & tool).sum(), (~yes & ~tool).sum()]
    assert row[["both_yes", "only_coach", "only_other", "both_no"]].tolist() == expected


def test_what_the_tool_has_not_assessed_is_left_out(results: Results) -> None:
    verdicts = said(*answers("ann"), Verdict("golfer0", "2031-04-05", "006", "flip", "yes", "ann"))
    assert agreement(verdicts, results).set_index("fault").loc["flip", "swings"] == 30


def test_too_few_are_reported_and_not_figured() -> None:
    for golfers, enough in ((4, False), (5, True)):
        sides = (*answers("ann", golfers=golfers), *answers("bob", golfers=golfers))
        row = agreement(said(*sides)).iloc[0]
        assert np.isnan(row["kappa"]) != enough
        assert row["note"].startswith("not enough: from 20 swings of 5 golfers") != enough


def test_one_answer_throughout_has_no_kappa() -> None:
    same = [each._replace(verdict="no") for each in answers("ann")]
    row = agreement(said(*same, *(each._replace(coach="bob") for each in same))).iloc[0]
    assert row["agree"] == 1.0 and np.isnan(row["kappa"]) and row["note"] == "one answer only"


def test_a_fault_few_golfers_show_has_no_interval() -> None:
    rare = [each._replace(verdict="yes" if each.player == "golfer0" else "no") for each in answers("ann")]
    row = agreement(said(*rare, *(each._replace(coach="bob") for each in rare))).iloc[0]
    assert row["kappa"] == 1.0 and np.isnan(row["kappa_lo"]) and "no interval" in row["note"]


def test_kappa_of_nothing_is_nan() -> None:
    assert (
        np.isnan(kappa(np.zeros(4)))
        and kappa(np.array([5.0, 0, 0, 5])) == 1
        and kappa(np.array([0, 5.0, 5, 0])) == -1
    )


def test_reported_in_words() -> None:
    rules = load_label_rules()
    lines = agreement_lines(agreement(said(*answers("ann"), *answers("bob"))), rules)
    assert lines[0] == "ann against bob" and any("1.00 to 1.00" in line for line in lines)
    assert "0.08 to 0.38" in lines[-2] and "0.35 to 0.87" in lines[-1]
    assert agreement_lines(agreement(said()), rules) == ["No swing has a verdict from two sides yet."]


def test_answers_that_were_not_blind_are_left_out() -> None:
    from faultml.labels.verdict import NOT_BLIND, blind

    rows = [
        {"player": "p1", "session": "d", "swing": str(at), "fault": "flip", "verdict": "yes", "coach": coach}
        | {
            "severity": float("nan"),
            "unit": "",
            "occasion": "1",
            "when": f"2031-01-0{at}",
            "comment": comment,
        }
        for coach in ("ann", "ben")
        for at, comment in ((1, ""), (2, NOT_BLIND if coach == "ann" else ""), (3, "looked twice"))
    ]
    held = pd.DataFrame(rows)
    assert len(blind(held)) == 5
    (pair,) = agreement(held).query("fault == 'flip'").to_dict("records")
    assert pair["swings"] == 2
