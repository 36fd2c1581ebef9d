"""Where the texts of a figure really stand."""

from itertools import combinations

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


def faults_of_texts(extents, figure) -> list[object]:
    """Return the texts that are cut at the edge of a figure, and the pairs that lie on one another."""
    width, height = figure.canvas.get_width_height()
    cut = [
        text.get_text()
        for text, box in extents.items()
        if box.x0 < -0.5 or box.y0 < -0.5 or box.x1 > width + 0.5 or box.y1 > height + 0.5
    ]
    pairs = combinations(extents.items(), 2)
    return cut + [(a.get_text(), b.get_text()) for (a, box), (b, other) in pairs if box.overlaps(other)]
