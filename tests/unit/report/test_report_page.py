from __future__ import annotations

import base64
import hashlib
import re
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from care_fakes import TODAY

from faultml.coaching.book import load_book
from faultml.coaching.records import PlayerPlan
from faultml.coaching.rules import Coaching, load_rules
from faultml.errors import InputError, MissingExtraError
from faultml.faults.catalogue import load_catalogue
from faultml.plan.records import LessonPlan
from faultml.plan.rules import load_plan_rules
from faultml.plan.table import plan_row
from faultml.report.page import FULL_PLAYERS, render_index, render_report, write_one_page
from faultml.report.player_view import DRAWN_SWINGS
from faultml.report.source import ReportSource

VOID = {"meta", "br", "link", "img", "hr", "input"}


class Page(HTMLParser):
    """A strict reading: every tag closed in order; tags, attributes and text are kept."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(tag, attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(tag, attrs)

    def _note(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def values(self, name: str) -> list[str]:
        return [value for _, each, value in self.attributes if each == name]


def articles(page: str) -> dict[str, str]:
    """Each player's part of the page, by name."""
    parts = re.findall(r'<article class="player".*?</article>', page, flags=re.S)
    return {re.search(r"<bdi>(.*?)</bdi>", part)[1]: part for part in parts}  # type: ignore[index]


def words_of(part: str) -> str:
    return " ".join("".join(Page(part).text).split())


def test_the_page_is_whole_and_everything_it_points_to_is_on_it(academy_page: str) -> None:
    page = Page(academy_page)
    ids = Counter(page.values("id"))
    assert max(ids.values()) == 1
    assert {value.removeprefix("#") for value in page.values("href")} <= set(ids)
    named = [
        each
        for name in ("aria-labelledby", "aria-describedby")
        for value in page.values(name)
        for each in value.split()
    ]
    assert set(named) <= set(ids)
    assert re.findall(r"url\((#?[^)]+)\)", academy_page) and set(
        re.findall(r"url\(#([^)]+)\)", academy_page)
    ) <= set(ids)
    assert page.tags["h1"] == 1 and page.tags["main"] == 1


def test_the_page_loads_and_runs_nothing(academy_page: str) -> None:
    page = Page(academy_page)
    assert not {"script", "link", "img", "iframe", "object", "embed", "form", "base"} & set(page.tags)
    assert all(value.startswith("#") for value in page.values("href"))
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", academy_page))
    assert "//" not in academy_page and "@import" not in academy_page
    names = {name for _, name, _ in page.attributes}
    assert not [
        name for name in names if name.startswith("on") or name in {"style", "src", "srcset", "action"}
    ]


def test_its_own_style_is_the_only_one_its_policy_lets_in(academy_page: str) -> None:
    style = re.search(r"<style>(.*?)</style>", academy_page, flags=re.S)
    policy = next(value for value in Page(academy_page).values("content") if "default-src" in value)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"


def test_a_player_with_a_fault_gets_every_section(academy_page: str) -> None:
    part = articles(academy_page)["lp-02"]
    headings = re.findall(r"<h3[^>]*>(.*?)</h3>", part)
    assert headings == [
        "Leave alone",
        "Work on next",
        "The path of the wrist",
        "Not seen here",
        "How often each fault shows",
        "The swing over time",
        "Who turned the face, and when",
        "From session to session",
    ]
    said = words_of(part)
    for needed in (
        "Practice window",
        "Dose",
        "Next re-test",
        "Stop if it hurts",
        "In reserve",
        "Check",
        "Feedback",
    ):
        assert needed in said
    for row in ("top", "impact", "arm level coming down"):
        assert f'<th scope="row">{row}</th>' in part
    assert "path, body turn" in said and "never measured" in said


