"""What the screens that are filled in have in common: one page of text over the whole terminal, and who gives it back."""

from __future__ import annotations

from benchd_dashboards.look import Look
from rich.text import Text
from textual.app import App, ComposeResult
from textual.widget import Widget


class Page(Widget):
    """The whole terminal, drawn by the app."""

    DEFAULT_CSS = "Page { width: 100%; height: 100%; }"

    def render(self) -> Text:
        app = self.app
        assert isinstance(app, Shell)
        return app.draw(self.size.width, self.size.height)


class Shell(App[None]):
    """Textual for keys, resizing and giving the terminal back; `lines` is what is seen."""

    CSS = """
    Screen { background: #14181c; color: #d5dde5; overflow: hidden; }
    Screen.bare { background: ansi_default; color: ansi_default; }
    """
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, look: Look) -> None:
        super().__init__(ansi_color=look.no_color)
        self.look = look

    def compose(self) -> ComposeResult:
        yield Page()

    def on_mount(self) -> None:  # Textual calls a subclass's too
        self.screen.set_class(self.look.no_color, "bare")

    def lines(self, columns: int, rows: int) -> list[Text]:
        raise NotImplementedError

    def draw(self, columns: int, rows: int) -> Text:
        return Text("\n", no_wrap=True, overflow="crop", end="").join(self.lines(columns, rows))

    def redraw(self) -> None:
        self.query_one(Page).refresh()
