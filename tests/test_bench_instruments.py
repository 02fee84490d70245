"""Moisture probe, humidity, temperature and lamp: judged from readings, kept, and put into use where that applies."""

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import linregress

from controller.bench import records
from controller.bench.hygrometer import check_humidity, check_temperature
from controller.bench.lamp import Spot, calibrate_lamp
from controller.bench.moisture import Sample, _prediction, calibrate_probe, samples_of, water_content_fraction
from controller.bench.pictures import lamp_picture
from controller.cli import main
from controller.commands.terminal import Exit
from controller.errors import SettingsError
from controller.plan import Acceptance
from controller.science.lines import fit_line
from controller.settings import example_path, read_chamber
from tests.reference_rows import row_id, rows

COUNTS = [3000, 2500, 2000, 1500, 1200]
FRACTIONS = [0.021, 0.135, 0.24, 0.352, 0.42]
MINUTES = [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]


def samples(fractions=FRACTIONS, counts=COUNTS):
    return [Sample(counts=c, water_content_fraction=f) for c, f in zip(counts, fractions, strict=True)]


@pytest.fixture
def chamber_path(tmp_path):
    return Path(shutil.copy(example_path("skerry-light.chamber.toml"), tmp_path / "skerry-light.chamber.toml"))


def calibrate(*arguments):
    return CliRunner().invoke(main, ["calibrate", *map(str, arguments)])


def test_the_probes_line_is_that_of_scipy_and_its_uncertainty_that_of_a_new_reading():
    found, expected = calibrate_probe(samples())["result"], linregress(COUNTS, FRACTIONS)
    assert found["slope"] == pytest.approx(expected.slope, rel=1e-9)
    assert found["intercept"] == pytest.approx(expected.intercept, rel=1e-9)
    x, middle = np.array(COUNTS, float), 2100.0
    rest = np.array(FRACTIONS) - expected.intercept - expected.slope * x
    s2 = float(np.sum(rest**2)) / 3.0
    new = s2 * (1.0 + 1.0 / 5.0 + (middle - x.mean()) ** 2 / float(np.sum((x - x.mean()) ** 2)))
    assert found["standard_uncertainty_fraction"] == pytest.approx(new**0.5, rel=1e-9)


@pytest.mark.parametrize("counts", COUNTS)
def test_the_prediction_interval_is_that_of_statsmodels(counts):
    statsmodels = pytest.importorskip("statsmodels.api")
    model = statsmodels.OLS(FRACTIONS, statsmodels.add_constant(np.array(COUNTS, float))).fit()
    expected = model.get_prediction([[1.0, float(counts)]]).summary_frame(alpha=0.05)
    chosen = _prediction(fit_line(COUNTS, FRACTIONS), len(COUNTS), [counts], 0.0)[0]
    assert chosen["water_content_fraction"] == pytest.approx(expected["mean"].item(), rel=1e-9)
    half = (expected["obs_ci_upper"] - expected["obs_ci_lower"]).item() / 2.0
    assert chosen["half_width_fraction"] == pytest.approx(half, rel=1e-9)


def test_the_water_of_the_samples_widens_what_is_told_of_one_reading():
    plain, widened = calibrate_probe(samples())["result"], calibrate_probe(samples(), None, 0.01)["result"]
    assert widened["standard_uncertainty"] == pytest.approx(np.hypot(plain["standard_uncertainty"], 0.01), rel=1e-9)
    assert [line["source"] for line in widened["budget"]][-1] == "water content of the samples"
    assert widened["expanded"] == pytest.approx(widened["coverage"] * widened["standard_uncertainty"], rel=1e-12)


@pytest.mark.parametrize(("bound", "accepted"), [(0.0083, False), (0.0085, True)])
def test_the_bound_of_a_probe_is_a_setting_of_the_chamber_file(bound, accepted):
    limits = Acceptance(moisture_standard_uncertainty_max_fraction=bound)
    spread = calibrate_probe(samples(), limits, 0.008)
    assert 0.0083 < spread["result"]["standard_uncertainty"] < 0.0085
    assert spread["accepted"] is accepted
    if not accepted:
        assert "acceptance.moisture_standard_uncertainty_max_fraction" in spread["refused_because"][0]


def test_a_probe_that_does_not_follow_the_water_is_refused():
    stuck = calibrate_probe(samples([0.1, 0.1, 0.1], [3000, 2000, 1000]))
    assert "do not follow the water content" in " ".join(stuck["refused_because"])


