"""The practice card: what a player gets to read, and what never stands on it."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from html import unescape

import msgspec
import numpy as np
import pytest
from care_fakes import TODAY

from faultml.care.body import PlayerBody, Said
from faultml.channels import CHANNELS
from faultml.coaching.book import load_book
from faultml.coaching.care_now import plan_now
from faultml.coaching.notes import write
from faultml.coaching.records import PlayerDrill, PlayerPlan, window_cells
from faultml.coaching.rules import Coaching
from faultml.coaching.window import SpreadWindow, Window
from faultml.drawings.traces import Traces
from faultml.errors import InputError
from faultml.faults.measure import PHASE_GRID, coordinate
from faultml.plan.records import LessonPlan
from faultml.plan.table import PlanRow, plan_row
from faultml.report.card import card_file, render_card, write_card
from faultml.report.card_chart import window_on_curve
from faultml.report.card_words import load_card_words, plain_window
from faultml.report.source import ReportSource

PLAYER = "lp-02"
BOOK = load_book()
JARGON = (
    r"ulnar|radial|flexion|extension|pronat|supinat|corridor|probabilit|interval|\bSD\b|median|absolute"
    r"|\b[bdf] ?[01]\.\d|% of the|downswing'?s? time|catalogue|reference|severity|onset"
)
HEALTH = (
    r"pain|hurt|ache|injur|medical|clinic|doctor|physio|histor|numb|tingl|swell|weak|thumb history|under.16"
    r"|\bage\b|born|nerve|hamate|elbow|return to practice|half|halved"
)
CODES = r"[a-z]+_[a-z]+|\bp\d\b"


def words_of(page: str) -> str:
    """What can be read on the page, labels of figures among it."""
    body = page[page.index("<body>") :]
    labels = " ".join(re.findall(r'aria-label="([^"]*)"', body))
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", body) + " " + labels).split())


def row_of(drill_id: str, **other: object) -> PlayerDrill:
    drill = BOOK[drill_id]
    row = PlayerDrill(
        player=PLAYER,
        rank=1,
        drill=drill_id,
        priority=0.1,
        care="give",
        confidence="high",
        notes=(),
        faults=(drill.window.fault,) if drill.window.fault else (),
        dose=str(drill.dose),
        retest=str(drill.retest),
        retest_due="2031-06-09",
        **window_cells(drill.window),
    )
    return msgspec.structs.replace(row, **other)


@pytest.fixture(scope="module")
def card(academy_source: ReportSource, coaching: Coaching) -> Callable[..., str]:
    """The card of one player with these drills, as the care check has left them."""

    def render(
        *drills: PlayerDrill, on: date = TODAY, body: PlayerBody | None = None, **parts: object
    ) -> str:
        old = next(plan for plan in academy_source.plans if plan.player == PLAYER)
        plan: PlayerPlan = msgspec.structs.replace(old, drills=drills, no_drill=None)
        if body is not None:
            plan = plan_now(plan, body, coaching, on)
        return render_card(replace(academy_source, plans=[plan], **parts), PLAYER, coaching, on)

    return render


@pytest.mark.parametrize("drill", BOOK.drills, ids=lambda drill: drill.id)
def test_the_card_of_every_drill_is_whole_and_plain(card: Callable[..., str], drill) -> None:
    page = card(row_of(drill.id))
    said = words_of(page)
    steps = re.findall(r"<li>(.*?)</li>", page)
    assert [unescape(step) for step in steps] == list(drill.without_ball[:5])
    for part in (drill.name, drill.aim, drill.check, drill.surface, drill.stop, str(drill.dose)):
        assert part in said
    assert "From 9 June 2031 on." in said and f"Passed with {drill.retest.inside} of 10" in said
    assert plain_window(drill.window) in said and '<svg class="figure"' in page
    assert not re.search(JARGON, said, re.IGNORECASE)
    assert not re.search(CODES, said)
    own = said
    for part in (drill.name, drill.aim, *drill.without_ball, drill.check, drill.surface, drill.stop):
        own = own.replace(part, "")
    assert not re.search(rf"{HEALTH}|hinge", own, re.IGNORECASE)


@pytest.mark.parametrize("drill", BOOK.drills, ids=lambda drill: drill.id)
def test_every_moment_of_a_window_has_words_of_its_own(drill) -> None:
    if isinstance(drill.window, Window):
        words = load_card_words()
        for position in drill.window.span:
            assert abs(words.near(position).place - coordinate(position)) <= 0.051


@pytest.mark.parametrize(
    ("drill", "words"),
    [
        (
            "impact_picture",
            "Where the club meets the ball, the lead wrist is no more than 5° more cupped than at setup.",
        ),
        (
            "three_small_starts",
            "From the top of the swing to where the lead arm is level coming down, the lead wrist is no more than 8°"
            " more cupped than at the top of the swing, or no more cupped than at setup.",
        ),
        (
            "set_at_the_belt",
            "At some point from the last part of the backswing to where the lead arm is level coming down, the lead"
            " wrist is at least 18° further to the thumb side than at setup.",
        ),
        (
            "brush_past_the_line",
            "When the lead arm is level coming down, the lead wrist is no more than 6° back from where it was furthest"
            " to the thumb side.",
        ),
        (
            "setup_more_cup",
            "At setup, the lead wrist is at least 12° more cupped than a straight wrist. Judge it in the mirror.",
        ),
    ],
)
def test_a_window_in_plain_words(drill: str, words: str) -> None:
    assert plain_window(BOOK[drill].window) == words


@pytest.mark.parametrize(
    ("drill", "words"),
    [
        ("impact_picture", "Keep out of the striped part."),
        ("set_at_the_belt", "Get out of the striped part at least once."),
        ("toe_up_through", "Keep out of the striped part."),  # to be reached at one moment
        ("ladder_of_lengths", "Make them lie closer together."),
    ],
)
def test_the_figure_says_what_to_do(card: Callable[..., str], drill: str, words: str) -> None:
    assert words in words_of(card(row_of(drill)))


def test_a_paused_player_gets_no_drill_and_no_word_of_the_body(card: Callable[..., str]) -> None:
    body = PlayerBody(PLAYER, said=(Said(TODAY, "hurts", where="wrist, numb at night", red_flag=True),))
    page = card(row_of("impact_picture"), body=body)
    said = words_of(page)
    assert "Paused, ask your coach." in said and not re.search(HEALTH, said, re.IGNORECASE)
    assert BOOK["impact_picture"].name not in page and not re.search(r"<(ol|svg|dl)\b", page)


def test_what_has_to_be_asked_first_leaves_the_drill_out(card: Callable[..., str]) -> None:
    page = card(row_of("impact_picture"), body=PlayerBody(PLAYER))
    said = words_of(page)
    assert "Ask your coach before you start." in said and not re.search(HEALTH, said, re.IGNORECASE)
    assert BOOK["impact_picture"].name not in page and not re.search(r"<(ol|svg|dl)\b", page)


def test_a_player_without_a_drill_is_sent_to_the_coach(card: Callable[..., str]) -> None:
    assert "No drill for now." in words_of(card())
    heard = PlayerBody(
        PLAYER, said=(Said(TODAY, "none"),), histories={"ulnar_history": True}, birth_year=1990
    )
    page = card(row_of("let_the_head_fall"), body=heard)
    said = words_of(page)
    assert "No drill for now." in said and not re.search(HEALTH, said, re.IGNORECASE)


def test_after_a_return_half_the_dose_is_printed(card: Callable[..., str]) -> None:
    week = timedelta(days=7)
    said = (
        Said(TODAY - week, "hurts", where="wrist"),
        Said(TODAY - timedelta(days=1), "return", by="Ann", role="coach", advice="Ann"),
    )
    page = words_of(card(row_of("impact_picture"), body=PlayerBody(PLAYER, said=said, birth_year=1990)))
    assert "How much 3 sets of 5 a day, none at full speed, 5 days a week." in page
    assert "3 sets of 10" not in page


def test_the_ground_and_the_day_of_the_retest_are_stated(card: Callable[..., str]) -> None:
    row = row_of("impact_picture", notes=(write("no-hard-mats"),))
    assert "not from hard mats" in words_of(card(row))
    assert "not from hard mats" not in words_of(card(row_of("impact_picture")))
    assert "It is due since 9 June 2031" in words_of(card(row, on=date(2031, 6, 20)))
    assert "Ask your coach for the day." in words_of(card(row_of("impact_picture", retest_due="")))


def test_without_drawn_swings_the_words_stand_alone(
    card: Callable[..., str], academy_source: ReportSource
) -> None:
    page = card(row_of("impact_picture"), curves=academy_source.curves.iloc[:0])
    assert "<svg" not in page and plain_window(BOOK["impact_picture"].window) in words_of(page)
    assert "The line is your own" not in page


def test_a_page_runs_and_loads_nothing_and_needs_no_colour(card: Callable[..., str]) -> None:
    page = card(row_of("impact_picture"))
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)[1]  # type: ignore[index]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert policy in unescape(page)
    assert not re.search(r"<script|<link|<img|\bsrc=|\bhref=|https?:|\bstyle=", page)
    assert set(re.findall(r"#[0-9a-f]{3,6}\b", page)) <= {"#000", "#fff", "#bbb"}
    assert "@page" in style


HOSTILE = ("<script>alert(1)</script>", '"><img src=x>', "../../etc/passwd", "\u202ep1", "x" * 300)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_stays_text(academy_source: ReportSource, coaching: Coaching, name: str) -> None:
    plan = msgspec.structs.replace(academy_source.plans[0], player=name, drills=(), no_drill=None)
    page = render_card(replace(academy_source, plans=[plan]), name, coaching, TODAY)
    assert "<script" not in page and "<img" not in page and "\u202e" not in page
    assert re.fullmatch(r"card-[A-Za-z0-9_-]+\.html", card_file(name)) and len(card_file(name)) < 100


def test_two_players_have_two_files() -> None:
    assert card_file("p07") == "card-p07.html"
    assert len({card_file(name) for name in ("a b", "a_b", "a/b", "a?b")}) == 4


def test_an_unknown_player_is_named_and_nothing_is_written(
    academy_source: ReportSource, coaching: Coaching, tmp_path
) -> None:
    with pytest.raises(InputError, match=r"unknown-player.*lp-02"):
        write_card(academy_source, "lp-2", tmp_path / "card.html", coaching, TODAY)
    assert list(tmp_path.iterdir()) == []


def curve(values_deg: dict[float, float], channel: str) -> Traces:
    """Four equal swings on one channel, straight lines between the given places."""
    curves = np.full((4, len(CHANNELS), len(PHASE_GRID)), np.nan)
    curves[:, CHANNELS.index(channel)] = np.interp(PHASE_GRID, list(values_deg), list(values_deg.values()))
    nothing = np.array([""] * 4, dtype=object)
    return Traces(PHASE_GRID, curves, nothing, nothing)


@pytest.mark.parametrize(
    ("drill", "values_deg", "bound_deg"),
    [
        ("impact_picture", {0: 0, 3: 0}, -5),
        ("pause_then_go", {0: 0, 1: 30, 3: 0}, 20),
        ("halfway_down_stop", {0: 0, 1: 10, 3: 10}, 32),
        ("three_small_starts", {0: 0, 1: 20, 3: 0}, 0),  # past both: setup + 0 lies lower than top - 8
        ("three_small_starts", {0: 0, 1: -10, 3: 0}, -18),
        ("toe_up_through", {0: 0, 2: -20, 3: -20}, -30),
        ("brush_past_the_line", {0: 0, 1: -30, 2: 0, 3: 0}, -24),
        ("setup_less_cup", {0: 0, 3: 0}, -8),
    ],
)
def test_the_bound_lies_where_the_window_has_it(drill: str, values_deg, bound_deg: float) -> None:
    window = BOOK[drill].window
    drawn = window_on_curve(window, curve(values_deg, window.channel), np.array([-20.0, 5.0, 0.0]), "")
    (bound,) = re.findall(r'd="M[\d.]+ ([\d.]+)L[\d.]+ [\d.]+" class="bound"', drawn)
    ticks = {
        float(label.replace("−", "-").strip("+°")): float(y) - 3.5
        for y, label in re.findall(r'y="([\d.]+)" class="tick" text-anchor="end">([^<]+)<', drawn)
    }
    low, high = min(ticks), max(ticks)
    per_deg = (ticks[high] - ticks[low]) / (high - low)
    assert (float(bound) - ticks[low]) / per_deg + low == pytest.approx(bound_deg, abs=0.3)
    (top,) = re.findall(r'<rect x="[\d.]+" y="([\d.]+)"[^>]*class="wrong"', drawn)
    # The striped side lies above the bound where the curve belongs below it, else below.
    assert (float(top) < float(bound) - 1) == (window.side == "below")


def test_nothing_is_drawn_of_what_is_not_known() -> None:
    window = BOOK["grip_end_to_the_line"].window
    flat = curve({0: 0, 3: 0}, "flexion_deg")
    assert window_on_curve(window, flat, np.zeros(3), "") == ""
    setup = BOOK["setup_less_cup"].window
    assert window_on_curve(setup, flat, np.full(3, np.nan), "") == ""


def test_a_spread_shows_every_swing_and_no_bound() -> None:
    window = BOOK["ladder_of_lengths"].window
    assert isinstance(window, SpreadWindow)
    drawn = window_on_curve(window, curve({0: 0, 3: 10}, window.channel), np.zeros(3), "")
    assert drawn.count('class="curve thin"') == 4 and 'class="bound"' not in drawn


def lesson(drill: str, state: str, reason: str) -> PlanRow:
    row = plan_row(PLAYER, LessonPlan("start", "none-given"), TODAY, ())
    return msgspec.structs.replace(row, state=state, reason=reason, drill=drill, given="2031-05-05", ask=())


@pytest.mark.parametrize(
    ("state", "reason", "words"),
    [
        ("carry on", "undecided", "You are on this drill since 5 May 2031."),
        ("start", "none-given", "A new drill: begin when your coach has given it to you."),
        ("change", "no-gain", "A new drill: begin when your coach has given it to you."),
    ],
)
def test_the_card_says_where_the_drill_stands(card: Callable[..., str], state, reason, words) -> None:
    own = "impact_picture" if state == "carry on" else "three_small_starts"
    page = words_of(card(row_of("impact_picture"), lessons={PLAYER: lesson(own, state, reason)}))
    assert words in page
    assert "Steps" in page


@pytest.mark.parametrize(
    ("state", "reason", "words"),
    [
        ("change", "no-gain", "The drill you are on is to be changed."),
        ("done", "seldom-shows", "Done for now: what you worked on seldom shows."),
        ("waits", "paused", "Paused, ask your coach."),
    ],
)
def test_what_is_over_or_waits_is_not_printed_as_work(card: Callable[..., str], state, reason, words) -> None:
    drills = [row_of("impact_picture")] if state == "waits" else []
    page = words_of(card(*drills, lessons={PLAYER: lesson("impact_picture", state, reason)}))
    assert words in page
    assert "Steps" not in page


@pytest.mark.parametrize(
    ("inside", "gain_lo", "words"),
    [
        (9, 1.0, "9 of 12, not enough yet, though on average you have come closer"),
        (9, -1.0, "9 of 12, not enough yet."),
        (10, -1.0, "10 of 12, passed. Another one on a later day"),
    ],
)
def test_the_card_says_how_the_last_retest_went(card: Callable[..., str], inside, gain_lo, words) -> None:
    """What the player hears of a re-test and of a gain is one sentence, which does not take one for the other."""
    active = msgspec.structs.replace(
        lesson("three_small_starts", "carry on", "practise"),
        retest_on="2031-05-20",
        retest_inside=inside,
        retest_swings=12,
        gain_lo=gain_lo,
    )
    own = row_of("three_small_starts")
    assert BOOK["three_small_starts"].retest.inside == 8
    page = words_of(card(own, lessons={PLAYER: active}))
    assert f"The last one, on 20 May 2031: {words}" in page
    other = msgspec.structs.replace(active, drill="impact_picture")
    assert "The last one" not in words_of(card(own, lessons={PLAYER: other}))


def test_the_card_of_a_season_ahead_of_the_clock_bears_the_plans_day(card: Callable[..., str]) -> None:
    """Else a card of one year asks for a re-test years from now; care is asked for today all the same."""
    ahead = msgspec.structs.replace(lesson("impact_picture", "carry on", "practise"), on="2034-05-30")
    page = words_of(card(row_of("impact_picture", retest_due="2034-05-30"), lessons={PLAYER: ahead}))
    assert "30 May 2034" in page and "It is due since 30 May 2034" in page
    assert str(TODAY.year) not in page.replace("You are on this drill since 5 May 2031", "")
