"""Every check between two values of the plan and chamber files: at its bound, just inside and just outside.

The bounds of the board are those of ``firmware_bridge.limits`` (12000 steps a dose, 60000 a day, 400 a second, five
minutes less two seconds of margin a run); the last tests give other bounds, so nothing here rests on those alone.
"""

from dataclasses import replace
from datetime import UTC, datetime, time

import pytest

from controller.errors import SettingsError
from controller.judging.inside_chamber import FLASHED, BoardLimits
from controller.judging.inside_plan import TEXTURES
from controller.judging.orders import CHAMBER_ORDERS, PLAN_ORDERS, number_at
from controller.plan import PictureFrame, Settings
from controller.settings import example_path, read_chamber, read_settings
from tests.settings_files import CHAMBER_NAME, LEFT_OUT, PLAN_NAME, changed, example, sentences, toml_text

# roomier caps than the example's, so that each bound is met alone
MOISTURE_LED = changed(
    example(PLAN_NAME),
    {"watering.daily_cap_ml": 60, "watering.weekly_cap_ml": LEFT_OUT, "watering.total_cap_ml": 900},
)
# the example chamber at the very bounds of its board, in dose and day
CHAMBER = changed(example(CHAMBER_NAME), {"limits.dose_max_ml": 60, "limits.daily_max_ml": 300})
WEEKLY = changed(MOISTURE_LED, {"watering.weekly_cap_ml": 200})
FIXED = changed(
    MOISTURE_LED,
    {
        "watering.moisture": LEFT_OUT,
        "watering.fallback": LEFT_OUT,
        "watering.fixed": {"times": [time(7), time(15)], "clock": "local"},
    },
)
RETENTION = {"theta_r": 0.06, "theta_s": 0.41, "alpha_per_cm": 0.075, "n": 1.89}
MEASURED = changed(MOISTURE_LED, {"medium.texture": LEFT_OUT, "medium.retention": RETENTION})
DIMMED = changed(MOISTURE_LED, {"photoperiod.ppfd_umol_m2_s": LEFT_OUT, "photoperiod.duty_fraction": 0.6})
UNDRAINED = changed(
    MOISTURE_LED, {"first_wetting.drain": False, "steps.4.asks_drained_mass": False, "steps.4.gate": False}
)

