"""Pictures of beds whose cover is known because they were drawn."""

import csv

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from skimage.filters import threshold_otsu

from controller.cli import main
from controller.errors import JournalError
from controller.plan import PictureFrame
from controller.science.canopy import cover_fraction, excess_green, green_mask
from controller.twins.pictures import _judged, check_picture, find_card, write_time_lapse
from tests.made_runs import make_run, settings_of

SOIL, LEAF, WHITE = (110, 82, 55), (70, 140, 45), (240, 240, 236)


def bed(leaves, *, noise=6.0, card=None, size=(240, 320), seed=1):
    """A bed with a leafy rectangle of so many columns, and a card (top, left, height, width) if wanted."""
    picture = np.empty((*size, 3))
    picture[:] = SOIL
    picture[60:180, 100 : 100 + leaves] = LEAF
    picture += np.random.default_rng(seed).normal(0.0, noise, picture.shape)
    if card is not None:
        top, left, height, width = card
        picture[top : top + height, left : left + width] = WHITE
    return picture.clip(0, 255).astype(np.uint8)


def saved(pixels, path):
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(pixels).save(path)
    return path


@pytest.mark.parametrize("leaves", [0, 10, 60, 150])
def test_drawn_leaves_are_counted(tmp_path, leaves):
    shot = _judged("a", 3, saved(bed(leaves), tmp_path / "day-03.png"), PictureFrame())

    assert shot.cover_fraction == pytest.approx(120 * leaves / (240 * 320), abs=0.002)
    assert shot.cover_cm2 is None


def test_a_photographs_noise_and_compression_change_little(tmp_path):
    Image.fromarray(bed(80, noise=14.0)).save(tmp_path / "day-03.jpg", quality=85)
    shot = _judged("a", 3, tmp_path / "day-03.jpg", PictureFrame())

    assert shot.cover_fraction == pytest.approx(120 * 80 / (240 * 320), rel=0.03)


def test_only_the_bed_counts(tmp_path):
    frame = PictureFrame(left_fraction=0.25, right_fraction=0.5, top_fraction=0.25, bottom_fraction=0.75)
    shot = _judged("a", 3, saved(bed(150), tmp_path / "day-03.png"), frame)

    # columns 80 to 160 and rows 60 to 180 are the bed; leaves stand from column 100 on
    assert shot.cover_fraction == pytest.approx(60 / 80, abs=0.005)


def test_the_card_gives_the_scale_and_is_no_part_of_the_bed(tmp_path):
    picture = bed(60, card=(10, 20, 30, 50))
    shot = _judged("a", 3, saved(picture, tmp_path / "day-03.png"), PictureFrame(card_width_mm=25.0))

    assert shot.mm_per_pixel == pytest.approx(0.5)
    assert shot.cover_cm2 == pytest.approx(120 * 60 * 0.25 / 100.0, rel=0.01)
    assert int(shot.bed.sum()) == 240 * 320 - 30 * 50


def test_glare_in_the_shape_of_no_card_is_no_card():
    picture = bed(60)
    picture[np.arange(100), np.arange(100)] = WHITE  # a scratch of light
    assert find_card(picture) is None
    assert find_card(bed(60, noise=0.0)) is None
    assert find_card(np.full((50, 50, 3), 240, dtype=np.uint8)) is None  # all white: far too large


def test_the_threshold_is_otsus_as_scikit_image_finds_it():
    picture = bed(100).astype(np.float64)
    theirs = excess_green(picture) > threshold_otsu(excess_green(picture), nbins=2048)

    assert np.mean(green_mask(picture) != theirs) < 0.001


def test_a_mask_and_the_cover_tell_the_same():
    picture = bed(70)

    assert cover_fraction(picture) == np.mean(green_mask(picture))


def test_a_region_without_pixels_is_refused():
    with pytest.raises(ValueError, match="where"):
        green_mask(bed(10), np.zeros((240, 320), dtype=bool))


def test_the_check_picture_shows_leaves_in_colour_and_the_rest_in_grey(tmp_path):
    shot = _judged("a", 3, saved(bed(80, noise=0.0), tmp_path / "day-03.png"), PictureFrame())
    shown = check_picture(shot)

    assert tuple(shown[120, 140]) == LEAF
    assert np.ptp(shown[200, 50].astype(int)) == 0


def test_a_broken_picture_is_told_by_name(tmp_path):
    (tmp_path / "day-03.jpg").write_bytes(b"not a picture")

    with pytest.raises(JournalError, match=r"day-03\.jpg: this is not a picture"):
        _judged("a", 3, tmp_path / "day-03.jpg", PictureFrame())


def test_a_time_lapse_has_a_frame_for_each_day(tmp_path):
    shots = [
        _judged(name, day, saved(bed(10 * day), tmp_path / name / f"day-{day}.png"), PictureFrame())
        for name in ("a", "b")
        for day in (3, 7, 14)
    ]

    assert write_time_lapse(shots, ["a", "b"], tmp_path / "lapse.gif")
    with Image.open(tmp_path / "lapse.gif") as lapse:
        assert lapse.n_frames == 3
        assert lapse.width == 640
    assert not write_time_lapse(shots[:1], ["a"], tmp_path / "none.gif")


def test_compare_shows_the_pictures_of_the_runs(tmp_path):
    for number, name in enumerate(("a", "b")):
        make_run(tmp_path / name, settings_of(number, True), 20 + number).close()
        for day in (3, 5, 7, 8, 9):
            saved(bed(4 * day**2 // 3), tmp_path / name / "pictures" / f"day-{day:02d}.png")
        (tmp_path / name / "pictures" / "notes.txt").write_text("not a picture")
    found = CliRunner().invoke(
        main, ["compare", str(tmp_path / "a"), str(tmp_path / "b"), "--out", str(tmp_path / "out")]
    )

    assert found.exit_code == 0, found.output
    page = (tmp_path / "out" / "report.html").read_text()
    assert page.count("data:image/jpeg;base64,") == 2 * 2 * 5
    assert (tmp_path / "out" / "time-lapse.gif").is_file()
    with (tmp_path / "out" / "cover.csv").open(encoding="utf-8-sig", newline="") as file:
        table = list(csv.DictReader(file))
    assert [row["day"] for row in table if row["twin"] == "Skerry Light"] == ["3", "5", "7", "8", "9"]
    assert float(table[2]["cover_fraction"]) == pytest.approx(120 * 65 / (240 * 320), abs=0.002)
