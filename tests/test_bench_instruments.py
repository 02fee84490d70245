"""Moisture probe, humidity, temperature and lamp: judged from readings, kept, and put into use where that applies."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import linregress

from controller.bench import records
from controller.bench.hygrometer import check_humidity, check_temperature
from controller.bench.lamp import Spot, calibrate_lamp
from controller.bench.moisture import Sample, calibrate_probe, water_content_fraction
from controller.cli import main
from controller.commands.terminal import Exit
from controller.errors import SettingsError
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
        done = calibrate(kind, "--chamber", chamber_path, "--by", "LK", "--readings", path, *more)
        assert done.exit_code == Exit.WELL, done.output
        (record,) = records.read_all(folder, kind)
        page = (folder / f"{record['id']}.html").read_text()
        assert record["data_sha256"] in page
        assert "Saturated salts irritate" in page
        assert "into the lamp" in page
        used = calibrate("use", record["id"], "--chamber", chamber_path, "--by", "LK")
        assert used.exit_code == (Exit.WELL if kind in records.SECTIONS else Exit.SETTINGS)
    chamber = read_chamber(chamber_path)
    assert chamber.moisture_probe.calibration_id.startswith("moisture-")
    assert chamber.lamp.ppfd_at_full_duty_umol_m2_s == 300.0


def test_lux_is_taken_with_a_named_lamp_and_a_plain_warning(chamber_path, tmp_path):
    # 54 lux per umol m-2 s-1 in sunlight: Thimijan and Heins (1983), as tabulated by Apogee Instruments.
    path = tmp_path / "lux.csv"
    lines = [f"1,{d},{54 * 300 * d}" for d in (0.25, 0.5, 1.0)]
    path.write_text("position,duty_fraction,illuminance_lux\n" + "\n".join(lines) + "\n")
    done = calibrate("lamp", "--chamber", chamber_path, "--by", "LK", "--readings", path, "--lux-source", "sunlight")
    assert "300.0 ± 15.8 umol m-2 s-1 at full duty" in done.output  # by hand: 1.96 x hypot(2.5 %, 1 %) of 300
    assert "Measured in lux" in done.output
