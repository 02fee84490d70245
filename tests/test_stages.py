"""Growth stages: the words stand for the published codes."""

import pytest

from controller.science.growth import fit_growth
from controller.science.stages import stage_words
from tests.reference_rows import row_id, rows

# what our words and the published ones must share for each code (Meier 2001; Feller et al. 1995)
SHARED = {
    "00": "seed",
    "01": "seed",
    "03": "seed",
    "05": "root",
    "07": "seed coat",
    "08": "surface",
    "09": "surface",
    "10": "cotyledons",
    "11": "1 true leaf",
    "12": "2 true leaves",
    "13": "3 true leaves",
    "19": "true leaves",
}


@pytest.mark.parametrize("row", rows("bbch_stages.csv"), ids=row_id)
def test_a_code_means_what_the_published_scale_says(row):
    shared = SHARED[row["code"]]
    singular = shared.removesuffix("s")

    assert shared in stage_words(int(row["code"]))
    if row["code"] in ("01", "03"):
        assert "imbibition" in row["stage"]
    else:
        assert singular.split()[-1][:4].lower() in row["stage"].lower()


def test_every_code_of_the_scale_has_words():
    assert all(stage_words(code) for code in range(100))


@pytest.mark.parametrize("code", [-1, 100])
def test_codes_outside_the_scale_are_refused(code):
    with pytest.raises(ValueError, match="between 0 and 99"):
        stage_words(code)


# Boyes et al. (2001), Plant Cell 13:1499-1510, Tables 1 and 2, read in a work quoting them: stage d.dd is BBCH dd
BOYES = {row["id"]: row for row in rows("boyes_stages.csv")}
BOYES_WORDS = {
    "0.50": ("radicle", "root"),
    "1.00": ("cotyledons", "cotyledons"),
    "1.02": ("2 rosette", "2 true leaves"),
}


@pytest.mark.parametrize("code", BOYES_WORDS)
def test_stages_of_thale_cress_carry_the_words_of_their_bbch_code(code):
    theirs, ours = BOYES_WORDS[code]

    assert theirs in BOYES[f"boyes_plate_{code}"]["stage"]
    assert ours in stage_words(round(float(code) * 10) if code < "1" else 10 + round(100 * (float(code) - 1.0)))


def test_the_leaves_of_thale_cress_follow_a_curve_of_growth():
    """Days by which 2 to 14 rosette leaves were there, on soil: a logistic curve within half a leaf."""
    leaves = [row for name, row in BOYES.items() if name.startswith("boyes_soil_1.")]
    numbers = [round(100 * (float(row["code"]) - 1.0)) for row in leaves]
    curve = fit_growth([float(row["mean_day"]) for row in leaves], numbers)

    assert len(leaves) >= 10
    assert curve.residual_sd < 0.6