# (plan, path, value that is taken ..., value that is not, the sentence about that one)
PLAN_BOUNDS = [
    (
        MEASURED,
        "medium.retention.theta_r",
        [0.0, 0.4],
        0.41,
        "medium.retention.theta_r is 0.41, which is not below medium.retention.theta_s = 0.41.",
    ),
    (
        MEASURED,
        "watering.moisture.high_fraction",
        [0.3, 0.409],
        0.41,
        "watering.moisture.high_fraction is 0.41, which is not below medium.retention.theta_s = 0.41.",
    ),
    (
        MOISTURE_LED,
        "watering.moisture.low_fraction",
        [0.1, 0.279],
        0.28,
        "watering.moisture.low_fraction is 0.28, which is not below watering.moisture.high_fraction = 0.28.",
    ),
    (
        MOISTURE_LED,
        "first_wetting.total_ml",
        [210, 50],
        49.9,
        "first_wetting.aliquot_ml is 50, which is more than first_wetting.total_ml = 49.9.",
    ),
    (
        changed(MOISTURE_LED, {"medium.bed_area_cm2": 10, "first_wetting.total_ml": 90}),
        "medium.bed_depth_cm",
        [9.1, 9.0],
        8.9,
        "first_wetting.total_ml is 90, but the whole bed is only 89 ml (medium.bed_area_cm2 x medium.bed_depth_cm).",
    ),
    (
        changed(MOISTURE_LED, {"watering.daily_cap_ml": 20}),
        "watering.dose_ml",
        [19.9, 20],
        20.1,
        "watering.dose_ml is 20.1, which is more than watering.daily_cap_ml = 20.",
    ),
    (
        changed(MOISTURE_LED, {"watering.daily_cap_ml": 20}),
        "watering.fallback.dose_ml",
        [19.9, 20],
        20.1,
        "watering.fallback.dose_ml is 20.1, which is more than watering.daily_cap_ml = 20.",
    ),
    (
        MOISTURE_LED,
        "watering.total_cap_ml",
        [61, 60],
        59.9,
        "watering.daily_cap_ml is 60, which is more than watering.total_cap_ml = 59.9.",
    ),
    (
        WEEKLY,
        "watering.weekly_cap_ml",
        [60, 420],
        59.9,
        "watering.daily_cap_ml is 60, which is more than watering.weekly_cap_ml = 59.9.",
    ),
    (
        WEEKLY,
        "watering.weekly_cap_ml",
        [419, 420],
        420.5,
        "watering.weekly_cap_ml is 420.5, more than seven days of watering.daily_cap_ml = 60 give: at most 420.",
    ),
    (
        WEEKLY,
        "watering.total_cap_ml",
        [200, 201],
        199.9,
        "watering.weekly_cap_ml is 200, which is more than watering.total_cap_ml = 199.9.",
    ),
    (
        changed(FIXED, {"watering.weekly_cap_ml": 168}),
        "watering.dose_ml",
        [11.9, 12],
        12.1,
        "watering.fixed.times brings 14 doses of 12.1 ml (watering.dose_ml) in a week, together 169.4 ml, which is "
        "more than watering.weekly_cap_ml = 168.",
    ),
    (
        FIXED,
        "watering.dose_ml",
        [29.9, 30],
        30.1,
        "watering.fixed.times holds 2 times of 30.1 ml (watering.dose_ml), together 60.2 ml, which is more than "
        "watering.daily_cap_ml = 60.",
    ),
    (
        FIXED,
        "watering.rest_h",
        [7.9, 8],
        8.1,
        "watering.fixed.times has only 8 h from 07:00:00 to 15:00:00, but watering.rest_h is 8.1.",
    ),
    (
        changed(FIXED, {"watering.rest_h": 9}),
        "watering.fixed.times",
        [[time(8), time(20)], [time(6), time(21)]],
        [time(22), time(6, 30)],
        "watering.fixed.times has only 8.5 h from 22:00:00 to 06:30:00, but watering.rest_h is 9.",
    ),
    (
        FIXED,
        "watering.fixed.times",
        [[time(7)], [time(7), time(15)]],
        [time(7), time(15), time(7)],
        "watering.fixed.times holds 07:00:00 more than once; give each time once.",
    ),
    (
        MOISTURE_LED,
        "photoperiod.light_h",
        [23, 24],
        25,
        "photoperiod.light_h is 25, which is longer than photoperiod.cycle_h = 24.",
    ),
    (
        MOISTURE_LED,
        "photoperiod.cycle_h",
        [17, 16],
        15,
        "photoperiod.light_h is 16, which is longer than photoperiod.cycle_h = 15.",
    ),
    (
        MOISTURE_LED,
        "photoperiod.ramp_min",
        [0, 479, 480],
        480.5,
        "photoperiod.ramp_min is 480.5, but two ramps must fit into photoperiod.light_h = 16: at most 480.",
    ),
    (
        MOISTURE_LED,
        "photoperiod.start",
        [datetime(2000, 1, 1, tzinfo=UTC), datetime(2099, 12, 31, tzinfo=UTC)],
        datetime(1999, 12, 31, tzinfo=UTC),
        "photoperiod.start is 1999-12-31T00:00:00+00:00; give a moment in the years 2000 to 2099.",
    ),
    (
        MOISTURE_LED,
        "climate.air_temperature_low_c",
        [12, 25.9],
        26,
        "climate.air_temperature_low_c is 26, which is not below climate.air_temperature_high_c = 26.",
    ),
    (
        MOISTURE_LED,
        "climate.air_temperature_alarm_low_c",
        [17.9, 18],
        18.1,
        "climate.air_temperature_alarm_low_c is 18.1, which is above climate.air_temperature_low_c = 18.",
    ),
    (
        MOISTURE_LED,
        "climate.air_temperature_alarm_high_c",
        [26.1, 26],
        25.9,
        "climate.air_temperature_alarm_high_c is 25.9, which is below climate.air_temperature_high_c = 26.",
    ),
    (
        MOISTURE_LED,
        "climate.lamp_off_above_c",
        [32.1, 32],
        31.9,
        "climate.lamp_off_above_c is 31.9, which is below climate.air_temperature_alarm_high_c = 32.",
    ),
    (
        MOISTURE_LED,
        "climate.relative_humidity_high_pct",
        [97, 45.1],
        45,
        "climate.relative_humidity_low_pct is 45, which is not below climate.relative_humidity_high_pct = 45.",
    ),
    (
        MOISTURE_LED,
        "climate.relative_humidity_alarm_low_pct",
        [44, 45],
        46,
        "climate.relative_humidity_alarm_low_pct is 46, which is above climate.relative_humidity_low_pct = 45.",
    ),
    (
        MOISTURE_LED,
        "climate.relative_humidity_alarm_high_pct",
        [86, 85],
        84,
        "climate.relative_humidity_alarm_high_pct is 84, which is below climate.relative_humidity_high_pct = 85.",
    ),
    (
        MOISTURE_LED,
        "positions.9.number",
        [9, 10],
        8,
        "positions holds number 8 more than once; give each position a number of its own.",
    ),
    (
        MOISTURE_LED,
        "steps.2.name",
        ["glove"],
        "gloves",
        'steps holds the name "gloves" more than once; give each step a name of its own.',
    ),
    (
        MOISTURE_LED,
        "steps.2.name",
        ["observe"],
        "observe-day-3",
        'steps[2].name is "observe-day-3", but names that begin with observe-day- are kept for the days of '
        "[observation].",
    ),
    (
        MOISTURE_LED,
        "steps.6.day",
        [0, 20, 21],
        22,
        "steps[6].day is 22, which is after the end (length_days = 21).",
    ),
    (
        MOISTURE_LED,
        "steps.6.day",
        [1],
        LEFT_OUT,
        'steps[6].day is missing; a step with due = "on_day" needs a day, counted from hydration.',
    ),
    (
        MOISTURE_LED,
        "steps.5.day",
        [],
        1,
        'steps[5].day is 1, but a step with due = "after_drain" has no day; leave it out.',
    ),
    (
        MOISTURE_LED,
        "steps.5.at_utc",
        [],
        time(9),
        'steps[5].at_utc is 09:00:00, but a step with due = "after_drain" has no time; leave it out.',
    ),
    (
        MOISTURE_LED,
        "steps.6.gate",
        [False],
        True,
        'steps[6].gate is true, but a step with due = "on_day" holds no water back; leave gate out.',
    ),
    (
        UNDRAINED,
        "steps.4.gate",
        [False],
        True,
        "steps[4].gate is true, but with first_wetting.drain = false nothing waits then; leave gate out.",
    ),
    (
        MOISTURE_LED,
        "steps.4.asks_drained_mass",
        [True],
        False,
        'first_wetting.drain is true, but no step has asks_drained_mass = true and due = "after_soak"; give exactly '
        "one such step.",
    ),
    (
        changed(MOISTURE_LED, {"steps.5.due": "after_soak"}),
        "steps.5.asks_drained_mass",
        [False],
        True,
        'first_wetting.drain is true, but 2 steps have asks_drained_mass = true and due = "after_soak"; give exactly '
        "one such step.",
    ),
    (
        MOISTURE_LED,
        "observation.days",
        [[], [0], [20, 21]],
        [21, 22, 23],
        "observation.days holds 22, 23, after the end (length_days = 21).",
    ),
    (
        MOISTURE_LED,
        "observation.days",
        [[1, 2]],
        [1, 2, 1],
        "observation.days holds 1 more than once; give each day once.",
    ),
    (
        MOISTURE_LED,
        "medium.retention",
        [],
        RETENTION,
        "medium has both texture and retention; give exactly one of them.",
    ),
    (
        MOISTURE_LED,
        "medium.texture",
        list(TEXTURES),
        LEFT_OUT,
        "medium has neither texture nor retention; give exactly one of them.",
    ),
    (
        MOISTURE_LED,
        "medium.texture",
        [],
        "Sandy Loam",
        'medium.texture is "Sandy Loam", which is not a texture known here; did you mean "sandy loam"?',
    ),
    (
        MOISTURE_LED,
        "medium.texture",
        [],
        "peat",
        'medium.texture is "peat", which is not a texture known here; give sand, loamy sand, sandy loam, loam, silt '
        "loam, sandy clay loam, clay loam, silty clay loam, silty clay or clay, or medium.retention.",
    ),
    (
        changed(MOISTURE_LED, {"watering.fallback": LEFT_OUT}),
        "watering.moisture",
        [MOISTURE_LED["watering"]["moisture"]],
        LEFT_OUT,
        "watering has neither moisture nor fixed; give exactly one of them.",
    ),
    (
        changed(MOISTURE_LED, {"watering.fallback": LEFT_OUT}),
        "watering.fixed",
        [],
        {"times": [time(7)]},
        "watering has both moisture and fixed; give exactly one of them.",
    ),
    (
        FIXED,
        "watering.fallback",
        [],
        {"dose_ml": 8, "every_h": 24},
        "watering.fallback has no use beside watering.fixed, which never looks at the moisture; leave it out.",
    ),
    (
        MOISTURE_LED,
        "photoperiod.duty_fraction",
        [],
        0.5,
        "photoperiod has both ppfd_umol_m2_s and duty_fraction; give exactly one of them.",
    ),
    (
        MOISTURE_LED,
        "photoperiod.ppfd_umol_m2_s",
        [0, 3],
        LEFT_OUT,
        "photoperiod has neither ppfd_umol_m2_s nor duty_fraction; give exactly one of them.",
    ),
]

