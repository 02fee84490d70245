"""Actions are carried out in order, up to the first record that cannot be written."""

import pytest

from controller.chamber.seam import ClockReading
from controller.control import model as m
from controller.deciding import Decider
from controller.errors import JournalError
from tests import examples


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
    assert chamber.told == [("dose", 6, 2400, 200)]


@pytest.mark.guards("H8", "host", "e9a3e030")
def test_a_dose_that_cannot_be_written_never_reaches_the_board():
    made, chamber, _ = decider(thirsty(), m.DoseIntended)

    made.handle(tick_of(thirsty()))

    assert [told for told in chamber.told if told[0] == "dose"] == []
    assert made.state.open_dose is None
    assert made.state.last_dose_id == 5
    assert made.state.records_failed


def test_an_end_that_cannot_be_written_leaves_the_dose_open_and_the_board_reminded():
    dose = m.OpenDose(6, 2400, m.MOISTURE_LED, 0, judged=True)
    state = examples.growing(open_dose=dose, last_dose_id=6)
    made, chamber, _ = decider(state, m.DoseClosed)
    at = tick_of(state).at

    made.handle(m.BoardReported(at, ("done", 6, 2400, 2400, "complete")))

    assert [told for told in chamber.told if told[0] == "seen"] == []
    assert made.state.open_dose == dose
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