def test_the_sentence_names_cause_save_and_miss(academy_page: str) -> None:
    lead = re.search(r'<p class="lead">(.*?)</p>', articles(academy_page)["lp-02"])
    assert lead is not None
    assert "bowed at the top" in lead[1] and "late save" in lead[1] and "hook" in lead[1]
    assert re.search(r"the call is yes in \d+ of the last 24 swings", lead[1])
    said = words_of(articles(academy_page)["lp-02"])
    assert re.search(r"is \+3\d° \(bowed\); the edge is \+25° \(bowed\)", said)


def test_with_a_late_save_what_saves_the_ball_is_left_alone(academy_page: str) -> None:
    said = words_of(articles(academy_page)["lp-02"])
    kept = said[said.index("Leave alone") : said.index("Work on next")]
    assert "hold-off" in kept and "Expect pushes meanwhile" in kept


def test_a_player_in_pain_is_shown_no_drill(academy_page: str, academy_source: ReportSource) -> None:
    part = articles(academy_page)["lp-04"]
    said = words_of(part)
    assert (
        "Paused: speak with the player" in said
        and "Practice window" not in said
        and "Without a ball" not in said
    )
    assert not [drill.name for drill in load_book().drills if drill.name in said]
    top = academy_page[: academy_page.index('id="players"')]
    waiting = words_of(re.search(r'<div class="care">.*?</div>', top, flags=re.S)[0])  # type: ignore[index]
    assert "lp-04" in waiting and "lp-02" not in waiting


def test_where_nobody_has_asked_about_pain_it_is_asked_before_the_steps(
    made_source: Callable, make_player: type, coaching: Coaching
) -> None:
    players = [
        make_player("birch", style="cupped", roster={"pain": "none"}),
        *(make_player(f"lp-{n:02d}", style="cupped") for n in range(10)),
    ]
    page = render_report(made_source(players), coaching)
    head = words_of(
        re.search(r'aria-labelledby="glance">.*?<table', page, flags=re.S)[0][
            len('aria-labelledby="glance">') : -6
        ]
    )  # type: ignore[index]
    assert "Ask first whether anything hurts, as nobody has asked of late: lp-00, lp-01" in head
    assert "lp-07 and 2 more." in head and "birch" not in head
    part = words_of(articles(page)["lp-00"])
    assert part.index("Ask first whether anything hurts") < part.index("Without a ball")
    assert "Ask first whether anything hurts" not in articles(page)["birch"]


def test_no_share_of_wrong_flags_is_reported_for_edges_of_ones_own(
    tmp_path: Path, made_source: Callable, make_player: type, coaching: Coaching
) -> None:
    reported = {
        "false_share": 0.1,
        "confidence": 0.95,
        "shown_on": "600 generated golfers",
        "not_promised": [],
        "golfers_needed": 56,
    }
    ids = coaching.catalogue.ids
    for faults, expected in (
        (ids[:0], "at most 10 % are wrong: shown with 95 % confidence on 600 generated golfers. For"),
        (ids[:1], "on 600 generated golfers, and not for the edges of Lindow Park academy. For"),
        (ids, "How many flags are wrong has not been shown for the edges of Lindow Park academy"),
    ):
        rules = coaching
        if faults:
            own = tmp_path / "own.toml"
            moved = [
                f'[[edge]]\nfault = "{each}"\nvalue = {coaching.catalogue[each].edge * 0.9}'
                for each in faults
            ]
            own.write_text('owner = "Lindow Park academy"\n' + "\n".join(moved))
            rules = Coaching(load_catalogue(own), coaching.book, coaching.rules)
        source = made_source([make_player("lp-01", style="cupped")], rules)
        page = render_report(replace(source, run={"promise": reported}), rules)
        assert expected in page
        assert ("at most 10 %" in page) == (faults != ids)


def test_a_player_with_no_assessed_swing_is_reported_so(academy_page: str) -> None:
    said = words_of(articles(academy_page)["lp-06"])
    assert "None of 48 swings could be assessed" in said
    assert "Practice window" not in said


