"""Where the samples of practice come from: a recording that is replayed, or a stream."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from importlib.util import find_spec
from pathlib import Path

from nicegui import ui
from nicegui.events import UploadEventArguments

from faultml.desk.desk import Desk
from faultml.desk.drops import Drop, practice_drop
from faultml.desk.words import para
from faultml.importing.layout import load_layout
from faultml.importing.season import alignment_of
from faultml.practice.driver import open_source
from faultml.practice.frames import Sample
from faultml.report.text import shown

_KINDS = {"replay": "A recording, replayed at its own pace"}
_STREAM = {"lsl": "A sensor that streams (Lab Streaming Layer)"}
_MAX_BYTES = 200_000_000


class SourceForm:
    """Asks for the source in the element that is open."""

    def __init__(self, desk: Desk, player: str) -> None:
        self._desk, self._player = desk, player
        self._drop: Drop | None = None
        kinds = _KINDS | (_STREAM if find_spec("pylsl") else {})
        self._kind = ui.select(kinds, value="replay", label="Samples from").classes("wide")
        with ui.element("div").bind_visibility_from(self._kind, "value", value="replay"):
            with ui.element("div").classes("drop"):
                self._said = para("Drop a recording of practice here, or choose it.", "note")
                upload = ui.upload(auto_upload=True, max_file_size=_MAX_BYTES, on_upload=self._arrived)
                choose = ui.button("Choose a recording").props("outline")
                # In the page, since a browser opens its dialog only where a person has just pressed.
                choose.on("click", js_handler=f"() => runMethod({upload.id}, 'pickFiles', [])")
            layouts = {"": "ours: player, session, t_s, flexion_deg, ulnar_deg"}
            layouts |= {str(path): shown(path.stem) for path in sorted(desk.folder.layouts.glob("*.toml"))}
            self._layout = ui.select(layouts, value="", label="Its layout").classes("wide")
            self._layout.set_visibility(len(layouts) > 1)
        self._stream = ui.input("Name of the stream").classes("wide")
        self._stream.bind_visibility_from(self._kind, "value", value="lsl")

    def chosen(self) -> Callable[[], Iterable[Sample | float]] | None:
        """Opens what was chosen; None where nothing was."""
        if self._kind.value == "lsl":
            name = (self._stream.value or "").strip()
            return (
                partial(open_source, f"lsl:{name}", self._player, layout=None, alignment=None)
                if name
                else None
            )
        files = self._drop.files if self._drop is not None else []
        return partial(self._replay, files[0], self._layout.value) if files else None

    def discard(self) -> None:
        """Remove the recording."""
        if self._drop is not None:
            self._drop.discard()

    def mounting_sd_deg(self) -> float | None:
        """How surely the sensor's turn about the forearm is known by the layout's alignment; None where it has none."""
        path = Path(self._layout.value) if self._kind.value == "replay" and self._layout.value else None
        alignment = alignment_of(load_layout(path), path) if path else None
        return alignment.mounting_sd_deg if alignment else None

    def _replay(self, file: Path, layout_path: str) -> Iterable[Sample | float]:
        path = Path(layout_path) if layout_path else None
        layout = load_layout(path) if path else None
        alignment = alignment_of(layout, path) if layout and path else None
        return open_source(f"replay:{file}", self._player, layout=layout, alignment=alignment)

    async def _arrived(self, event: UploadEventArguments) -> None:
        event.sender.reset()  # type: ignore[attr-defined]
        self.discard()
        self._drop = practice_drop(self._desk.folder)
        await event.file.save(self._drop.place(event.file.name))
        self._said.set_text(f"To be replayed: {shown(event.file.name)}")
