"""Parcels through trouble: a taste of the campaign at each run, the whole of it when it is asked for."""

import pytest

from tests.campaigns.parcels import campaign


def test_every_parcel_arrives_once_and_whole_through_each_kind_of_trouble():
    assert [row for row in campaign(0.026) if row.survived < row.tried] == []


@pytest.mark.campaign
def test_every_parcel_arrives_once_and_whole_however_often_it_is_tried():
    assert [row for row in campaign(1.0) if row.survived < row.tried] == []
