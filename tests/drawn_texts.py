"""Where the texts of a figure really stand."""

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text


def drawn_texts(figure, monkeypatch) -> dict[Text, "object"]:
    """Draw a figure and return each text that was really drawn with its extent in pixels."""
    canvas = FigureCanvasAgg(figure)
    drawn: list[Text] = []
    draw = Text.draw

    def noting(self, renderer):
        draw(self, renderer)
        if self.get_visible() and self.get_text().strip():
            drawn.append(self)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", noting)
        canvas.draw()
    return {text: text.get_window_extent(canvas.get_renderer()) for text in drawn}