def test_the_reasons_of_what_was_not_assessed_are_counted(academy_page: str) -> None:
    table = re.search(r'<h3 id="unassessed">.*?</table>', academy_page, flags=re.S)
    assert table is not None
    assert words_of(f"<div>{table[0]}</div>").endswith("not a full swing55")


def test_without_forearm_rotation_roll_is_not_ruled_out(academy_page: str) -> None:
    part, with_roll = articles(academy_page)["lp-07"], articles(academy_page)["lp-02"]
    assert "roll of the forearm is not ruled out" in words_of(part)
    assert "roll of the forearm is not ruled out" not in words_of(with_roll)
    assert "forearm roll</text>" not in part and "forearm roll</text>" in with_roll
    assert "Not assessed: fanned takeaway, early roll, roll-over and hold-off." in words_of(part)


def test_miss_swings_are_distinguished_from_straight_ones(academy_page: str) -> None:
    parts = articles(academy_page)
    assert "ball missed" in parts["lp-02"] and "ball went straight" in parts["lp-02"]
    assert "ball not recorded" in parts["lp-08"] and "ball missed" not in parts["lp-08"]


def test_text_of_the_input_stays_text(
    make_player: type, made_source: Callable[..., ReportSource], coaching: Coaching
) -> None:
    names = [
        "<script>alert(1)</script>",
        "\"'><img src=x onerror=alert(1)>",
        "=1+1",
        "../../etc/passwd",
        "a\u202eb\x07",
        "{{ 7*7 }}",
        "&amp;",
        "x" * 500,
    ]
    players = [
        make_player(
            name,
            style="bowed_top_saved",
            sessions=("<b>one</b>", '"two', "three & more"),
            swings_per_session=4,
            roster={"level": "<i>club</i>", "usual_miss": "hook", "lessons": "<u>"},
            clubs=("</svg><script>", "7 & up"),
        )
        for name in names
    ]
    text = render_report(made_source(players), coaching)
    page = Page(text)
    assert not {"script", "img", "b", "i", "u"} & set(page.tags)
    said = "".join(page.text)
    for name in names[:4] + names[5:7]:
        assert name in said
    assert "a\ufffdb\ufffd" in said and "\u202e" not in text and "\x07" not in text
    assert "x" * 61 not in text
    assert not [value for value in page.values("href") if not re.fullmatch(r"#[\w-]+", value)]


def test_an_edge_says_whose_it_is(
    tmp_path: Path, make_player: type, made_source: Callable[..., ReportSource]
) -> None:
    file = tmp_path / "edges.toml"
    file.write_text(
        'owner = "Lindow & Park"\n[[edge]]\nfault = "flexed_top"\nvalue = 29.0\nplayer = "lp-01"\n'
    )
    coaching = Coaching(load_catalogue(file), load_book(), load_rules())
    players = [make_player("lp-01", style="bowed_top_saved"), make_player("lp-02", style="bowed_top_saved")]
    parts = articles(render_report(made_source(players, coaching), coaching))
    own, other = words_of(parts["lp-01"]), words_of(parts["lp-02"])
    assert "above +29°" in own and "bowed top +29°" in own and "Edges of Lindow & Park: bowed top." in own
    assert "above +25°" in other and "Lindow" not in other


def test_a_roster_of_twenty_stays_light(
    made_source: Callable[..., ReportSource], coaching: Coaching, academy: Callable[..., list]
) -> None:
    text = render_report(made_source(academy(20)), coaching)
    assert len(text.encode()) < 1_500_000


def test_a_large_roster_is_drawn_in_part_and_named_in_full(
    make_player: type, made_source: Callable[..., ReportSource], coaching: Coaching
) -> None:
    count = FULL_PLAYERS + 15
    players = [
        make_player(
            f"p{n:03d}",
            style="cupped" if n % 2 else "neutral",
            sessions=("2031-04-02", "2031-04-09"),
            swings_per_session=8,
        )
        for n in range(count)
    ]
    source = made_source(players)
    parts = articles(render_report(source, coaching))
    drawn = {name for name, part in parts.items() if "Angle-angle diagram" in part}
    assert len(parts) == count and len(drawn) == FULL_PLAYERS
    assert {f"p{n:03d}" for n in range(1, count, 2)} <= drawn
    assert all("--player" in part for name, part in parts.items() if name not in drawn)
    assert max(part.count('class="trace straight"') for part in parts.values()) <= DRAWN_SWINGS * 4


