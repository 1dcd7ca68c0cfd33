"""A video beside a swing: the browser plays it from the coach's own disk, and it is sent nowhere."""

from __future__ import annotations

from nicegui import ui

from faultml.desk.words import Words, heading, para


class SwingVideo:
    """A video that follows the cursor once the coach has said which frame is impact."""

    def __init__(self) -> None:
        self._page = ui.context.client
        heading(2, "A video beside it").classes("small-head")
        para(
            "It is played in this browser and sent nowhere. Stop it at impact, then press the button.", "note"
        )
        with ui.element("div").classes("bar no-print"):
            choose = Words("input", "").props(
                'type="file" accept="video/*" aria-label="A video of this swing"'
            )
            anchor = ui.button("This frame is impact").props("outline")
        self._video = ui.element("video").props("controls muted playsinline").classes("video empty")
        own = f"getHtmlElement({self._video.id})"
        # In the page alone: the file's content and name never reach the server.
        choose.on(
            "change",
            js_handler=f"""(event) => {{
              const file = event.target.files[0];
              if (!file) return;
              const video = {own};
              video.classList.remove('empty');
              if (video.src) URL.revokeObjectURL(video.src);
              video.src = URL.createObjectURL(file);
              delete video.dataset.impact;
            }}""",
        )
        anchor.on("click", js_handler=f"() => {{ {own}.dataset.impact = {own}.currentTime; }}")

    def follow(self, after_impact_s: float) -> None:
        """Show the frame so many seconds after impact (negative: before)."""
        # On the page itself: what was pressed may be gone from it, or its tab closed, by the time the swing is drawn.
        self._page.run_javascript(
            f"const video = getHtmlElement({self._video.id});"
            "if (video && video.dataset.impact !== undefined)"
            f" video.currentTime = Math.max(0, Number(video.dataset.impact) + ({after_impact_s:.4f}));"
        )
