"""A pump calibration as it is kept: what was measured, what came of it, what the chamber would take."""

import math
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller import __version__
from controller.bench import records
from controller.bench.budgets import lines_of
from controller.bench.pump import Conditions, PumpResult, Weighing, evaluate
from controller.plan import Chamber


def keep_pump(
    folder: Path, chamber: Chamber, weighings: list[Weighing], conditions: Conditions,
    *, by: str, instruments: str, session: str, simulated: bool, at_utc: datetime, turned_h: float,
) -> dict[str, Any]:  # fmt: skip
    """Evaluate and keep a calibration; a failing one is kept too, with the reasons why it is refused.

    ``turned_h`` are the hours that the tube has turned up to now.
    """
    result = evaluate(weighings, conditions, chamber.acceptance)
    at_utc = at_utc.astimezone(UTC)
    content = {
        "at_utc": at_utc.isoformat(timespec="seconds"),
        "by": by,
        "chamber": f"{chamber.site.name}, {chamber.site.place}",
        "tubing_lot": chamber.pump.tubing_lot,
        "turned_h": round(turned_h, 3),
        "steps_per_s": chamber.pump.steps_per_s,
        "instruments": instruments,
        "session": session,
        "simulated": simulated,
        "software_version": __version__,
        "accepted": result.accepted,
        "refused_because": list(result.refused_because),
        "settings": {
            "ml_per_step": float(f"{result.ml_per_step:.7g}"),
            "ml_per_step_standard_uncertainty": float(f"{result.combined.standard_uncertainty:.3g}"),
            "steps_per_s": chamber.pump.steps_per_s,
            "calibrated_on": at_utc.date().isoformat(),
        },
        "result": _result(result),
        "data": {
            "weighings": [asdict(each) for each in weighings],
            "conditions": asdict(conditions),
            "acceptance": {
                name.removeprefix("pump_"): bound
                for name, bound in asdict(chamber.acceptance).items()
                if name.startswith("pump_")
            },
        },
    }
    return records.read(folder, records.keep(folder, "pump", at_utc, content))


def _result(result: PumpResult) -> dict[str, Any]:
    return {
        "ml_per_step": result.ml_per_step,
        "ml_per_step_standard_uncertainty": result.combined.standard_uncertainty,
        "expanded_ml_per_step": result.combined.expanded,
        "coverage": result.combined.coverage,
        "df": None if math.isinf(result.combined.df) else result.combined.df,
        "z_ml_per_g": result.z_ml_per_g,
        "volumes_ml": list(result.volumes_ml),
        "set_aside": list(result.set_aside),
        "line": asdict(result.line),
        "line_with_all": asdict(result.line_with_all),
        "intercept_p": result.intercept_p,
        "levels": [asdict(each) for each in result.levels],
        "budget": lines_of(list(result.budget)),
    }
