"""Green cover of beds over the days: a curve of each bed, a test of two, in figures and tables."""

import csv

import numpy as np
import pytest

from controller.twins.cover import cover_tests, covers_of
from controller.twins.numbers import write_cover
from controller.twins.pictures import Shot

DAYS = range(3, 20, 2)


def shots(twin, final_fraction, path, days=DAYS):
    """Pictures of a bed whose first columns are green, more of them each day."""
    found = []
    for day in days:
        share = final_fraction / (1.0 + np.exp(-0.5 * (day - 10.0)))
        green = np.zeros((100, 400), dtype=bool)
        green.ravel()[: round(share * green.size)] = True
        found.append(Shot(twin, day, path / f"day-{day:02d}.png", np.zeros((100, 400, 3), np.uint8),
                          np.ones_like(green), green, None))  # fmt: skip
    return found


def test_the_cover_of_a_bed_follows_its_curve(tmp_path):
    (cover,) = covers_of(shots("Skerry Light", 0.4, tmp_path))

    assert cover.curve.final == pytest.approx(0.4, abs=0.002)
    assert cover.curve.fastest_day == pytest.approx(10.0, abs=0.1)


def test_few_pictures_make_no_curve_and_no_test(tmp_path):
    covers = covers_of(shots("a", 0.4, tmp_path) + shots("b", 0.3, tmp_path, range(3, 11, 2)))

    assert covers[1].curve is None
    assert cover_tests(covers) == []


def test_beds_of_one_curve_and_of_two_are_told_apart(tmp_path):
    covers = covers_of([*shots("a", 0.4, tmp_path), *shots("b", 0.4, tmp_path), *shots("c", 0.3, tmp_path)])
    same, other, _ = cover_tests(covers)

    assert same.test.p > 0.5
    assert other.test.p < 0.001
    assert other.difference_fraction == pytest.approx(-0.1, abs=0.005)


def test_pictures_curves_and_pairs_stand_in_tables(tmp_path):
    taken = [*shots("a", 0.4, tmp_path), *shots("=b", 0.3, tmp_path)]
    covers = covers_of(taken)
    paths = write_cover(taken, covers, cover_tests(covers), tmp_path)

    tables = [list(csv.reader(path.open(encoding="utf-8-sig", newline=""))) for path in paths]
    assert [path.name for path in paths] == ["cover.csv", "cover_pairs.csv"]
    assert len(tables[0]) == 1 + len(taken)
    assert tables[1][1][1] == "'=b"
    assert all(len({len(row) for row in table}) == 1 for table in tables)
