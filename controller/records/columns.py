"""The columns of the exported tables: name, unit and meaning in one place, for the tables and their data sheets."""

from typing import NamedTuple


class Column(NamedTuple):
    """``decimals`` is for numbers: enough that two values which the sensor can tell apart stay apart."""

    name: str
    words: str
    decimals: int | None = None


AT_UTC = "moment in UTC, ISO 8601 with Z"
AT_LOCAL = "the same moment on the clocks of the chamber's time zone, with its offset from UTC"
HOURS = "h, since hydration (the first water); empty before it"
TRUSTED = (
    "1: the time is network time, or was placed by it through the monotonic clock of the same boot; "
    "0: no network time in that boot, the time stands as written"
)
QUALITY = (
    "good, suspect or missing; over an interval also partly: some readings were not good and are left out of the mean; "
    "empty: no reading at all"
)

CLIMATE = (
    Column("at_utc", AT_UTC + "; over an interval its start"),
    Column("at_local", AT_LOCAL),
    Column("hours_since_hydration", HOURS, 4),
    Column("air_temperature_c", "C, as the sensor gave it", 3),
    Column("relative_humidity_pct", "% relative humidity over water, as the sensor gave it", 3),
    Column(
        "vapour_pressure_deficit_kpa",
        "kPa, from air temperature and humidity of each reading, only if both are good",
        4,
    ),
    Column("dew_point_c", "C, from air temperature and humidity of each reading, only if both are good", 3),
    Column(
        "water_content_fraction",
        "volume of water in a volume of medium, by the probe's calibration, if good; see moisture_calibrated",
        5,
    ),
    Column("moisture_counts", "raw count of the moisture probe's converter", 1),
    Column("lamp_duty_fraction", "share of full power that the lamp was driven with", 4),
    Column(
        "ppfd_umol_m2_s",
        "umol m-2 s-1, photosynthetic photon flux density at the canopy: duty x lamp check",
        2,
    ),
    Column("air_quality", "quality of the air temperature: " + QUALITY),
    Column("humidity_quality", "quality of the humidity: " + QUALITY),
    Column("moisture_quality", "quality of the moisture reading: " + QUALITY),
    Column(
        "moisture_calibrated",
        "1: the count lies between the lowest and the highest of the probe's calibration, both included; 0: outside, "
        "where the water content is only the line drawn on; over an interval 0 as soon as one good reading lies "
        "outside; empty: no good reading",
    ),
    Column("readings", "how many readings stand behind the row"),
    Column("utc_trusted", TRUSTED),
)

_GOOD_ONLY = "of the good readings of the day"
DAILY = (
    Column("day_utc", "the closed day from 00:00 to 24:00 UTC"),
    Column("air_temperature_min_c", f"C, lowest {_GOOD_ONLY}", 3),
    Column("air_temperature_mean_c", f"C, mean {_GOOD_ONLY}", 3),
    Column("air_temperature_max_c", f"C, highest {_GOOD_ONLY}", 3),
    Column("relative_humidity_min_pct", f"%, lowest {_GOOD_ONLY}", 3),
    Column("relative_humidity_mean_pct", f"%, mean {_GOOD_ONLY}", 3),
    Column("relative_humidity_max_pct", f"%, highest {_GOOD_ONLY}", 3),
    Column("vapour_pressure_deficit_mean_kpa", "kPa, mean of the deficits of the single readings", 4),
    Column("water_content_min_fraction", f"lowest {_GOOD_ONLY}", 5),
    Column("water_content_mean_fraction", f"mean {_GOOD_ONLY}", 5),
    Column("water_content_max_fraction", f"highest {_GOOD_ONLY}", 5),
    Column("light_h", "h with the lamp on (photoperiod delivered); gaps count as not known, so not as light", 4),
    Column("daily_light_integral_mol_m2", "mol m-2, photons at the canopy over the day", 4),
    Column("degree_days", "C d, air temperature above the base, integrated over the good readings", 4),
    Column("air_temperature_outside_band_h", "h in which the air temperature was outside the plan's band", 4),
    Column("relative_humidity_outside_band_h", "h in which the humidity was outside the plan's band", 4),
    Column("doses", "doses that ended this day and moved water, or may have"),
    Column("delivered_ml", "ml of water given by these doses", 4),
    Column("delivered_standard_uncertainty_ml", "ml, standard uncertainty of their sum", 4),
    Column("drained_ml", "ml taken out and weighed this day", 3),
    Column("alarms", "alarms raised this day"),
    Column("trips", "interlocks that tripped this day"),
    Column("readings", "readings of the day"),
    Column("gap_h", "h between the first and the last reading of the table for which there is no reading", 4),
)

WATER = (
    Column("at_utc", AT_UTC + "; of a dose when it was intended"),
    Column("at_local", AT_LOCAL),
    Column("hours_since_hydration", HOURS, 4),
    Column("entry", "dose or drain"),
    Column("dose_id", "number of the dose, never used twice"),
    Column("purpose", "first_wetting, moisture_led, fixed_time, fallback, calibration; unknown without an intent"),
    Column("intended_ml", "ml asked of the pump", 4),
    Column("delivered_ml", "ml given: the middle of the interval below; empty while the dose is not settled", 4),
    Column("delivered_min_ml", "ml, the least it can have been by the board's count of steps", 4),
    Column("delivered_max_ml", "ml, the most it can have been; budgets count this", 4),
    Column("delivered_standard_uncertainty_ml", "ml, from calibration and interval", 4),
    Column("end_reason", "the project's word for how it ended"),
    Column("words", "the same in plain words"),
    Column("drained_g", "g of water weighed", 2),
    Column("drained_ml", "ml, from the mass and the density of water", 3),
    Column("drained_standard_uncertainty_ml", "ml", 3),
    Column("delivered_total_ml", "ml given from the beginning of the run", 4),
    Column(
        "delivered_total_standard_uncertainty_ml",
        "ml; the calibration is shared by all doses and adds linearly",
        4,
    ),
    Column("drained_total_ml", "ml drained from the beginning of the run", 3),
    Column("held_ml", "ml delivered less drained: in the medium, in the plants, or gone into the air", 3),
    Column("held_standard_uncertainty_ml", "ml", 3),
    Column("signed_by", "who drained and weighed"),
    Column("utc_trusted", TRUSTED),
)

EVENTS = (
    Column("at_utc", AT_UTC),
    Column("at_local", AT_LOCAL),
    Column("hours_since_hydration", HOURS, 4),
    Column(
        "kind",
        "boot, phase, dose_corrected, watering_answer, trip, trip_cleared, alarm, alarm_over, lamp, step_due, "
        "step_signed, observation, clock, link, event, request, answer",
    ),
    Column("name", "the project's own word for it"),
    Column("words", "what it means, in plain words"),
    Column("by", "initials of the person"),
    Column("observation", "number of the observation, which a later one may correct"),
    Column("corrects", "number of the observation that this one replaces"),
    Column("position", "sowing position looked at"),
    Column("emerged", "1 emerged, 0 not, empty if not said"),
    Column("height_mm", "mm", 1),
    Column("leaves", "how many"),
    Column("growth_stage_bbch", "growth stage on the BBCH scale"),
    Column("drained_g", "g of water weighed with this step", 2),
    Column("picture", "file of a picture"),
    Column("note", "what the person wrote"),
    Column("utc_trusted", TRUSTED),
)
