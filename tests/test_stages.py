"""Growth stages: the words stand for the published codes."""

import pytest

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