def test_samples_come_from_weighing_or_from_permittivity_by_topp():
    # Topp, Davis and Annan (1980), eq. 7, for a permittivity of 20 by hand: -0.053 + 0.584 - 0.22 + 0.0344 = 0.3454.
    (by_topp,) = samples_of([{"counts": 2000.4, "permittivity": 20.0}])
    assert (by_topp.counts, by_topp.water_content_fraction) == (2000, pytest.approx(0.3454))
    (weighed,) = samples_of([{"counts": 2000.0, "wet_g": 130.0, "dry_g": 100.0, "bulk_volume_ml": 100.0}])
    assert weighed.water_content_fraction == pytest.approx(0.3009, abs=5e-5)
    with pytest.raises(SettingsError, match=r"sample 1: permittivity must be between 2 and 46, found 80\.0"):
        samples_of([{"counts": 2000.0, "permittivity": 80.0}])
    with pytest.raises(SettingsError, match="sample 2: wet_g is 90 and dry_g 100"):
        samples_of([{"counts": 1.0, "wet_g": w, "dry_g": 100.0, "bulk_volume_ml": 100.0} for w in (130.0, 90.0)])


def test_a_probes_file_is_read_in_each_of_its_three_forms(chamber_path, tmp_path):
    path = tmp_path / "probe.csv"
    for head, lines, more, word in (
        ("counts,water_content_fraction", ["3000,0.02", "2000,0.24", "1200,0.42"], (), "gravimetric"),
        ("counts,wet_g,dry_g,bulk_volume_ml", ["3000,102,100,100", "2000,124,100,100", "1200,142,100,100"], (), "ric"),
        ("counts,permittivity", ["3000,3.2", "2000,13.3", "1200,27.5"], ("--topp",), "Topp"),
    ):
        path.write_text("\n".join([head, *lines]) + "\n")
        done = calibrate("moisture", "--chamber", chamber_path, "--by", "LK", "--readings", path, *more)
        assert done.exit_code == Exit.WELL, done.output
        newest = records.read_all(records.folder_of(chamber_path), "moisture")[-1]
        assert word in newest["method"]
        assert len(newest["data"]["samples"]) == 3
    path.write_text("counts,wet_g\n3000,102\n")
    done = calibrate("moisture", "--chamber", chamber_path, "--by", "LK", "--readings", path)
    assert done.exit_code == Exit.SETTINGS
    assert "must name water_content_fraction, or wet_g, dry_g and bulk_volume_ml" in done.output


def test_two_samples_make_a_line_whose_uncertainty_is_assumed():
    found = calibrate_probe(samples([0.02, 0.42], [3000, 1200]))
    assert found["result"]["prediction_half_width_fraction"] is None
    assert found["settings"]["standard_uncertainty_fraction"] == 0.02


@pytest.mark.parametrize(
    ("fractions", "counts", "words"),
    [
        ([0.2, 0.3], [1500, 1500], "two or more different counts"),
        ([-0.01, 0.3], [3000, 1500], "sample 1: water_content_fraction is -0.01"),
        ([0.1, 1.01], [3000, 1500], "sample 2: water_content_fraction is 1.01"),
        ([0.1, 0.3], [4096, 1500], "sample 1: counts is 4096"),
    ],
)
def test_samples_that_make_no_line_are_told(fractions, counts, words):
    with pytest.raises(SettingsError, match=words):
        calibrate_probe(samples(fractions, counts))


def test_a_probe_that_scatters_too_much_is_refused():
    assert not calibrate_probe(samples([0.02, 0.4, 0.1, 0.2, 0.42]))["accepted"]


def test_water_content_is_the_water_lost_in_drying_over_the_bulk_volume():
    # ISO 8655-6 (2002), Table A.1: 1.0029 ml/g at 20 C and 101.3 kPa; 130 g - 100 g = 30 g are 30.09 ml in 100 ml.
    assert water_content_fraction(130.0, 100.0, 100.0) == pytest.approx(0.3009, abs=5e-5)
    with pytest.raises(SettingsError, match="dry_g must be"):
        water_content_fraction(100.0, 130.0, 100.0)


GREENSPAN = [
    row
    for row in rows("salt_humidity.csv")
    if row.get("salt") in ("NaCl", "MgCl2", "KCl") and row.get("air_temperature_c") in ("20", "25", "20.0", "25.0")
]