CHAMBER_BOUNDS = [
    (
        CHAMBER,
        "site.time_zone",
        ["UTC", "Europe/Lisbon", "America/St_Johns", "Atlantic/Faroe"],
        "Atlantic/Faroes",
        'site.time_zone is "Atlantic/Faroes", which is not in the IANA time zone list; did you mean "Atlantic/Faroe"?',
    ),
    (
        CHAMBER,
        "site.time_zone",
        [],
        "../../etc/passwd",
        'site.time_zone is "../../etc/passwd", which is not in the IANA time zone list; give a name such as '
        '"Europe/Lisbon".',
    ),
    (CHAMBER, "site.time_zone", [], "Europe", 'site.time_zone is "Europe", which is not in the IANA time zone list; '),
    (CHAMBER, "pins.leak", [0, 27], 24, "pins.acknowledge_button is 24, but pins.leak has that pin already."),
    (
        CHAMBER,
        "pump.ml_per_step_standard_uncertainty",
        [0, 0.0049],
        0.005,
        "pump.ml_per_step_standard_uncertainty is 0.005, which is not below pump.ml_per_step = 0.005.",
    ),
    (
        CHAMBER,
        "moisture_probe.wet_count",
        [2999, 3001],
        3000,
        "moisture_probe.wet_count is 3000, the same as moisture_probe.dry_count; a calibration needs two different "
        "counts.",
    ),
    (
        CHAMBER,
        "moisture_probe.dry_count",
        [4094, 4095],
        4096,
        "moisture_probe.dry_count is 4096, but the board counts at most 4095.",
    ),
    (
        changed(CHAMBER, {"moisture_probe.dry_count": 100}),
        "moisture_probe.wet_count",
        [4094, 4095],
        4096,
        "moisture_probe.wet_count is 4096, but the board counts at most 4095.",
    ),
    (
        CHAMBER,
        "moisture_probe.dry_fraction",
        [0.0, 0.2],
        0.42,
        "moisture_probe.dry_fraction is 0.42, which is not below moisture_probe.wet_fraction = 0.42.",
    ),
    (
        changed(CHAMBER, {"limits.dose_max_ml": 55}),
        "limits.daily_max_ml",
        [210, 300],
        300.005,
        "limits.daily_max_ml is 300.005, which is 60001 pump steps, but the board turns at most 60000 in 24 hours: "
        "300 ml at pump.ml_per_step = 0.005.",
    ),
    (
        CHAMBER,
        "limits.dose_max_ml",
        [50, 60],
        60.005,
        "limits.dose_max_ml is 60.005, which is 12001 pump steps, but the board turns at most 12000 in one dose: "
        "60 ml at pump.ml_per_step = 0.005.",
    ),
    (
        CHAMBER,
        "pump.steps_per_s",
        [399, 400],
        401,
        "pump.steps_per_s is 401, but the board turns at most 400 steps a second.",
    ),
    (
        # 12000 steps in 298 s need 40.27 steps a second
        changed(CHAMBER, {"limits.dose_max_ml": 60}),
        "pump.steps_per_s",
        [200, 41],
        40,
        "limits.dose_max_ml is 60, which takes 300 s at pump.steps_per_s = 40, but the board runs a dose for at most "
        "298 s.",
    ),
    (
        # 11920 steps at 40 a second are 298 s to the millisecond
        changed(CHAMBER, {"pump.steps_per_s": 40}),
        "limits.dose_max_ml",
        [59.595, 59.6],
        59.605,
        "limits.dose_max_ml is 59.605, which takes 298.025 s at pump.steps_per_s = 40, but the board runs a dose for "
        "at most 298 s.",
    ),
]

