"""The report as an index and a page a player."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faultml.coaching.rules import Coaching
from faultml.errors import InputError
from faultml.report.page import write_one_page, write_report
from faultml.report.source import ReportSource
from faultml.results.pages import PAGES_FOLDER, check_pages, page_name, remove_pages

STRANGE = [
    "Ann",
    "ann",
    "ANN",
    "../../etc/passwd",
    "a/b",
    "a\\b",
    "CON",
    "é",
    "e\u0301",
    "",
    ".",
    "x" * 300,
    "%2e%2e",
]


class Links(HTMLParser):
    def __init__(self, path: Path) -> None:
        super().__init__()
        self.ids: set[str] = set()
        self.targets: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids |= {given.get("id") or ""}
        if tag == "a":
            self.targets.append(given["href"] or "")


def pages(folder: Path) -> list[Path]:
    return [folder / "report.html", *sorted((folder / PAGES_FOLDER).iterdir())]


@pytest.fixture(scope="module")
def written(
    tmp_path_factory: pytest.TempPathFactory, academy_source: ReportSource, coaching: Coaching
) -> Path:
    folder = tmp_path_factory.mktemp("report with spaces")
    write_report(academy_source, folder / "report.html", coaching)
    return folder


def test_every_link_leads_somewhere_on_the_file_system(written: Path) -> None:
    found = {path.resolve(): Links(path) for path in pages(written)}
    for path, links in found.items():
        assert links.targets
        for target in links.targets:
            parts = urlsplit(target)
            assert not parts.scheme and not parts.netloc and not parts.path.startswith("/")
            file = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            assert file in found, target
            assert not parts.fragment or parts.fragment in found[file].ids, target
    index, *players = found.values()
    assert {target.split("#")[0] for target in index.targets} == {
        f"{PAGES_FOLDER}/{path.name}" for path in pages(written)[1:]
    }
    assert all("../report.html" in links.targets for links in players)


def test_the_index_names_everybody_and_a_page_one(written: Path, academy_source: ReportSource) -> None:
    names = [plan.player for plan in academy_source.plans]
    index = (written / "report.html").read_text(encoding="utf-8")
    assert all(f"<bdi>{name}</bdi>" in index for name in names)
    assert "Angle-angle diagram" not in index and 'class="player"' not in index
    for name in names:
        page = (written / PAGES_FOLDER / page_name(name)).read_text(encoding="utf-8")
        assert re.findall(r"<h1[^>]*><bdi>(.*?)</bdi></h1>", page) == [name]
        assert not [other for other in names if other != name and f"<bdi>{other}</bdi>" in page]
        assert page.count("<main>") == 1 and "Content-Security-Policy" in page


def test_a_player_in_pain_has_no_drill_on_any_page(written: Path, coaching: Coaching) -> None:
    page = (written / PAGES_FOLDER / page_name("lp-04")).read_text(encoding="utf-8")
    assert not [drill.name for drill in coaching.book.drills if drill.name in page]
    assert "Without a ball" not in page


def test_every_player_gets_figures_however_many_there_are(
    make_player: type, made_source: Callable[..., ReportSource], coaching: Coaching, tmp_path: Path
) -> None:
    players = [
        make_player(f"p{n}", style="cupped", sessions=("2031-04-02",), swings_per_session=4)
        for n in range(62)
    ]
    done: list[tuple[int, int]] = []
    write_report(
        made_source(players), tmp_path / "report.html", coaching, on_page=lambda *each: done.append(each)
    )
    assert all("Angle-angle diagram" in path.read_text(encoding="utf-8") for path in pages(tmp_path)[1:])
    assert done == [(n, 62) for n in range(1, 63)]
    assert len((tmp_path / "report.html").read_bytes()) < 62 * 2_000 + 40_000


def test_an_error_half_way_leaves_the_report_that_was_there(
    tmp_path: Path, academy_source: ReportSource, coaching: Coaching
) -> None:
    write_report(academy_source, tmp_path / "report.html", coaching)
    before = {path: path.read_bytes() for path in pages(tmp_path)}

    def stop(done: int, _: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    fewer = replace(academy_source, plans=academy_source.plans[:4])
    with pytest.raises(KeyboardInterrupt):
        write_report(fewer, tmp_path / "report.html", coaching, on_page=stop)
    assert {path: path.read_bytes() for path in pages(tmp_path)} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == [PAGES_FOLDER, "report.html"]
    write_report(fewer, tmp_path / "report.html", coaching)
    assert len(pages(tmp_path)) == 5


def test_what_is_not_ours_is_never_replaced(
    tmp_path: Path, academy_source: ReportSource, coaching: Coaching
) -> None:
    (tmp_path / PAGES_FOLDER).mkdir()
    (tmp_path / PAGES_FOLDER / "notes.html").write_text("mine")
    with pytest.raises(InputError, match="not-a-pages-folder"):
        write_report(academy_source, tmp_path / "report.html", coaching)
    with pytest.raises(InputError, match="not-a-pages-folder"):
        remove_pages(tmp_path)
    assert [path.name for path in tmp_path.rglob("*.html")] == ["notes.html"]


def test_names_are_never_paths_and_never_clash(
    made_source: Callable[..., ReportSource], make_player: type, coaching: Coaching, tmp_path: Path
) -> None:
    names = [name for name in STRANGE if name]
    source = made_source(
        [make_player(name, sessions=("2031-04-02",), swings_per_session=2) for name in names]
    )
    (tmp_path / "results").mkdir()
    write_report(source, tmp_path / "results" / "report.html", coaching)
    assert len(pages(tmp_path / "results")) == len(names) + 1
    assert [path.name for path in tmp_path.iterdir()] == ["results"]
    check_pages(tmp_path / "results" / PAGES_FOLDER)


@given(st.text(max_size=300), st.text(max_size=300))
def test_a_page_is_named_by_the_whole_name(one: str, other: str) -> None:
    first, second = page_name(one), page_name(other)
    assert re.fullmatch(r"[a-z0-9][a-z0-9-]*\.html", first) and len(first) < 80
    assert (first == second) == (one == other)
    assert unicodedata.is_normalized("NFC", first)


def test_one_page_takes_the_place_of_all(
    written: Path, academy_source: ReportSource, coaching: Coaching
) -> None:
    write_one_page(academy_source, written / "one.html", coaching)
    links = Links(written / "one.html")
    assert all(target.startswith("#") and target[1:] in links.ids for target in links.targets)
    (written / "one.html").unlink()