@pytest.mark.parametrize("row", GREENSPAN, ids=row_id)
def test_a_sensor_that_shows_greenspans_figure_passes_and_one_four_percent_off_fails(row):
    # Greenspan (1977), J. Res. Natl. Bur. Stand. 81A:89-96, Table 2.
    printed_pct, at_c = float(row["relative_humidity_pct"]), float(row["air_temperature_c"])
    near = [printed_pct + d for d in (0.02, -0.02, 0.01, -0.01, 0.02, -0.02)]
    passed = check_humidity(row["salt"], at_c, MINUTES, near, 2.0)
    assert passed["accepted"]
    assert abs(passed["result"]["difference"]) < 0.2
    assert not check_humidity(row["salt"], at_c, MINUTES, [each + 4.0 for each in near], 2.0)["accepted"]


def test_air_that_still_moves_is_no_equilibrium():
    moving = [73.0, 73.5, 74.0, 74.4, 74.8, 75.1]
    found = check_humidity("NaCl", 25.0, MINUTES, moving, 5.0)
    assert "still moves by" in found["refused_because"][0]


def test_the_budget_of_a_humidity_check_is_that_of_the_hand():
    # Salt 0.5 %; 0.05 C apart at 25 C: saturation pressure changes by 5.97 % a degree (Magnus), of 75.29 % that is
    # 0.225 %; six readings that scatter by 0.0190 % have a mean good to 0.00775 %.
    found = check_humidity("NaCl", 25.0, MINUTES, [75.02, 74.98, 75.01, 74.99, 75.02, 74.98], 2.0)["result"]
    assert [line["share"] for line in found["budget"]] == pytest.approx([0.5, 0.225, 0.00775], rel=0.02)
    assert found["expanded"] == pytest.approx(1.96 * np.hypot(0.5, 0.225), rel=0.01)


@pytest.mark.parametrize(
    ("minutes", "readings_pct", "words"),
    [
        (MINUTES, [75.0] * 5 + [101.0], "reading 6: relative_humidity_pct is 101, but must be from 0 to 100"),
        ([0.0] * 6, [75.0] * 6, "elapsed_min holds one moment more than once"),
    ],
)
def test_readings_that_no_sensor_gives_are_told(minutes, readings_pct, words):
    with pytest.raises(SettingsError, match=words):
        check_humidity("NaCl", 25.0, minutes, readings_pct, 2.0)


def test_an_unknown_salt_and_too_few_readings_are_told():
    with pytest.raises(SettingsError, match="salt must be one of"):
        check_humidity("sugar", 25.0, MINUTES, [75.0] * 6, 2.0)
    with pytest.raises(SettingsError, match="6 or more"):
        check_humidity("NaCl", 25.0, MINUTES[:5], [75.0] * 5, 2.0)


@pytest.mark.parametrize(("off_c", "passes"), [(0.45, True), (0.49, True), (0.51, False)])
def test_a_thermometer_check_passes_within_accuracy_and_expanded_uncertainty(off_c, passes):
    # 0.3 C stated and 2 x 0.1 C of the reference: the bound is 0.5 C.
    assert check_temperature([20.0 + off_c] * 6, [20.0] * 6, 0.1, 0.3)["accepted"] is passes


def spots(bend=0.0):
    return [
        Spot(position=p, duty_fraction=d, ppfd_umol_m2_s=(300.0 * d + bend) * share)
        for d in (0.25, 0.5, 1.0)
        for p, share in ((1, 0.9), (2, 1.1))
    ]


def test_lamp_uniformity_and_daily_light_are_as_worked_out_by_hand():
    found = calibrate_lamp(spots(), 16.0, 0.5)["result"]
    assert found["ppfd_at_full_duty_umol_m2_s"] == pytest.approx(300.0)
    assert found["min_over_mean"] == pytest.approx(0.9)
    assert found["cv_pct"] == pytest.approx(100.0 * 30.0 * 2**0.5 / 300.0)
    assert found["daily_light_integral_mol_m2"] == pytest.approx(150.0 * 16 * 3600 / 1e6)


def test_a_lamp_with_a_bent_response_is_refused():
    assert not calibrate_lamp(spots(bend=30.0), 16.0, 0.5)["accepted"]
    with pytest.raises(SettingsError, match="three or more duties"):
        calibrate_lamp(spots()[:4], 16.0, 0.5)


def test_the_bounds_of_a_lamp_are_settings_and_named(chamber_path):
    uneven = [Spot(position=p, duty_fraction=d, ppfd_umol_m2_s=300.0 * d * share) for d in (0.25, 0.5, 1.0)
              for p, share in ((1, 0.7), (2, 1.3))]  # fmt: skip
    assert calibrate_lamp(uneven, 16.0, 0.5)["accepted"]
    strict = calibrate_lamp(uneven, 16.0, 0.5, Acceptance(lamp_least_over_mean_min_fraction=0.71))
    assert "acceptance.lamp_least_over_mean_min_fraction" in strict["refused_because"][0]
    assert calibrate_lamp(uneven, 16.0, 0.5, Acceptance(lamp_least_over_mean_min_fraction=0.699))["accepted"]


