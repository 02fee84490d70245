"""Every hazard has a test on each side that claims a guard, and every mark names a living, unchanged row."""

import pytest

from tests.hazards import SIDES, Hazard, Mark, hazards, marks

ROWS = hazards()
MARKS = marks()
ORDER = ("design: ", "protection: ", "information: ")


def faults(rows: list[Hazard], given: list[Mark]) -> list[str]:
    """What does not agree between table and marks, in words."""
    by_id = {row.id: row for row in rows}
    found = []
    for mark in given:
        row = by_id.get(mark.hazard_id)
        if row is None:
            found.append(f"{mark.test} names {mark.hazard_id}, which is no row")
        elif mark.side not in SIDES or not getattr(row, mark.side):
            found.append(f"{mark.test} guards {mark.hazard_id} on the {mark.side}, which claims nothing")
        elif mark.fingerprint != row.fingerprint:
            found.append(f"{mark.test}: {row.id} has changed since; read both, then renew the mark")
    guarded = {(mark.hazard_id, mark.side) for mark in given}
    for row in rows:
        for side in SIDES:
            if getattr(row, side) and (row.id, side) not in guarded:
                found.append(f"{row.id}: the {side} claims a guard that no test holds")
    return found


def test_every_claimed_guard_has_a_test_and_every_mark_a_row():
    assert faults(ROWS, MARKS) == []


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.id)
def test_every_row_says_what_can_cause_it_whom_it_harms_and_what_remains(row):
    assert all((row.hazard, row.causes, row.harm, row.remains))
    assert row.host or row.board or row.hardware


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.id)
def test_guards_stand_in_the_order_of_iso_14971(row):
    """ISO 14971:2019, 7.1: inherent safety by design, then protective measures, then information (from memory)."""
    for cell in (row.host, row.board, row.hardware):
        places = [cell.find(word) for word in ORDER if word in cell]
        assert places == sorted(places)
        assert not cell or places[0] == 0


ROW = Hazard("H1", "overfill", "a", "b", "design: caps", "design: steps", "", "c")


@pytest.mark.parametrize(
    ("rows", "given", "words"),
    [
        ([ROW], [Mark("t", "H1", "host", ROW.fingerprint)], "the board claims a guard that no test holds"),
        ([ROW], [Mark("t", "H2", "host", "0")], "names H2, which is no row"),
        ([ROW], [Mark("t", "H1", "hardware", ROW.fingerprint)], "which claims nothing"),
        ([ROW._replace(causes="x")], [Mark("t", "H1", "host", ROW.fingerprint)], "H1 has changed since"),
    ],
)
def test_a_disagreement_is_noticed(rows, given, words):
    assert any(words in fault for fault in faults(rows, given))
