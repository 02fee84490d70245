"""The reporting sheet: what a report of a growth-chamber experiment must say, filled from the records.

The quantities follow the international minimum guidelines for growth rooms and chambers (ICCEG 2004; Tibbitts, Sager
and Krizek 2000, Biotronics 29:9-16), in the project's own words. What the records do not hold stays blank.
"""

from typing import NamedTuple

import numpy as np

from controller.records.cells import in_turn
from controller.records.series import Values
from controller.twins.gathering import Twin

BLANK = ""


class SheetRow(NamedTuple):
    """One line: a quantity, and what each twin has to say to it (blank where nothing is recorded)."""

    group: str
    quantity: str
    unit: str
    values: list[str]


def rows_of(twins: list[Twin]) -> list[SheetRow]:
    """All lines of the sheet, one value for each twin."""
    columns = [_column(twin) for twin in twins]
    return [
        SheetRow(group, quantity, unit, [column[place][3] for column in columns])
        for place, (group, quantity, unit, _) in enumerate(columns[0])
    ]


def _span(values: Values, wanted: Values, decimals: int) -> str:
    known = values[(wanted > 0) & ~np.isnan(values)]
    if not len(known):
        return BLANK
    return f"{known.mean():.{decimals}f} ({known.min():.{decimals}f} to {known.max():.{decimals}f})"


def _column(twin: Twin) -> list[tuple[str, str, str, str]]:
    plan, chamber, hours = twin.settings.plan, twin.settings.chamber, twin.hours
    lit = np.nan_to_num(hours.lamp_duty_fraction) > 0.0
    light, dark = lit.astype(np.float64), (~lit).astype(np.float64)
    air, humidity, deficit = hours.air_temperature_c, hours.relative_humidity_pct, hours.vapour_pressure_deficit_kpa
    light_h = [day.light_h for day in twin.days if day.light_h is not None]
    integrals = [d.daily_light_integral_mol_m2 for d in twin.days if d.daily_light_integral_mol_m2 is not None]
    flux = twin.settings.lamp_duty_fraction * chamber.lamp.ppfd_at_full_duty_umol_m2_s
    medium = plan.medium
    held = twin.water.held_ml
    doses = max(1.0, twin.length_h / 24.0)
    species: dict[str, int] = {}
    for position in plan.positions:
        species[position.species] = species.get(position.species, 0) + 1
    return [
        ("Plants", "species and number of positions", "", ", ".join(f"{n} {name}" for name, n in species.items())),
        ("Plants", "seed lots", "", ", ".join(dict.fromkeys(p.lot for p in plan.positions if p.lot)) or BLANK),
        ("Plants", "cultivar, seed source", "", BLANK),
        ("Chamber", "place", "", f"{chamber.site.name}, {chamber.site.place}"),
        ("Chamber", "first water (day 0)", "UTC", twin.hydrated_at_utc),
        ("Chamber", "days recorded", "d", f"{twin.length_h / 24.0:.1f}"),
        ("Light", "photosynthetic photon flux density, canopy", "umol m-2 s-1", f"{flux:.0f} (by lamp check)"),
        ("Light", "spread of it over the bed", "umol m-2 s-1", BLANK),
        ("Light", "photoperiod, mean and range", "h", _mean_range(light_h, 2)),
        ("Light", "daily light integral, mean and range", "mol m-2 d-1", _mean_range(integrals, 2)),
        ("Light", "kind of lamp, spectrum", "", BLANK),
        ("Light", "instrument and its calibration", "", BLANK),
        ("Temperature", "air, light period: mean and range of hours", "C", _span(air, light, 1)),
        ("Temperature", "air, dark period: mean and range of hours", "C", _span(air, dark, 1)),
        ("Temperature", "sensor shielded and aspirated", "", BLANK),
        ("Temperature", "medium", "C", BLANK),
        ("Humidity", "relative, light period: mean and range of hours", "%", _span(humidity, light, 0)),
        ("Humidity", "relative, dark period: mean and range of hours", "%", _span(humidity, dark, 0)),
        ("Humidity", "vapour pressure deficit, light period", "kPa", _span(deficit, light, 2)),
        ("Air", "carbon dioxide", "umol mol-1", BLANK),
        ("Air", "air speed at the canopy", "m s-1", BLANK),
        ("Water", "first wetting", "ml", f"{plan.first_wetting.total_ml:g}"),
        ("Water", "delivered in all, standard uncertainty", "ml",
         f"{twin.water.delivered_ml:.1f} ± {twin.water.delivered_standard_uncertainty_ml:.1f}"),
        ("Water", "drained and weighed, standard uncertainty", "ml",
         f"{twin.water.drained_ml:.1f} ± {twin.water.drained_standard_uncertainty_ml:.1f}"),
        ("Water", "held by medium and plants or gone into the air", "ml",
         f"{held:.1f} ± {twin.water.held_standard_uncertainty_ml:.1f}"),
        ("Water", "delivered a day, after the first wetting", "ml",
         f"{max(0.0, twin.water.delivered_ml - plan.first_wetting.total_ml) / doses:.1f}"),
        ("Water", "water content of the medium: mean and range of hours", "ml/ml",
         _span(hours.water_content_fraction, np.ones(len(lit)), 3)),
        ("Water", "kind of water", "", BLANK),
        ("Medium", "kind", "", medium.texture or "measured retention"),
        ("Medium", "bed: area and depth", "cm2, cm", f"{medium.bed_area_cm2:g}, {medium.bed_depth_cm:g}"),
        ("Medium", "nutrients added", "mol m-3", BLANK),
        ("Medium", "pH", "", BLANK),
        ("Medium", "electrical conductivity", "dS m-1", BLANK),
        ("Calibration", "pump", "", in_turn(
            f"{each.pump.calibrated_on}, {each.pump.ml_per_step:g} ± "
            f"{each.pump.ml_per_step_standard_uncertainty:g} ml per step" for each in twin.settings.chambers)),
        ("Calibration", "moisture probe", "", in_turn(
            f"{each.moisture_probe.calibrated_on}, ± {each.moisture_probe.standard_uncertainty_fraction:g} ml/ml"
            for each in twin.settings.chambers)),
        ("Calibration", "air sensor", "", BLANK),
        ("Calibration", "lamp", "", BLANK),
    ]  # fmt: skip


def _mean_range(values: list[float], decimals: int) -> str:
    if not values:
        return BLANK
    return f"{np.mean(values):.{decimals}f} ({min(values):.{decimals}f} to {max(values):.{decimals}f})"