def test_the_budget_of_a_lamp_holds_its_line_the_sensor_and_the_factor_from_lux():
    found = calibrate_lamp(spots(), 16.0, 0.5, sensor_standard_uncertainty_pct=3.0, factor_standard_uncertainty_pct=4.0)
    assert found["result"]["standard_uncertainty"] == pytest.approx(15.0)  # by hand: 3 and 4 % of 300
    assert len(found["result"]["budget"]) == 3
    assert len(calibrate_lamp(spots(), 16.0, 0.5)["result"]["budget"]) == 2


def test_the_map_of_a_lamp_has_every_position_where_it_lies_with_its_value():
    grid = [Spot(position=p, duty_fraction=d, ppfd_umol_m2_s=d * (280.0 + p)) for d in (0.25, 0.5, 1.0)
            for p in range(1, 7)]  # fmt: skip
    found = calibrate_lamp(grid, 16.0, 1.0, across=2)["result"]
    assert [(each["position"], each["x"], each["y"]) for each in found["map"]["places"]] == [
        (1, 0.0, 0.0), (2, 1.0, 0.0), (3, 0.0, 1.0), (4, 1.0, 1.0), (5, 0.0, 2.0), (6, 1.0, 2.0),
    ]  # fmt: skip
    measured = [replace(each, x_cm=3.0 * each.position, y_cm=5.0) for each in grid]
    places = calibrate_lamp(measured, 16.0, 1.0)["result"]["map"]
    assert places["measured"]
    assert [(each["x"], each["y"]) for each in places["places"]] == [(3.0 * p, 5.0) for p in range(1, 7)]
    data = {"readings": [vars(each) for each in grid]}
    svg = lamp_picture({"kind": "lamp", "result": found, "data": data})
    assert [f">{280 + p}<" in svg for p in range(1, 7)] == [True] * 6


def test_the_map_reads_in_grey_and_every_value_stands_out_from_its_shade():
    # WCAG 2.1, relative luminance and contrast: text of this size asks for 4.5 to 1.
    bright = [Spot(position=p, duty_fraction=d, ppfd_umol_m2_s=d * light) for d in (0.25, 0.5, 1.0)
              for p, light in enumerate(range(200, 400, 10), 1)]  # fmt: skip
    found = calibrate_lamp(bright, 16.0, 1.0, across=5)["result"]
    svg = lamp_picture({"kind": "lamp", "result": found, "data": {"readings": [vars(each) for each in bright]}})
    shades = [luminance(colour) for colour in re.findall(r'<g id="patch_\d+">\s*<path [^>]*?fill: (#\w{6})', svg)][-20:]
    assert shades == sorted(shades)
    assert shades[0] < shades[-1] / 2.0
    texts = re.findall(r'<text style="([^"]*)"[^>]*>(\d{3})</text>', svg)[:20]
    for shade, light, (style, value) in zip(shades, range(200, 400, 10), texts, strict=True):
        assert value == str(light)
        ink = luminance(re.search(r"fill: (#\w{6})", style)[1])
        assert (max(shade, ink) + 0.05) / (min(shade, ink) + 0.05) >= 4.5