# (plan, chamber, path in the plan, values taken, value refused, sentence)
BETWEEN = [
    (
        changed(FIXED, {"watering.rest_h": 1, "watering.dose_ml": 60, "watering.daily_cap_ml": 240}),
        changed(CHAMBER, {"limits.daily_max_ml": 240}),
        "watering.fixed.times",
        [[time(7), time(8, 1), time(14)], [time(23, 30), time(0, 31), time(14)]],
        [time(7), time(8, 0, 59), time(14)],
        "watering.fixed.times brings 5 doses of 60 ml (watering.dose_ml), together 300 ml, into the 25 hours over "
        "which the board counts a day, but this chamber gives at most 240 ml in them (limits.daily_max_ml).",
    ),
    (
        changed(FIXED, {"watering.fixed.times": [time(7), time(15), time(23)], "watering.daily_cap_ml": 160}),
        changed(CHAMBER, {"limits.daily_max_ml": 210}),
        "watering.dose_ml",
        [52.4, 52.5],
        52.6,
        "watering.fixed.times brings 4 doses of 52.6 ml (watering.dose_ml), together 210.4 ml, into the 25 hours over "
        "which the board counts a day, but this chamber gives at most 210 ml in them (limits.daily_max_ml).",
    ),
    (
        MOISTURE_LED,
        changed(CHAMBER, {"limits.dose_max_ml": 30}),
        "first_wetting.aliquot_ml",
        [29.9, 30],
        30.1,
        "first_wetting.aliquot_ml is 30.1, but this chamber gives at most 30 ml in one dose (limits.dose_max_ml).",
    ),
    (
        changed(MOISTURE_LED, {"watering.daily_cap_ml": 300}),
        CHAMBER,
        "watering.dose_ml",
        [59.9, 60],
        60.1,
        "watering.dose_ml is 60.1, but this chamber gives at most 60 ml in one dose (limits.dose_max_ml).",
    ),
    (
        changed(MOISTURE_LED, {"watering.daily_cap_ml": 300}),
        CHAMBER,
        "watering.fallback.dose_ml",
        [59.9, 60],
        60.1,
        "watering.fallback.dose_ml is 60.1, but this chamber gives at most 60 ml in one dose (limits.dose_max_ml).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "first_wetting.total_ml",
        [299, 300],
        300.5,
        "first_wetting.total_ml is 300.5, but this chamber gives at most 300 ml in 24 hours (limits.daily_max_ml).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "watering.daily_cap_ml",
        [299, 300],
        300.5,
        "watering.daily_cap_ml is 300.5, but this chamber gives at most 300 ml in 24 hours (limits.daily_max_ml).",
    ),
    (
        MOISTURE_LED,
        changed(CHAMBER, {"limits.reservoir_ml": 250}),
        "first_wetting.total_ml",
        [249, 250],
        251,
        "first_wetting.total_ml is 251, but this chamber's reservoir holds 250 ml (limits.reservoir_ml).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "watering.dose_ml",
        [0.006, 0.005],
        0.0049,
        "watering.dose_ml is 0.0049, which is less than one step of this chamber's pump (pump.ml_per_step = 0.005).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "watering.fallback.dose_ml",
        [0.006, 0.005],
        0.0049,
        "watering.fallback.dose_ml is 0.0049, which is less than one step of this chamber's pump "
        "(pump.ml_per_step = 0.005).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "first_wetting.aliquot_ml",
        [0.006, 0.005],
        0.0049,
        "first_wetting.aliquot_ml is 0.0049, which is less than one step of this chamber's pump "
        "(pump.ml_per_step = 0.005).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "watering.moisture.high_fraction",
        [0.41, 0.42],
        0.43,
        "watering.moisture.high_fraction is 0.43, but this chamber's moisture probe is calibrated only from 0.02 to "
        "0.42 (moisture_probe.dry_fraction, moisture_probe.wet_fraction).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "watering.moisture.low_fraction",
        [0.03, 0.02],
        0.01,
        "watering.moisture.low_fraction is 0.01, but this chamber's moisture probe is calibrated only from 0.02 to "
        "0.42 (moisture_probe.dry_fraction, moisture_probe.wet_fraction).",
    ),
    (
        # one step a second is 0.3 ml/min; 1 ml then takes 200 s
        changed(MOISTURE_LED, {"first_wetting.aliquot_ml": 1}),
        CHAMBER,
        "first_wetting.push_rate_max_ml_per_min",
        [500, 0.31, 0.3],
        0.29,
        "first_wetting.push_rate_max_ml_per_min is 0.29, but this chamber's pump gives at least 0.3 ml/min at one "
        "step a second (pump.ml_per_step = 0.005).",
    ),
    (
        # 50 ml are 10000 steps; at 34 a second (10.2 ml/min) they take 294 s, at 33 (9.9 ml/min) 303 s
        MOISTURE_LED,
        CHAMBER,
        "first_wetting.push_rate_max_ml_per_min",
        [25, 10.3, 10.2],
        10.1,
        "first_wetting.aliquot_ml is 50, which takes 303 s at first_wetting.push_rate_max_ml_per_min = 10.1, but this "
        "chamber's board runs a dose for at most 298 s.",
    ),
    (
        MOISTURE_LED,
        changed(CHAMBER, {"lamp.duty_max_fraction": 0.9}),
        "photoperiod.ppfd_umol_m2_s",
        [0, 3, 269, 270],
        270.1,
        "photoperiod.ppfd_umol_m2_s is 270.1, but this chamber's lamp gives at most 270 "
        "(lamp.ppfd_at_full_duty_umol_m2_s x lamp.duty_max_fraction).",
    ),
    (
        MOISTURE_LED,
        CHAMBER,
        "photoperiod.ppfd_umol_m2_s",
        [3.1],
        2.9,
        "photoperiod.ppfd_umol_m2_s is 2.9, but this chamber's lamp gives at least 3 when it is on (one percent of "
        "lamp.ppfd_at_full_duty_umol_m2_s).",
    ),
    (
        DIMMED,
        changed(CHAMBER, {"lamp.duty_max_fraction": 0.9}),
        "photoperiod.duty_fraction",
        [0, 0.89, 0.9],
        0.91,
        "photoperiod.duty_fraction is 0.91, but this chamber's lamp is driven at 0.9 at most (lamp.duty_max_fraction).",
    ),
    (
        DIMMED,
        CHAMBER,
        "photoperiod.duty_fraction",
        [0.01],
        0.009,
        "photoperiod.duty_fraction is 0.009, but a lamp cannot be dimmed below 0.01.",
    ),
]


