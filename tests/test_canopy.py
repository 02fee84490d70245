"""Excess green by definition, Otsu's threshold against scikit-image, cover of pictures drawn by the test."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.filters import threshold_otsu

from controller.science.canopy import GREEN_FLOOR, cover_fraction, excess_green, otsu_threshold
from tests.reference_rows import row_id, rows

SOIL, LEAF, GREY = (139, 90, 43), (60, 120, 40), (128, 128, 128)  # the colours of the reference rows


@pytest.mark.parametrize("row", rows("excess_green.csv"), ids=row_id)
def test_excess_green_follows_its_definition(row):
    # 2g - r - b on chromatic coordinates: Woebbecke et al. (1995), Trans. ASAE 38:259-269.
    rgb = np.array([int(row[channel]) for channel in ("red", "green", "blue")], dtype=np.uint8)
    assert abs(float(excess_green(rgb)) - float(row["excess_green"])) <= 0.51e-6


def test_excess_green_does_not_depend_on_brightness_or_scale():
    pixels = np.array([LEAF, SOIL, GREY])
    assert excess_green(pixels * 2) == pytest.approx(excess_green(pixels), abs=1e-14)
    assert excess_green(pixels / 255.0) == pytest.approx(excess_green(pixels), abs=1e-14)


def test_bright_bytes_do_not_overflow():
    assert float(excess_green(np.array([250, 255, 250], dtype=np.uint8))) == pytest.approx(3 * 255 / 755 - 1)


def test_a_black_pixel_counts_as_grey():
    assert excess_green(np.array([[0, 0, 0], [0, 3, 0]])).tolist() == [0.0, 2.0]


def test_excess_green_keeps_the_shape_of_the_picture():
    assert excess_green(np.full((4, 6, 3), 9)).shape == (4, 6)
    assert excess_green([1, 2, 3]).shape == ()


def test_otsu_parts_the_toy_histogram_at_its_first_maximum():
    # 50 x 10, 30 x 12, 15 x 200, 5 x 210 (computed): every cut from 12 to 199 is as good; the lowest counts.
    values = np.repeat([10, 12, 200, 210], [50, 30, 15, 5])
    assert otsu_threshold(values) == 12.0
    assert threshold_otsu(values) == 12


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(1, 40)), min_size=2, max_size=30))
def test_otsu_equals_that_of_scikit_image_on_whole_numbers(histogram):
    values = np.repeat([level for level, _ in histogram], [count for _, count in histogram])
    if np.unique(values).size < 2:
        return
    found, expected = otsu_threshold(values), float(threshold_otsu(values.astype(np.uint8)))
    if found != expected:  # only a tie, decided by the last bit of a float, may part them
        assert separation(values, found) == pytest.approx(separation(values, expected), rel=1e-9)


def separation(values, cut):
    lower, upper = values[values <= cut], values[values > cut]
    return lower.size * upper.size * (lower.mean() - upper.mean()) ** 2


@given(st.lists(st.floats(-1.0, 2.0), min_size=2, max_size=40))
def test_no_other_cut_separates_better(values):
    values = np.array(values)
    if np.ptp(values) < 1e-6:
        return
    best = separation(values, otsu_threshold(values))
    others = [separation(values, cut) for cut in np.unique(values)[:-1]]
    assert best >= max(others) * (1.0 - 1e-9)


@pytest.mark.parametrize(("counts", "cut"), [((1000, 1000, 1001), 1.0), ((1001, 1000, 1000), 0.0)])
def test_otsu_tells_two_cuts_apart_that_are_almost_as_good(counts, cut):
    # By hand, w0 w1 (difference of means)^2 in whole numbers: the two cuts differ by 1.7e-4, and the middle
    # level goes to the side with fewer values.
    assert otsu_threshold(np.repeat([0, 1, 2], counts)) == cut


def test_otsu_parts_two_heaps_of_fractions_as_scikit_image_does():
    generator = np.random.default_rng(3)
    values = np.concatenate([generator.normal(0.0, 0.03, 4000), generator.normal(0.6, 0.05, 900)])
    cut, histogram_cut = otsu_threshold(values), threshold_otsu(values, nbins=1024)
    assert ((values > cut) == (values > histogram_cut)).mean() > 0.999


def picture(plant_pixels, pixels=10_000, *, medium=SOIL, leaf=LEAF, noise=0.0):
    """A picture in which exactly so many pixels are leaf, scattered, with camera noise on every channel."""
    generator = np.random.default_rng(plant_pixels + pixels)
    image = np.tile(np.array(medium, dtype=float), (pixels, 1))
    image[generator.permutation(pixels)[:plant_pixels]] = leaf
    image = np.clip(np.rint(image + generator.normal(0.0, noise, image.shape)), 0, 255)
    return image.astype(np.uint8).reshape(100, -1, 3)


@pytest.mark.parametrize("plant_pixels", [1, 40, 1250, 5000, 9999])
@pytest.mark.parametrize("medium", [SOIL, GREY, (0, 0, 0)])
def test_cover_of_a_clean_picture_is_exact(plant_pixels, medium):
    assert cover_fraction(picture(plant_pixels, medium=medium)) == plant_pixels / 10_000


@pytest.mark.parametrize("plant_pixels", [0, 100, 1250, 5000, 10_000])
def test_cover_of_a_noisy_picture_is_right_within_a_thousandth(plant_pixels):
    found = cover_fraction(picture(plant_pixels, noise=3.0))
    assert found == pytest.approx(plant_pixels / 10_000, abs=0.001)


def test_bare_medium_has_no_cover_although_otsu_would_part_it():
    bare = picture(0, medium=GREY, noise=3.0)
    green = excess_green(bare)
    assert np.mean(green > otsu_threshold(green)) > 0.2
    assert cover_fraction(bare) < 0.001
    assert cover_fraction(np.full((5, 5, 3), 77)) == 0.0


def test_a_closed_canopy_is_full_cover_although_otsu_would_part_its_light_and_shade():
    closed = picture(5000, medium=(90, 150, 60), leaf=(30, 52, 22), noise=1.0)
    green = excess_green(closed)
    assert np.mean(green > otsu_threshold(green)) < 0.9
    assert cover_fraction(closed) == 1.0
    assert cover_fraction(np.full((5, 5, 3), LEAF)) == 1.0


def test_a_uniform_picture_is_judged_by_the_green_floor():
    # By hand: 100, g, 100 has excess green 3 g / (200 + g) - 1, which is 0.1 at g = 220 / 1.9 = 115.79.
    assert GREEN_FLOOR == 0.1
    assert cover_fraction(np.full((2, 2, 3), (100.0, 115.7, 100.0))) == 0.0
    assert cover_fraction(np.full((2, 2, 3), (100.0, 115.9, 100.0))) == 1.0


def test_pictures_of_the_wrong_shape_or_with_broken_channels_are_refused_by_name():
    with pytest.raises(ValueError, match=r"image must be rows x columns x 3, found shape \(4, 4, 4\)"):
        cover_fraction(np.zeros((4, 4, 4)))
    with pytest.raises(ValueError, match=r"image must be rows x columns x 3, found shape \(4, 3\)"):
        cover_fraction(np.zeros((4, 3)))
    with pytest.raises(ValueError, match=r"image must hold at least one number, found none"):
        cover_fraction(np.zeros((0, 4, 3)))
    with pytest.raises(ValueError, match=r"image must be 0 or more, found -1\.0"):
        cover_fraction(np.full((2, 2, 3), -1))
    with pytest.raises(ValueError, match=r"rgb must hold 3 channels along its last axis, found shape \(2,\)"):
        excess_green([1, 2])
    with pytest.raises(ValueError, match=r"rgb must be 0 or more, found nan"):
        excess_green([1.0, math.nan, 2.0])


def test_a_threshold_needs_two_different_finite_values():
    assert otsu_threshold([1.0, 2.0]) == 1.0
    with pytest.raises(ValueError, match=r"values must hold at least two different values, found only 2\.0"):
        otsu_threshold([2.0, 2.0])
    with pytest.raises(ValueError, match=r"values must hold at least one number, found none"):
        otsu_threshold([])
    with pytest.raises(ValueError, match=r"values must be finite, found nan"):
        otsu_threshold([1.0, math.nan])
