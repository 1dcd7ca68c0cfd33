"""Who the coach is: asked once, before the first thing that is kept under a name."""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from faultml.desk.desk import Desk
from faultml.desk.words import para


def ask_name(desk: Desk, why: str, then: Callable[[], None]) -> None:
    """Ask for the coach's name in the element that is open, keep it, and go on."""
    para(why, "lead")
    name = ui.input("Your name", validation={"1 to 60 letters": lambda text: 0 < len(text.strip()) <= 60})

    def keep() -> None:
        if name.validate():
            desk.name_coach(name.value.strip())
            then()

    name.on("keydown.enter", keep)
    ui.button("Begin", on_click=keep)