def names(rows: list[tuple], place: int) -> list[str]:
    return [f"{number}-{row[place]}" for number, row in enumerate(rows, 1)]


@pytest.mark.parametrize(("plan", "path", "taken", "refused", "sentence"), PLAN_BOUNDS, ids=names(PLAN_BOUNDS, 1))
def test_a_plan_is_taken_up_to_each_bound_and_refused_beyond_it(tmp_path, plan, path, taken, refused, sentence):
    for value in taken:
        assert sentences(tmp_path, changed(plan, {path: value}), CHAMBER) == [], value
    assert f"{PLAN_NAME}: {sentence}" in sentences(tmp_path, changed(plan, {path: refused}), CHAMBER)


@pytest.mark.parametrize(
    ("chamber", "path", "taken", "refused", "sentence"), CHAMBER_BOUNDS, ids=names(CHAMBER_BOUNDS, 1)
)
def test_a_chamber_is_taken_up_to_each_bound_and_refused_beyond_it(tmp_path, chamber, path, taken, refused, sentence):
    for value in taken:
        assert sentences(tmp_path, MOISTURE_LED, changed(chamber, {path: value})) == [], value
    said = sentences(tmp_path, MOISTURE_LED, changed(chamber, {path: refused}))
    assert [one for one in said if one.startswith(f"{CHAMBER_NAME}: {sentence}")]


