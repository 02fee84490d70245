"""Actions are carried out in order, up to the first record that cannot be written."""

import pytest

from controller.chamber.seam import ClockReading
from controller.control import dose_life, line
from controller.control import model as m
from controller.deciding import Decider
from controller.errors import JournalError
from tests import examples
from tests.conversation import done


class Chamber:
    """Remembers what it was told."""

    def __init__(self):
        self.told = []
        self.clock = ClockReading(examples.START_UTC_MS, 0, True)

    def now(self):
        return self.clock

    def send(self, kind, values):
        self.told.append((kind, *values))

    def set_lamp(self, duty_fraction):
        self.told.append(("lamp", duty_fraction))

    def set_status_lamp(self, pattern):
        self.told.append(("status", pattern))

    def received(self):
        return []


class Records:
    """A journal whose writing fails for chosen classes."""

    def __init__(self, *failing):
        self.kept = []
        self.failing = failing

    def append(self, record):
        if isinstance(record, self.failing):
            raise JournalError("journal.sqlite: disk is full")
        self.kept.append(record)


def thirsty():
    return examples.with_moisture(examples.growing(thirsty=True, watering_answer="resting"), 0.22)


def decider(state, *failing):
    chamber, journal = Chamber(), Records(*failing)
    return Decider(chamber, journal, examples.SETTINGS, state, 1), chamber, journal


def tick_of(state):
    at = state.now
    return m.Ticked(at._replace(monotonic_ms=at.monotonic_ms + 1000, utc_ms=at.utc_ms + 1000))


def test_a_dose_goes_to_the_journal_and_then_to_the_board():
    made, chamber, journal = decider(thirsty())

    made.handle(tick_of(thirsty()))

    assert [type(record) for record in journal.kept] == [m.WateringAnswer, m.DoseIntended]
    assert chamber.told == [("dose", examples.SESSION, 8, 6, 2400, 200)]


@pytest.mark.guards("H8", "host", "e9a3e030")
def test_a_dose_that_cannot_be_written_never_reaches_the_board():
    made, chamber, _ = decider(thirsty(), m.DoseIntended)

    made.handle(tick_of(thirsty()))

    assert [told for told in chamber.told if told[0] == "dose"] == []
    assert made.state.open_dose is None
    assert made.state.last_dose_id == 5
    assert made.state.records_failed


def test_what_was_said_before_a_record_failed_stays_said():
    """Of a decision that is undone the board has heard the first part, so its number is never given twice."""
    state = examples.growing(**examples.open_dose(dose_life.TURNING))
    made, chamber, _ = decider(state, m.TripRecord)

    made.handle(m.Sampled(tick_of(state).at, m.Reading(21.0, 60.0, 1740, 2000, 2000, 1000, local_leak_wet=True)))
    stops = [told for told in chamber.told if told[0] == "stop"]
    assert stops == [("stop", examples.SESSION, number, 6) for number in (8, 9)][: len(stops)]
    assert made.state.line.said == 7 + len(stops)

    chamber.told.clear()
    made.handle(tick_of(made.state))
    assert [told for told in chamber.told if told[0] == "stop"] == [("stop", examples.SESSION, 8 + len(stops), 6)]


def test_a_trip_whose_record_cannot_be_written_is_latched_and_written_first_of_all_when_it_can():
    made, _, journal = decider(examples.growing(), m.TripRecord, m.ReadingRecord)
    made.handle(m.Sampled(tick_of(made.state).at, m.Reading(21.0, 60.0, 1740, 2000, 2000, 1000, local_leak_wet=True)))
    assert made.state.trips == (("leak_wet", m.ON_HOST),)

    journal.failing = ()
    at = made.state.now
    made.handle(m.Ticked(at._replace(monotonic_ms=at.monotonic_ms + 60_000, utc_ms=at.utc_ms + 60_000)))
    trips = [each for each in journal.kept if isinstance(each, m.TripRecord)]
    assert [each.trip_reason for each in trips] == ["leak_wet"]
    assert made.state.unwritten == ()
    assert made.state.line.state == line.GREETING


def test_a_trip_that_was_written_stays_latched_though_a_later_record_of_its_decision_failed():
    made, _, journal = decider(examples.growing(), m.ReadingRecord)
    made.handle(m.Sampled(tick_of(made.state).at, m.Reading(21.0, 60.0, 1740, 2000, 2000, 1000, local_leak_wet=True)))

    assert [type(each) for each in journal.kept].count(m.TripRecord) == 1
    assert made.state.records_failed
    assert made.state.trips == (("leak_wet", m.ON_HOST),)
    assert made.state.unwritten == (), "it stands in the journal and is not written twice"


def test_an_end_that_cannot_be_written_leaves_the_dose_open_and_the_board_reminded():
    state = examples.growing(**examples.open_dose(dose_life.TURNING))
    made, chamber, _ = decider(state, m.DoseClosed)

    made.handle(done(state, 6, 2400, 2400))

    assert [told for told in chamber.told if told[0] == "seen"] == []
    assert made.state.open_dose == state.open_dose
    assert made.state.watering_given_ml == 0.0


def test_the_lamp_is_set_even_when_its_record_fails():
    made, chamber, _ = decider(examples.growing(lamp_duty_fraction=0.0), m.LampRecord, m.ReadingRecord)
    at = tick_of(examples.growing()).at

    made.handle(m.Sampled(at, m.Reading(21.0, 60.0, 1740, 2000, 2000, 1000)))

    assert ("lamp", 0.6) in chamber.told


def test_a_step_of_the_wall_clock_is_noticed_and_a_slow_drift_is_not():
    made, chamber, journal = decider(examples.growing())
    for drift_ms in range(0, 3000, 400):
        chamber.clock = ClockReading(examples.START_UTC_MS + drift_ms, 0, True)
        assert not made.notice_clock()

    chamber.clock = chamber.clock._replace(utc_ms=chamber.clock.utc_ms - 500)

    assert made.notice_clock()
    assert not made.notice_clock()
    assert [record.difference_ms for record in journal.kept] == [-500]


def test_a_change_of_trust_alone_is_noticed():
    made, chamber, _ = decider(examples.growing())
    chamber.clock = chamber.clock._replace(utc_trusted=False)

    assert made.notice_clock()
    assert not made.notice_clock()
