"""The certificate of a calibration: one page that needs nothing else, for a screen and A4 paper."""

import io
import re
from pathlib import Path
from typing import Any

from controller.errors import JournalError, WardianError
from controller.templates import templates_in

INK, FAINT, GRID, WATER, CLAY = "#25313a", "#8d9499", "#d9d5c8", "#2c5f86", "#9a4a2f"
RC = {
    "svg.fonttype": "none",
    "svg.hashsalt": "certificate",
    "font.size": 8.5,
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.6,
    "text.color": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "grid.color": GRID,
    "grid.linewidth": 0.5,
}


def write_certificate(record: dict[str, Any], path: Path) -> None:
    """Write the page of one pump calibration record. WardianError without the libraries that draw."""
    try:
        page = _page(record)
    except ImportError as error:
        raise WardianError(f"A certificate needs the extra libraries of wardian[report]: {error}.") from error
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{path}: the certificate cannot be written ({error.strerror}).") from error


def write_sheet(record: dict[str, Any], path: Path) -> None:
    """The page of any other record: what was found, the readings and a picture of them."""
    try:
        page = _rendered("sheet.html.jinja", record=record, plot=_readings_plot(record))
    except ImportError as error:
        raise WardianError(f"A certificate needs the extra libraries of wardian[report]: {error}.") from error
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{path}: the certificate cannot be written ({error.strerror}).") from error


def write_paper(page_path: Path, pdf_path: Path) -> None:
    """The same page as PDF, by WeasyPrint. WardianError when it is not installed."""
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:
        raise WardianError(f"A PDF needs the extra library of wardian[paper]: {error}.") from error
    HTML(filename=str(page_path)).write_pdf(str(pdf_path))


def _page(record: dict[str, Any]) -> str:
    return _rendered("certificate.html.jinja", record=record, plot=_plot(record))


def _rendered(template: str, **words: Any) -> str:
    page: str = templates_in(Path(__file__).parent).get_template(template).render(**words)
    return page


def _readings_plot(record: dict[str, Any]) -> str:
    """The readings: the last column against the one before it, or the lamp's positions as bars."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    rows = record["data"]["readings"]
    with matplotlib.rc_context(RC):  # type: ignore[arg-type]  # its stubs list every key by name
        figure = Figure(figsize=(7.2, 2.6))
        FigureCanvasSVG(figure)
        axes = figure.add_axes((0.09, 0.18, 0.89, 0.74))
        if record["kind"] == "lamp":
            places = record["result"]["positions"]
            axes.bar(list(places), list(places.values()), color=WATER, edgecolor=INK, linewidth=0.5, width=0.6)
            axes.set_xlabel("Position, at the highest duty")
            axes.set_title("Photon flux, umol m-2 s-1", loc="left", fontsize=9.0)
        else:
            across, up = list(rows[0])[:2]
            xs = [row[across] for row in rows]
            axes.plot(xs, [row[up] for row in rows], "o", color=INK, markersize=4.5, fillstyle="none")
            line = record["result"].get("line")
            if line is not None:
                ends = [min(xs), max(xs)]
                axes.plot(ends, [line["intercept"] + line["slope"] * x for x in ends], color=WATER, linewidth=1.0)
            axes.set_xlabel(across)
            axes.set_title(up, loc="left", fontsize=9.0)
        axes.set_axisbelow(True)
        axes.grid(axis="y")
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        text = io.StringIO()
        figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return re.sub(r"^.*?(?=<svg)", "", text.getvalue(), count=1, flags=re.DOTALL)


def _plot(record: dict[str, Any]) -> str:
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    result = record["result"]
    rows = list(zip(record["data"]["weighings"], result["volumes_ml"], result["set_aside"], strict=True))
    slope, intercept = result["line"]["slope"], result["line"]["intercept"]
    with matplotlib.rc_context(RC):  # type: ignore[arg-type]  # its stubs list every key by name
        figure = Figure(figsize=(7.2, 2.7))
        FigureCanvasSVG(figure)
        fit = figure.add_axes((0.075, 0.16, 0.385, 0.74))
        left = figure.add_axes((0.58, 0.16, 0.405, 0.74))
        longest = max(row["steps"] for row, _, _ in rows) * 1.06
        fit.plot([0, longest], [intercept, intercept + slope * longest], color=WATER, linewidth=1.0)
        left.axhline(0.0, color=WATER, linewidth=1.0)
        for aside, marker, colour in ((False, "o", INK), (True, "x", CLAY)):
            of_kind = [(row["steps"], volume) for row, volume, out in rows if out == aside]
            if of_kind:
                steps, volumes = zip(*of_kind, strict=True)
                fit.plot(steps, volumes, marker, color=colour, markersize=4.5, fillstyle="none")
                rest = [1000.0 * (v - intercept - slope * s) for s, v in of_kind]
                left.plot(steps, rest, marker, color=colour, markersize=4.5, fillstyle="none")
        for axes, title in ((fit, "Volume, ml"), (left, "Residual, µl")):
            axes.set_title(title, loc="left", fontsize=9.0)
            axes.set_xlabel("Steps")
            axes.set_xlim(0.0, longest)
            axes.grid()
            for side in ("top", "right"):
                axes.spines[side].set_visible(False)
        text = io.StringIO()
        figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return re.sub(r"^.*?(?=<svg)", "", text.getvalue(), count=1, flags=re.DOTALL)