def test_some_players_can_be_chosen(academy_source: ReportSource, coaching: Coaching) -> None:
    assert set(articles(render_report(academy_source, coaching, only=["lp-05"]))) == {"lp-05"}
    with pytest.raises(InputError, match="unknown-player"):
        render_report(academy_source, coaching, only=["lp-05", "nobody"])


def test_the_same_season_gives_the_same_page(
    academy_source: ReportSource, coaching: Coaching, academy_page: str
) -> None:
    assert render_report(academy_source, coaching) == academy_page


def test_a_page_that_cannot_be_written_leaves_nothing(
    tmp_path: Path, academy_source: ReportSource, coaching: Coaching
) -> None:
    with pytest.raises(InputError, match="not-writable"):
        write_one_page(academy_source, tmp_path / "nowhere" / "report.html", coaching, only=["lp-06"])
    write_one_page(academy_source, tmp_path / "report.html", coaching, only=["lp-06"])
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_without_jinja_the_install_line_is_shown(
    monkeypatch: pytest.MonkeyPatch, academy_source: ReportSource, coaching: Coaching
) -> None:
    monkeypatch.setitem(sys.modules, "jinja2", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'faultml\[report\]'"):
        render_report(academy_source, coaching, only=["lp-06"])


def test_a_change_that_held_is_announced_though_the_fault_is_no_longer_flagged(
    make_tables: Callable, source_of: Callable, make_player: type, coaching: Coaching
) -> None:
    before = make_tables(
        [make_player("lp-01", style="bowed_top_saved", sessions=("2031-04-02", "2031-04-16"))]
    )
    again = make_tables([make_player("lp-01", sessions=("2031-05-02",), refused=0)])
    again.swings["context"] = "retest"
    after = make_tables([make_player("lp-01", sessions=("2031-05-20", "2031-06-01"), refused=0)])
    names = ("swings", "faults", "curves", "roster")
    parts = [[getattr(made, name) for made in (before, again, after)] for name in names]
    season = type(before)(*(pd.concat(frames, ignore_index=True) for frames in parts))
    page = render_report(source_of(season, coaching), coaching)
    assert "Bowed top, 2031-05-02: 12 of 12 swings inside the corridor, passed; held since (24 of 24" in page
    assert re.search(r"held: [^<]*bowed top", page)
    assert "Cupped top, 2031-05-02" not in page


def _index_row(source: ReportSource, coaching: Coaching, player: str) -> str:
    index = render_index(source, coaching)
    return index[index.index(f"<bdi>{player}</bdi></a> <span") :].partition("</tr>")[0]


def _on_a_drill(source: ReportSource, plan: PlayerPlan, fault: str) -> ReportSource:
    lesson = plan_row(plan.player, LessonPlan("start", "none-given"), TODAY, ())
    active = msgspec.structs.replace(
        lesson,
        state="carry on",
        reason="undecided",
        drill=plan.drills[0].drill,
        fault=fault,
        given="2031-05-05",
    )
    return replace(source, lessons={plan.player: active})


def test_the_index_names_no_leading_fault_where_none_leads(
    academy_source: ReportSource, coaching: Coaching
) -> None:
    plan = next(plan for plan in academy_source.plans if any(row.leading for row in plan.faults))
    assert 'data-label="Sure:"></td>' not in _index_row(academy_source, coaching, plan.player)
    faults = tuple(msgspec.structs.replace(row, leading=False) for row in plan.faults)
    nothing_leads = msgspec.structs.replace(plan, faults=faults)
    alone = replace(academy_source, plans=[nothing_leads])
    row = _index_row(alone, coaching, plan.player)
    assert "<td>none worth a new drill now</td>" in row
    assert 'data-label="Sure:"></td>' in row
    assert "Faults the roster shares" not in render_index(alone, coaching)
    faults = tuple(msgspec.structs.replace(row, kind="none") for row in faults)
    alone = replace(academy_source, plans=[msgspec.structs.replace(plan, faults=faults)])
    assert "<td>none shows often enough now</td>" in _index_row(alone, coaching, plan.player)


def test_a_drill_in_progress_for_another_fault_than_the_leading_one_says_so(
    academy_source: ReportSource, coaching: Coaching
) -> None:
    plan = next(plan for plan in academy_source.plans if plan.drills and any(f.leading for f in plan.faults))
    leading = next(row.fault for row in plan.faults if row.leading)
    other = next(fault for fault in coaching.catalogue.ids if fault != leading)
    for fault, joined in ((other, True), (leading, False)):
        source = _on_a_drill(replace(academy_source, plans=[plan]), plan, fault)
        page = render_report(source, coaching)
        sentence = (
            f"This drill is for {coaching.words[other]}; {coaching.words[leading]} leads now and waits for it"
        )
        assert (sentence in page) is joined
        name = coaching.book[plan.drills[0].drill].name
        row = _index_row(source, coaching, plan.player)
        assert f"in progress: {name}" in row
        assert (f"{name}, for {coaching.words[other]}" in row) is joined


def test_that_a_player_is_paused_stands_once_in_the_players_part(
    academy_source: ReportSource, coaching: Coaching
) -> None:
    plan = next(plan for plan in academy_source.plans if plan.no_drill and plan.no_drill.reason == "paused")
    words = load_plan_rules().reason["paused"].words
    lesson = plan_row(
        plan.player,
        LessonPlan("waits", "paused", drill="two_stops_to_the_top", fault="flexed_top"),
        TODAY,
        (),
    )
    assert lesson.words == words
    page = render_report(replace(academy_source, plans=[plan], lessons={plan.player: lesson}), coaching)
    assert page.count("Paused: speak with the player") == 1


def test_a_retest_whose_day_has_passed_is_due(academy_source: ReportSource, coaching: Coaching) -> None:
    plan = next(plan for plan in academy_source.plans if plan.drills and any(f.leading for f in plan.faults))
    first, *others = plan.drills
    dated = msgspec.structs.replace(
        plan, drills=(msgspec.structs.replace(first, retest_due="2031-05-01"), *others)
    )
    source = _on_a_drill(replace(academy_source, plans=[dated]), dated, first.faults[0])
    early = msgspec.structs.replace(source.lessons[plan.player], on="2031-05-01")
    page = render_report(replace(source, lessons={plan.player: early}), coaching)
    assert ", from 2031-05-01 on." in page and "due since" not in page
    late = msgspec.structs.replace(early, on="2031-05-02")
    page = render_report(replace(source, lessons={plan.player: late}), coaching)
    assert ", due since 2031-05-01." in page and ", from 2031-05-01 on." not in page


def test_a_fault_that_went_away_without_a_retest_stands_under_none(
    make_tables: Callable, source_of: Callable, make_player: type, coaching: Coaching
) -> None:
    before = make_tables(
        [make_player("lp-01", style="bowed_top_saved", sessions=("2031-04-02", "2031-04-16"))]
    )
    after = make_tables([make_player("lp-01", sessions=("2031-05-20", "2031-06-01"), refused=0)])
    names = ("swings", "faults", "curves", "roster")
    parts = [[getattr(made, name) for made in (before, after)] for name in names]
    season = type(before)(*(pd.concat(frames, ignore_index=True) for frames in parts))
    page = render_report(source_of(season, coaching), coaching)
    assert "seldom shows now: in an estimated" in page.partition("Less often now</h3>")[2]
    assert "Re-tests</h3>" not in page
