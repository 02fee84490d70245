"""What a bad line and a bad world may do to the board: disturb it, never make it break a promise."""

import random

import pytest

from tests.campaigns import bit_errors, streams


@pytest.mark.guards("H12", "board", "90938667")
@pytest.mark.guards("H3", "board", "6504f7a9")
@pytest.mark.guards("H1", "board", "830e5870")
def test_no_order_of_lines_rubbish_probes_and_power_cuts_breaks_an_invariant():
    (row,) = streams.campaign(scale=0.04)
    assert row.survived == row.tried == 120


@pytest.mark.parametrize("kind", ["seen", "renew", "dose"])
def test_every_one_and_every_two_flipped_bits_of_a_command_are_refused(kind):
    tried, refused = bit_errors.one_and_two_flips(kind)
    assert refused == tried > 4000


@pytest.mark.parametrize("kind", sorted(bit_errors.LINES))
def test_a_burst_no_longer_than_the_checksum_is_refused(kind):
    """A cyclic checksum of n bits notices every burst of up to n bits (common practice, no source)."""
    tried, refused, _ = bit_errors.bursts(kind, 300, random.Random(7), 2, 16)
    assert refused == tried == 300


def test_of_lines_with_a_drawn_checksum_about_one_in_65536_passes():
    """By counting: 16 bits of checksum, one of 65536 fits. Poisson, mean 3.05: ten or more has a chance of 0.1 %."""
    tried, refused = bit_errors.noise(200_000, random.Random(3))
    assert 0 <= tried - refused < 10


def test_a_whole_line_is_heard_and_a_line_with_a_false_checksum_is_not():
    whole = bit_errors.LINES["dose"]
    assert bit_errors.heard(whole[:-1]) == [("dose", bit_errors.SESSION, 12, 17, 9000, 400)]
    assert bit_errors.heard(bit_errors.flipped(whole[:-1], (3,))) == []
