"""The pedigree of seed lots, drawn: one column a generation, a line from each parent to its offspring."""

import io
from typing import Any

from controller.desk.lots import Book, Lot

INK, FAINT, LEAF, PAPER = "#25313a", "#8d9499", "#4d6b3c", "#fbf9f2"
COLUMN_IN, ROW_IN = 2.3, 0.86
BOX_LEFT, BOX_RIGHT = 0.06, 0.86  # of a column


def tree_lines(book: Book) -> list[str]:
    """The lots as an indented list, each below its first parent."""
    lines: list[str] = []

    def grow(name: str, depth: int) -> None:
        lot = book.lots[name]
        others = f" (also from {', '.join(lot.parents[1:])})" if len(lot.parents) > 1 else ""
        lines.append(f"{'    ' * depth}{name}  {_about(book, lot)}{others}")
        for child in book.lots.values():
            if child.parents[:1] == (name,):
                grow(child.lot, depth + 1)

    for lot in book.lots.values():
        if not lot.parents:
            grow(lot.lot, 0)
    return lines


def _about(book: Book, lot: Lot) -> str:
    parts = [lot.species]
    if lot.site:
        parts.append(f"from {lot.site}")
    if lot.seeds is not None:
        parts.append(f"{lot.seeds} seeds")
    tests = [test for test in book.tests if test.lot == lot.lot]
    if tests:
        parts.append(f"{tests[-1].germinated} of {tests[-1].sown} germinated")
    return ", ".join(parts)


def draw_pedigree(book: Book) -> str:
    """The pedigree as SVG text."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    columns: dict[int, list[Lot]] = {}
    for lot in book.lots.values():
        columns.setdefault(book.generation(lot.lot), []).append(lot)
    rows = max((len(column) for column in columns.values()), default=1)
    style: dict[str, Any] = {"svg.fonttype": "none", "svg.hashsalt": "pedigree", "font.size": 8.5, "text.color": INK}
    with matplotlib.rc_context(style):  # type: ignore[arg-type]  # its stubs list every key by name
        figure = Figure(figsize=(COLUMN_IN * max(1, len(columns)), ROW_IN * rows + 0.45))
        FigureCanvasSVG(figure)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(0.0, max(1, len(columns)))
        axes.set_ylim(rows + 0.45 / ROW_IN, 0.0)
        places = {
            lot.lot: (column, 0.45 / ROW_IN + row + (rows - len(lots)) / 2.0 + 0.5)
            for column, lots in columns.items()
            for row, lot in enumerate(lots)
        }
        for column in columns:
            axes.text(column + 0.08, 0.3, "seed lots" if column == 0 else f"generation {column}", color=FAINT)
        for lot in book.lots.values():
            x, y = places[lot.lot]
            for parent in lot.parents:
                from_x, from_y = places[parent]
                along, across = [from_x + BOX_RIGHT, x + BOX_LEFT], [from_y, y]
                if x - from_x > 1:  # round the boxes between, through the gap below their row
                    along[1:1] = [from_x + 1.0, x - 1.0 + BOX_RIGHT + 0.06]
                    across[1:1] = [from_y + 0.5] * 2
                axes.plot(along, across, color=LEAF, linewidth=1.1, zorder=1)
            about = _about(book, lot).split(", ")
            corner, width = (x + BOX_LEFT, y - 0.4), BOX_RIGHT - BOX_LEFT
            axes.add_patch(Rectangle(corner, width, 0.8, facecolor=PAPER, edgecolor=INK, linewidth=0.7, zorder=2))
            words = "\n".join([f"{lot.lot}  ({about[0]})", *about[1:]])
            axes.text(x + BOX_LEFT + 0.03, y, words, va="center", zorder=3, fontsize=7.5, linespacing=1.35)
        text = io.StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    return text.getvalue()
