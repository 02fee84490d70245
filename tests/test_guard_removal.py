"""The list of guards that are taken away one by one is itself true: each stands where it says, on every side."""

import pytest

from tests.campaigns.guard_removal import GUARDS, ROOT, copy_of_the_tree, noticed
from tests.hazards import SIDES, hazards


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: f"{guard.hazard} {guard.side}: {guard.guard}")
def test_a_guard_stands_once_where_the_list_says(guard):
    text = (ROOT / guard.path).read_text()
    assert text.count(guard.old) == 1
    assert all((ROOT / "tests" / name).is_file() for name in guard.tests)


def test_every_side_that_claims_a_guard_loses_one():
    claimed = {(row.id, side) for row in hazards() for side in SIDES if getattr(row, side)}
    assert {(guard.hazard, guard.side) for guard in GUARDS} == claimed


def test_a_leak_probe_that_was_taken_away_is_noticed_and_a_whole_tree_is_not(tmp_path):
    tree = copy_of_the_tree(tmp_path)
    assert noticed(GUARDS[0], tree)
    assert not noticed(GUARDS[0]._replace(new=GUARDS[0].old), tree)