@pytest.mark.parametrize(("plan", "chamber", "path", "taken", "refused", "sentence"), BETWEEN, ids=names(BETWEEN, 2))
def test_a_chamber_takes_a_plan_up_to_each_of_its_own_bounds(tmp_path, plan, chamber, path, taken, refused, sentence):
    for value in taken:
        assert sentences(tmp_path, changed(plan, {path: value}), chamber) == [], value
    assert sentences(tmp_path, changed(plan, {path: refused}), chamber) == [f"{PLAN_NAME}: {sentence}"]


@pytest.mark.parametrize("plan", [MOISTURE_LED, WEEKLY, FIXED, MEASURED, DIMMED, UNDRAINED])
def test_each_kind_of_plan_is_taken(tmp_path, plan):
    assert sentences(tmp_path, plan, CHAMBER) == []


def test_a_later_draining_may_be_weighed_too(tmp_path):
    assert sentences(tmp_path, changed(MOISTURE_LED, {"steps.6.asks_drained_mass": True}), CHAMBER) == []


def test_the_rounding_of_decimal_numbers_is_no_fault(tmp_path):
    """Three times 0.1 is 0.30000000000000004 in binary numbers (IEEE 754), and still three doses of 0.1 ml."""
    changes = {
        "watering.fixed.times": [time(1), time(9), time(17)],
        "watering.dose_ml": 0.1,
        "watering.daily_cap_ml": 0.3,
    }
    assert 3 * 0.1 > 0.3
    assert sentences(tmp_path, changed(FIXED, changes), CHAMBER) == []


