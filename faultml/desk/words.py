"""Elements that hold words: text is text here, whatever markup stands in it."""

from __future__ import annotations

from nicegui import ui
from nicegui.elements.mixins.text_element import TextElement


class Words(TextElement):
    """An element of any tag with nothing but text in it."""

    def __init__(self, tag: str, text: str) -> None:
        super().__init__(tag=tag, text=text)


def heading(level: int, text: str) -> Words:
    """A heading of a level from 1 to 4."""
    return Words(f"h{level}", text)


def para(text: str, classes: str = "") -> Words:
    """A paragraph."""
    words = Words("p", text)
    return words.classes(classes) if classes else words


def bullets(lines: list[str]) -> ui.element:
    """A list."""
    with ui.element("ul") as made:
        for line in lines:
            Words("li", line)
    return made


def table(caption: str, head: list[str], rows: list[list[str]], classes: str = "") -> ui.element:
    """A table with its caption, a heading for each column, and one for each row in its first cell."""
    with ui.element("div").classes("scroll").props('tabindex="0" role="region"') as made:
        made.props["aria-label"] = caption
        with ui.element("table").classes(classes):
            Words("caption", caption)
            with ui.element("thead"), ui.element("tr"):
                for name in head:
                    Words("th", name).props("scope=col")
            with ui.element("tbody"):
                for row in rows:
                    with ui.element("tr"):
                        Words("th", row[0]).props("scope=row")
                        for cell in row[1:]:
                            Words("td", cell)
    return made


def keys(known: dict[str, str]) -> None:
    """The keys of a page and what each does."""
    with ui.element("p").classes("key no-print"):
        for key, what in known.items():
            with ui.element("span").classes("what"):
                Words("kbd", key)
                Words("span", f" {what}")
