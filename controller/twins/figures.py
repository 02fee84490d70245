"""The figures of the comparison, as SVG text."""

import io
from functools import partial
from typing import Any

from controller.records.plots import RC, slim
from controller.twins.comparing import Comparison
from controller.twins.cover import Cover
from controller.twins.drawing import WIDTH_IN
from controller.twins.figures_of_places import (
    draw_agreement,
    draw_margins,
    draw_places,
    draw_water,
    margins_height_in,
)
from controller.twins.figures_of_plants import (
    draw_cover,
    draw_emergence,
    draw_heights,
    draw_leaves,
    draw_stages,
    species_of,
)

STAGE_ROW_IN = 0.16


def draw_all(comparison: Comparison, covers: list[Cover]) -> dict[str, str]:
    """Figure name -> SVG text; a figure that would be empty is left out."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    drawn: dict[str, str] = {}
    rows = sum(len(twin.settings.plan.positions) for twin in comparison.twins)
    kinds = max(1, len(species_of(comparison)))
    plots: dict[str, tuple[int, int, float, Any]] = {
        "margins": (1, 1, margins_height_in(comparison), draw_margins),
        "places": (4, 1, 6.0, draw_places),
        "agreement": (1, 2, 2.2, draw_agreement),
        "emergence": (1, 2, 2.5, draw_emergence),
        "heights": (1, kinds, 2.5, draw_heights),
        "leaves": (1, kinds, 2.3, draw_leaves),
        "cover": (1, 1, 2.5, partial(draw_cover, covers=covers)),
        "stages": (1, 1, 0.6 + STAGE_ROW_IN * rows, draw_stages),
        "water": (1, 1, 0.6 + 0.5 * len(comparison.twins), draw_water),
    }
    with matplotlib.rc_context(RC):  # type: ignore[arg-type]  # its stubs list every key by name
        for name, (down, across, height_in, draw) in plots.items():
            figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
            FigureCanvasSVG(figure)
            placed = figure.subplots(down, across, squeeze=False)
            if not draw([axes for row in placed for axes in row], comparison):
                continue
            for axes in placed.ravel():
                axes.spines[["top", "right"]].set_visible(False)
                axes.tick_params(length=2.5, pad=2.0)
            text = io.StringIO()
            figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
            drawn[name] = slim(text.getvalue(), f"{name}-")
    return drawn