def test_every_ordered_pair_names_numbers_that_exist(tmp_path):
    """A slip of the pen in the table of orders would make a check that never speaks."""
    plans = [WEEKLY, changed(MEASURED, {"watering.weekly_cap_ml": 200})]
    for plan in plans:
        (tmp_path / PLAN_NAME).write_text(toml_text(plan), encoding="utf-8")
        settings: Settings = read_settings(tmp_path / PLAN_NAME, example_path(CHAMBER_NAME))
        for order in PLAN_ORDERS:
            for key in (order.key, order.other):
                assert number_at(settings.plan, key) is not None or (plan is WEEKLY and "retention" in key), key
        framed = replace(settings.chamber, picture=PictureFrame())  # the shipped chamber has none
        for order in CHAMBER_ORDERS:
            assert number_at(framed, order.key) is not None
            assert number_at(framed, order.other) is not None


def test_an_aliquot_of_half_a_litre_is_told_from_the_dose_limit_of_the_chamber(tmp_path):
    plan = changed(MOISTURE_LED, {"first_wetting.aliquot_ml": 500, "first_wetting.total_ml": 600})
    assert sentences(tmp_path, plan, CHAMBER) == [
        f"{PLAN_NAME}: first_wetting.aliquot_ml is 500, but this chamber gives at most 60 ml in one dose "
        "(limits.dose_max_ml).",
        f"{PLAN_NAME}: first_wetting.total_ml is 600, but this chamber gives at most 300 ml in 24 hours "
        "(limits.daily_max_ml).",
    ]


