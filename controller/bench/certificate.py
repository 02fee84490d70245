"""The certificate of a calibration or check: one page that needs nothing else, for a screen and A4 paper."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.bench.ageing import BASE_MAX, HISTORY_MIN, Standing
from controller.bench.pictures import charts_picture, pump_picture, readings_picture
from controller.errors import JournalError, WardianError
from controller.plan import Chamber
from controller.templates import templates_in


def write_certificate(record: dict[str, Any], path: Path) -> None:
    """Write the page of one record. WardianError without the libraries that draw."""
    if record["kind"] == "pump":
        _write(path, "certificate.html.jinja", lambda: {"record": record, "plot": pump_picture(record)})
    else:
        _write(path, "sheet.html.jinja", lambda: {"record": record, "plot": readings_picture(record)})


def write_ageing(standing: Standing, chamber: Chamber, turned_h: float, path: Path, *, simulated: bool) -> None:
    """Write the control charts of one tube, and what they ask for. The page is drawn anew each time."""
    _write(
        path,
        "ageing.html.jinja",
        lambda: {
            "standing": standing,
            "chamber": chamber,
            "turned_h": turned_h,
            "simulated": simulated,
            "points_min": HISTORY_MIN + 1,
            "base_max": BASE_MAX,
            "now_utc": datetime.now(UTC),
            "plot": charts_picture(standing),
        },
    )


def write_paper(page_path: Path, pdf_path: Path) -> None:
    """The same page as PDF, by WeasyPrint. WardianError when it is not installed or the file cannot be written."""
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:
        raise WardianError(f"A PDF needs the extra library of wardian[paper]: {error}.") from error
    try:
        HTML(filename=str(page_path)).write_pdf(str(pdf_path))
    except OSError as error:
        raise JournalError(f"{pdf_path}: the certificate cannot be written ({error.strerror}).") from error


def _write(path: Path, template: str, words: Any) -> None:
    try:
        page = templates_in(Path(__file__).parent).get_template(template).render(**words())
    except ImportError as error:
        raise WardianError(f"A certificate needs the extra libraries of wardian[bench]: {error}.") from error
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise JournalError(f"{path}: the certificate cannot be written ({error.strerror}).") from error