def luminance(colour):
    """Relative luminance of a colour such as #25313a (WCAG 2.1)."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_each_check_leaves_a_record_and_a_page_and_probe_and_lamp_can_be_used(chamber_path, tmp_path):
    over_salt = ("--salt", "NaCl", "--air-c", 25)
    files = {
        "moisture": ("counts,water_content_fraction", zip(COUNTS, FRACTIONS, strict=True), ()),
        "humidity": ("elapsed_min,relative_humidity_pct", [(m, 75.3) for m in MINUTES], over_salt),
        "temperature": ("sensor_c,reference_c", [(20.1, 20.0)] * 6, ()),
        "lamp": ("position,duty_fraction,ppfd_umol_m2_s", [tuple(vars(s).values())[:3] for s in spots()], ()),
    }  # fmt: skip
    folder = records.folder_of(chamber_path)
    for kind, (head, lines, more) in files.items():
        path = tmp_path / f"{kind}.csv"
        path.write_text("\n".join([head, *(",".join(map(str, line)) for line in lines)]) + "\n")
        done = calibrate(kind, "--chamber", chamber_path, "--by", "LK", "--readings", path, *more,
                         "--instruments", "balance 3")  # fmt: skip
        assert done.exit_code == Exit.WELL, done.output
        (record,) = records.read_all(folder, kind)
        page = (folder / f"{record['id']}.html").read_text()
        assert record["data_sha256"] in page
        for words in ("Uncertainty budget", "coverage factor k =", "balance 3", "Valid", "Raw data", "<svg"):
            assert words in page
        assert "Saturated salts irritate" in page
        assert "into the lamp" in page
        used = calibrate("use", record["id"], "--chamber", chamber_path, "--by", "LK")
        assert used.exit_code == (Exit.WELL if kind in records.SECTIONS else Exit.SETTINGS)
    chamber = read_chamber(chamber_path)
    assert chamber.moisture_probe.calibration_id.startswith("moisture-")
    assert chamber.lamp.ppfd_at_full_duty_umol_m2_s == 300.0


def test_a_stated_factor_of_another_lamp_is_taken_and_shown(chamber_path, tmp_path):
    path = tmp_path / "lux.csv"
    path.write_text(
        "position,duty_fraction,illuminance_lux\n" + "".join(f"1,{d},{70 * 300 * d}\n" for d in (0.25, 0.5, 1))
    )
    given = ("lamp", "--chamber", chamber_path, "--by", "LK", "--readings", path)
    done = calibrate(*given, "--lux-per-umol", "70")
    assert done.exit_code == Exit.WELL, done.output
    # By hand: 2.5 % of the meter and 10 % of a factor that somebody states, of 300, times 1.96.
    assert "300.0 ± 60.6 umol m-2 s-1 at full duty" in done.output
    assert "70 lux are 1 umol m-2 s-1" in done.output
    assert "Measured in lux" in done.output
    assert "exclude each other" in calibrate(*given, "--lux-per-umol", "70", "--lux-source", "sunlight").output
    assert "state its factor with --lux-per-umol" in calibrate(*given, "--lux-source", "white LED").output


def test_lux_is_taken_with_a_named_lamp_and_a_plain_warning(chamber_path, tmp_path):
    # 54 lux per umol m-2 s-1 in sunlight: Thimijan and Heins (1983), as tabulated by Apogee Instruments.
    path = tmp_path / "lux.csv"
    lines = [f"1,{d},{54 * 300 * d}" for d in (0.25, 0.5, 1.0)]
    path.write_text("position,duty_fraction,illuminance_lux\n" + "\n".join(lines) + "\n")
    done = calibrate("lamp", "--chamber", chamber_path, "--by", "LK", "--readings", path, "--lux-source", "sunlight")
    assert "300.0 ± 15.8 umol m-2 s-1 at full duty" in done.output  # by hand: 1.96 x hypot(2.5 %, 1 %) of 300
    assert "Measured in lux" in done.output


NEW_KEYS = {"budget", "expanded", "coverage", "df", "standard_uncertainty", "unit", "map", "prediction"}


@pytest.mark.parametrize("kind", ["lamp", "moisture", "temperature"])
def test_a_record_of_an_earlier_version_still_has_its_page(chamber_path, tmp_path, kind):
    judged, data = {
        "lamp": (calibrate_lamp(spots(), 16.0, 1.0), {"lux_source": "sunlight", "readings": [
            {"position": s.position, "duty_fraction": s.duty_fraction, "illuminance_lux": 54 * s.ppfd_umol_m2_s}
            for s in spots()]}),
        "moisture": (calibrate_probe(samples()), {"readings": [vars(s) for s in samples()]}),
        "temperature": (check_temperature([20.1] * 6, [20.0] * 6, 0.1, 0.3),
                        {"readings": [{"sensor_c": 20.1, "reference_c": 20.0}] * 6}),
    }[kind]  # fmt: skip
    older = {key: value for key, value in judged["result"].items() if key not in {*NEW_KEYS, "stated_accuracy"}}
    content = {
        **judged, "result": older, "at_utc": "2026-03-01T10:00:00+00:00", "by": "LK", "chamber": "Skerry Light",
        "words": ["As it was."], "method": "As it was.", "software_version": "0", "data": data,
    }  # fmt: skip
    folder = records.folder_of(chamber_path)
    record_id = records.keep(folder, kind, datetime(2026, 3, 1, 10, tzinfo=UTC), content)
    done = calibrate("show", record_id, "--chamber", chamber_path)
    assert done.exit_code == Exit.WELL, done.output
    assert "As it was." in done.output
    page = (folder / f"{record_id}.html").read_text()
    assert "not stated" in page
    assert "<svg" in page
    assert "Uncertainty budget" not in page
