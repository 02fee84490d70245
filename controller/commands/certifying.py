"""What every procedure ends with: the certificate as a page and as PDF, the control charts, the hours of the tube."""

from pathlib import Path
from typing import Any

from controller.bench import ageing, records, tube
from controller.bench.certificate import write_ageing, write_certificate, write_paper
from controller.commands.terminal import err, out
from controller.control.model.moments import MS_PER_H
from controller.errors import WardianError
from controller.plan import Chamber


def certify(record: dict[str, Any], folder: Path, pdf: bool) -> None:
    """Write the pages of a record and say where they are; a missing library is told and nothing else is lost."""
    page = folder / f"{record['id']}.html"
    try:
        write_certificate(record, page)
        out.print(str(page))
        if pdf:
            write_paper(page, page.with_suffix(".pdf"))
            out.print(str(page.with_suffix(".pdf")))
    except WardianError as error:
        err.print(str(error))


def hours_turned_h(folder: Path, chamber: Chamber, runs: Path, turned_elsewhere_h: float, *, simulated: bool) -> float:
    """Hours the pump has turned the tube that is in it, from all journals; what cannot be read is told."""
    elsewhere = tube.look_elsewhere(folder, [runs], chamber, simulated=simulated)
    for sentence in elsewhere.faults:
        err.print(sentence)
    kept = [each for each in records.read_all(folder) if bool(each.get("simulated")) == simulated]
    return tube.turned_ms(elsewhere, chamber, kept) / MS_PER_H + turned_elsewhere_h


def advise(folder: Path, chamber: Chamber, turned_h: float, *, simulated: bool) -> None:
    """Say what charts and hours ask for, and draw the charts."""
    points = ageing.points_of(records.read_all(folder), simulated=simulated)
    standing = ageing.judge_factors(points, chamber.pump.tubing_lot, chamber.pump.calibration_id)
    advice = (*standing.advice, *ageing.judge_hours(turned_h, chamber.pump.tube_life_h))
    out.print(f"The tube has turned {turned_h:.2f} h of {chamber.pump.tube_life_h:g} h.")
    for sentence in advice:
        out.print(sentence, style="bold")
    if not standing.points:
        return
    page = folder / "ageing.html"
    try:
        write_ageing(standing._replace(advice=advice), chamber, turned_h, page, simulated=simulated)
        out.print(str(page))
    except WardianError as error:
        err.print(str(error))
