"""Seed lots: harvest, viability, the next plan, the pedigree."""

import json
import xml.etree.ElementTree as ElementTree

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.desk.lots import Book, Lot, ViabilityTest, add, read_book, sown_from
from controller.desk.pedigree import draw_pedigree, tree_lines
from controller.errors import SettingsError
from controller.settings import example_path, read_plan, settings_from_text
from tests.made_runs import make_run, settings_of

PLAN_FILE = example_path("skerry-light.plan.toml")


def lot(name, *parents, species="cress"):
    return Lot(name, species, "LK", "2026-03-02T08:00:00Z", parents=parents)


@pytest.fixture
def book(tmp_path):
    book = read_book(tmp_path / "lots.jsonl")
    add(book, lot("packet"))
    add(book, lot("SL-1", "packet"))
    add(book, lot("NH-1", "packet"))
    add(book, lot("mixed", "SL-1", "NH-1"))
    return book


def test_what_is_written_is_read_again(book):
    add(book, ViabilityTest("SL-1", 50, 46, "LK", "2026-04-02T08:00:00Z"))
    again = read_book(book.path)

    assert again == book
    assert [again.generation(name) for name in ("packet", "SL-1", "mixed")] == [0, 1, 2]


def test_the_book_is_only_ever_added_to(book):
    before = book.path.read_bytes()
    add(book, lot("SL-2", "SL-1"))

    assert book.path.read_bytes().startswith(before)


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (lot("SL-1"), "already"),
        (lot("x", "nobody"), "no lot nobody"),
        (lot("a lot/../../x"), "no name"),
        (ViabilityTest("nobody", 10, 5, "LK", ""), "no lot nobody"),
        (ViabilityTest("SL-1", 10, 11, "LK", ""), "cannot have germinated"),
    ],
)
def test_entries_that_cannot_be_are_refused_and_not_written(book, record, words):
    before = book.path.read_bytes()

    with pytest.raises(SettingsError, match=words):
        add(book, record)
    assert book.path.read_bytes() == before


@pytest.mark.parametrize("line", ["{", "[]", '{"record": "cake"}', '{"record": "lot", "lot": "x"}', '{"lot": "x"}'])
def test_a_spoilt_line_is_told_by_its_number(book, line):
    with book.path.open("a") as file:
        file.write(line + "\n")

    with pytest.raises(SettingsError, match="line 5"):
        read_book(book.path)


def test_a_parent_that_stands_nowhere_is_told(book):
    with book.path.open("a") as file:
        entry = {"record": "lot", "lot": "y", "species": "cress", "written_by": "LK", "at_utc": "", "parents": ["z"]}
        file.write(json.dumps(entry) + "\n")

    with pytest.raises(SettingsError, match="comes from z"):
        read_book(book.path)


def test_the_next_plan_is_the_same_but_for_the_lot():
    text = PLAN_FILE.read_text()
    plan = read_plan(PLAN_FILE)
    new = sown_from(text, plan, lot("SL-1"))

    assert new.replace(', lot = "SL-1"', "") == text
    assert new.count('lot = "SL-1"') == 5
    assert sown_from(new, plan, lot("SL-2")) == new.replace("SL-1", "SL-2")


def test_a_lot_of_a_species_that_the_plan_does_not_grow_is_refused():
    with pytest.raises(SettingsError, match="the plan grows cress, radish"):
        sown_from(PLAN_FILE.read_text(), read_plan(PLAN_FILE), lot("K-1", species="sea kale"))


def test_the_pedigree_draws_every_lot_and_every_parent(book):
    drawing = draw_pedigree(book)
    ElementTree.fromstring(drawing)

    for name in book.lots:
        assert name in drawing
    assert drawing.count("#4d6b3c") == 4  # a line from each parent to each offspring


def test_the_tree_stands_indented(book):
    starts = [line[: line.index(next(part for part in line.split()))] + line.split()[0] for line in tree_lines(book)]

    assert starts == ["packet", "    SL-1", "        mixed", "    NH-1"]


def test_an_empty_book_has_no_tree(tmp_path):
    assert tree_lines(Book(tmp_path / "none", {}, [])) == []


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_from_harvest_to_the_next_generation(tmp_path):
    """A packet is sown, its run harvested, the harvest tested, and the next plan sown from it."""
    book = tmp_path / "lots.jsonl"
    assert run("lots", "bring", "packet", "--species", "cress", "--by", "LK", "--book", book).exit_code == 0
    first = tmp_path / "first.plan.toml"
    assert run("lots", "sow", "packet", PLAN_FILE, "--out", first, "--book", book).exit_code == 0
    text = first.read_text().replace("sample_every_s = 10 ", "sample_every_s = 600 ")
    make_run(tmp_path / "run", settings_from_text(text, settings_of(0, True).chamber_text), 1).close()
    found = run("lots", "harvest", "SL-1", tmp_path / "run", "--species", "cress", "--by", "LK", "--positions", "1,2",
                "--seeds", 120, "--book", book)  # fmt: skip
    assert found.exit_code == 0, found.output
    assert "from packet" in found.output
    tested = run("lots", "test", "SL-1", "--sown", 50, "--germinated", 46, "--by", "LK", "--book", book)
    # Wilson (1927) for 46 of 50: 0.812 to 0.968
    assert "between 81% and 97%" in tested.output
    second = tmp_path / "second.plan.toml"
    assert run("lots", "sow", "SL-1", first, "--out", second, "--book", book).exit_code == 0
    assert {p.lot for p in read_plan(second).positions} == {"SL-1", None}
    told = run("lots", "tree", "--book", book, "--draw", tmp_path / "pedigree.svg")
    assert "    SL-1  cress, from Skerry Light, 120 seeds, 46 of 50 germinated" in told.output
    assert (tmp_path / "pedigree.svg").is_file()
    again = run("lots", "sow", "SL-1", first, "--out", second, "--book", book)
    assert again.exit_code == 3
    assert "exists already" in again.output


def test_a_position_that_grew_something_else_cannot_be_harvested(tmp_path):
    make_run(tmp_path / "run", settings_of(0, True), 1).close()
    found = run("lots", "harvest", "R-1", tmp_path / "run", "--species", "radish", "--by", "LK", "--positions", "1",
                "--book", tmp_path / "lots.jsonl")  # fmt: skip

    assert found.exit_code == 3
    assert "Position 1 of this run does not grow radish" in found.output
