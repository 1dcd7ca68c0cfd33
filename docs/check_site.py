"""Check the built site: every internal link and anchor leads somewhere, and no page loads anything from elsewhere.

``python docs/check_site.py build/docs`` prints what is wrong; the exit code is 1 where anything is.
"""

from __future__ import annotations

import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

LOADS = {("script", "src"), ("img", "src"), ("link", "href"), ("iframe", "src"), ("source", "src")}
"""What a browser fetches by itself when it opens a page."""


class _Page(HTMLParser):
    """Links, anchors and loaded files of one page."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.anchors: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep what points somewhere."""
        for name, value in attrs:
            if name in ("id", "name") and value:
                self.anchors.add(value)
            if (tag, name) in LOADS and value:
                self.loaded.append(value)
            elif (tag, name) == ("a", "href") and value:
                self.links.append(value)


def wrong_in(site: Path) -> list[str]:
    """What is wrong with the site in a folder, a line each."""
    pages = {}
    for path in sorted(each for each in site.rglob("*.html") if "_static" not in each.parts):
        page = _Page()
        page.feed(path.read_text(encoding="utf-8"))
        pages[path.resolve()] = page
    found = []
    for path, page in pages.items():
        where = path.relative_to(site.resolve())
        found += [f"{where}: loads {url}" for url in page.loaded if urlsplit(url).netloc or "://" in url]
        for url in [*page.links, *page.loaded]:
            parts = urlsplit(url)
            if parts.scheme or parts.netloc:
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            if target.is_dir():
                target /= "index.html"
            if not target.exists():
                found.append(f"{where}: {url} leads nowhere")
            elif parts.fragment and target in pages and unquote(parts.fragment) not in pages[target].anchors:
                found.append(f"{where}: {url} names no place on that page")
    for path in sorted(site.rglob("*.css")):
        for url in re.findall(
            r"url\(\s*['\"]?(https?:)?//|@import\s+['\"](https?:)?//", path.read_text(encoding="utf-8")
        ):
            found.append(f"{path.relative_to(site)}: loads from elsewhere ({url})")
    return found


if __name__ == "__main__":
    lines = wrong_in(Path(sys.argv[1]))
    sys.stdout.writelines(f"{line}\n" for line in lines)
    sys.exit(1 if lines else 0)