@pytest.mark.parametrize(
    ("board", "sentence"),
    [
        (FLASHED._replace(dose_max_steps=11_999), "limits.dose_max_ml is 60, which is 12000 pump steps, but the board"),
        (FLASHED._replace(window_max_steps=59_999), "limits.daily_max_ml is 300, which is 60000 pump steps, but the"),
        (FLASHED._replace(rate_max_steps_per_s=199), "pump.steps_per_s is 200, but the board turns at most 199 steps"),
        (FLASHED._replace(run_max_ms=61_999), "limits.dose_max_ml is 60, which takes 60 s at pump.steps_per_s = 200"),
        (FLASHED._replace(run_margin_ms=240_001), "limits.dose_max_ml is 60, which takes 60 s at pump.steps_per_s = 2"),
        (
            FLASHED._replace(converter_max_counts=2_999),
            "moisture_probe.dry_count is 3000, but the board counts at most",
        ),
    ],
)
def test_a_chamber_is_held_against_the_limits_of_its_board(tmp_path, board, sentence):
    """The chamber stands at the bounds of its board in dose and day; one less refuses it."""
    (tmp_path / CHAMBER_NAME).write_text(toml_text(CHAMBER))
    with pytest.raises(SettingsError) as caught:
        read_chamber(tmp_path / CHAMBER_NAME, board)
    assert [one for one in caught.value.sentences if one.startswith(f"{CHAMBER_NAME}: {sentence}")]
    assert len(caught.value.sentences) == 1


def test_a_chamber_at_the_very_limits_of_its_board_is_taken(tmp_path):
    board = BoardLimits(12_000, 60_000, 200, 62_000, 2_000, 3_000)
    (tmp_path / CHAMBER_NAME).write_text(toml_text(CHAMBER))
    assert read_chamber(tmp_path / CHAMBER_NAME, board).limits.dose_max_ml == 60.0


def test_a_picture_frame_that_is_inside_out_is_told(tmp_path):
    plan, chamber = example(PLAN_NAME), example(CHAMBER_NAME)
    frame = {"left_fraction": 0.6, "right_fraction": 0.4, "top_fraction": 0.1, "bottom_fraction": 0.9}

    told = sentences(tmp_path, plan, chamber | {"picture": frame})
    assert told == [f"{CHAMBER_NAME}: picture.left_fraction is 0.6, which is not below picture.right_fraction = 0.4."]
    assert sentences(tmp_path, plan, chamber | {"picture": {"card_width_mm": 50}}) == []
    assert sentences(tmp_path, plan | {"margins": {"air_temperature_c": 0.5}}, chamber) == []
    (told,) = sentences(tmp_path, plan | {"margins": {"air_temperature_c": 0}}, chamber)
    assert "margins.air_temperature_c" in told


@pytest.mark.parametrize(("weekly_ml", "most_ml"), [(LEFT_OUT, 420.0), (200, 200.0)])
def test_a_plan_without_a_weekly_cap_allows_seven_of_its_days(tmp_path, weekly_ml, most_ml):
    plan = changed(WEEKLY, {"watering.weekly_cap_ml": weekly_ml})
    assert sentences(tmp_path, plan, CHAMBER) == []
    law = read_settings(tmp_path / PLAN_NAME, tmp_path / CHAMBER_NAME).plan.watering

    assert law.most_in_a_week_ml == most_ml


@pytest.mark.parametrize(("value", "said"), [
    (LEFT_OUT, []), (True, []), (False, []),
    (1, ["watering.fallback.without_effect is 1; give true or false."]),
    ("yes", ['watering.fallback.without_effect is "yes"; give true or false.']),
])  # fmt: skip
def test_a_fallback_may_say_whether_it_goes_on_without_effect(tmp_path, value, said):
    plan = changed(MOISTURE_LED, {"watering.fallback.without_effect": value})
    assert sentences(tmp_path, plan, CHAMBER) == [f"{PLAN_NAME}: {each}" for each in said]
    if not said:
        found = read_settings(tmp_path / PLAN_NAME, tmp_path / CHAMBER_NAME).plan.watering.fallback
        assert found.without_effect is (value is True)
