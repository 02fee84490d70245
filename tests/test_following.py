"""A journal that is followed tells at every look what a whole reading of it tells."""

from controller.chamber.faults import parse_fault
from controller.control import model as m
from controller.control.recovery import placed, resume
from controller.records.following import Followed
from controller.records.journal import Journal
from controller.records.status import status_of
from controller.rehearse import rehearse
from controller.settings import example_path, read_settings
from controller.web.watching import look_at
from tests.journals import at, new_journal

PLAN = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))


def test_whatever_the_pace_of_the_looks_they_equal_a_whole_reading(tmp_path):
    rehearse(PLAN, tmp_path / "run", days=4.0, faults=[parse_fault(each) for each in ("leak@2d", "tube-off@3d")])
    whole = Journal.open(tmp_path / "run" / "journal.sqlite")
    history = whole.history()
    kinds = {type(record) for record in history}
    assert {m.TripRecord, m.AlarmRecord, m.StepRecord, m.DoseClosed, m.PhaseRecord, m.WateringAnswer} <= kinds
    last = whole.last_reading()
    whole.close()
    for pace in (1, 7, len(history)):
        copy = new_journal(tmp_path / str(pace), PLAN)
        copy.append(last)
        copy.flush()
        followed = Followed(PLAN)
        for place, record in enumerate(history, 1):
            copy.append(record)
            if place % pace and place != len(history):
                continue
            now_ms = record.at.utc_ms + 5_000
            if pace > 1 or place % 20 == 0 or place == len(history):
                assert look_at(copy, PLAN, now_ms, followed) == look_at(copy, PLAN, now_ms)
            else:
                followed.catch_up(copy)
            assert status_of(copy, PLAN, now_ms, followed).phase == followed.state.phase
        assert placed(followed.state, last.at, last, PLAN) == resume(last.at, history, last, PLAN)
        copy.close()


def test_a_look_without_anything_new_reads_no_record_again(tmp_path, monkeypatch):
    journal = new_journal(tmp_path, PLAN)
    journal.append(m.PhaseRecord(at(0), m.WETTING, 0))
    followed = Followed(PLAN)
    followed.catch_up(journal)
    taken = []
    monkeypatch.setattr(Followed, "_take", lambda self, record: taken.append(record))
    followed.catch_up(journal)
    journal.append(m.TripRecord(at(1), "leak_wet", m.ON_HOST, 0))
    followed.catch_up(journal)

    assert [type(record) for record in taken] == [m.TripRecord]
    journal.close()
