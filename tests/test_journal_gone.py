"""The journal is deleted, moved or replaced while its run goes on: nothing is given that nobody will ever read."""

import shutil

import pytest
from click.testing import CliRunner

from controller.chamber.hurried_clock import HurriedClock
from controller.chamber.simulated_live import SimulatedLive
from controller.cli import main
from controller.commands.terminal import Exit
from controller.control import model as m
from controller.errors import JournalError
from controller.records.journal import Journal
from controller.run import LiveRun, open_run
from controller.schedule import HurriedSchedule
from controller.settings import example_path, read_settings
from tests import examples

FILES = ("journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm")
SETTINGS = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
EVENT = m.EventRecord(examples.moment(1), "x", "kept")


@pytest.fixture
def journal(tmp_path):
    made = Journal.create(tmp_path / "run" / "journal.sqlite", "run-1", examples.SETTINGS, "0", simulated=True)
    made.append(EVENT)
    yield made
    made.connection.close()


def gone(name):
    return pytest.raises(JournalError, match=rf"^{name} was moved, deleted or replaced .*; put it back")


@pytest.mark.guards("H8", "host", "ee284e71")
@pytest.mark.parametrize("name", FILES)
def test_a_record_is_refused_once_a_file_of_the_journal_is_gone_and_written_when_it_is_back(journal, name):
    path = journal.path.with_name(name)
    path.rename(path.with_name("aside"))
    with gone(name):
        journal.append(EVENT)
    with gone(name):
        journal.ask(m.Request(examples.moment(2), 0, m.OBSERVE, "LK", position=1))

    path.with_name("aside").rename(path)
    journal.append(EVENT)
    assert list(journal.records(m.EventRecord)) == [EVENT, EVENT]


def test_another_file_of_the_same_name_and_bytes_is_not_the_one_that_is_held(journal):
    shutil.copy(journal.path, journal.path.with_name("copy"))
    journal.path.with_name("copy").replace(journal.path)

    with gone("journal.sqlite"):
        journal.append(EVENT)


def test_a_folder_that_is_moved_takes_its_journal_along_and_brings_it_back(journal):
    folder = journal.path.parent
    folder.rename(folder.with_name("elsewhere"))
    with gone("journal.sqlite"):
        journal.append(EVENT)

    folder.with_name("elsewhere").rename(folder)
    journal.append(EVENT)


def test_readings_that_wait_are_kept_for_when_the_file_is_back(journal):
    reading = m.ReadingRecord(examples.moment(3), 20.0, 50.0, 1, 2, 3, 4, 0.0, "good", "good", "good", None)
    journal.path.rename(journal.path.with_name("aside"))
    journal.append(reading)
    with gone("journal.sqlite"):
        journal.flush()

    journal.path.with_name("aside").rename(journal.path)
    journal.flush()
    assert journal.last_reading() == reading


def test_a_new_run_is_not_begun_on_the_log_of_a_journal_that_is_gone(journal, tmp_path):
    left = tmp_path / "left" / "journal.sqlite"
    left.parent.mkdir()
    shutil.copy(journal.path.with_name("journal.sqlite-wal"), left.with_name("journal.sqlite-wal"))

    with pytest.raises(JournalError, match=r"journal\.sqlite: the journal is not here, but its log journal"):
        open_run(left.parent, examples.SETTINGS, simulated=True)
    left.with_name("journal.sqlite-wal").unlink()
    made = open_run(left.parent, examples.SETTINGS, simulated=True)
    assert made.history() == []
    made.close()


# -- the run ----


class Watched:
    """A hurried run in its first wetting, and what happens to its journal when the water first flows."""

    def __init__(self, folder, mocker):
        mocker.patch("controller.run.signal.signal")  # signals belong to pytest here
        clock = HurriedClock(folder, 10_000, 1_000)
        self.chamber = SimulatedLive(SETTINGS, 1, folder, clock)
        self.journal = open_run(folder, SETTINGS, simulated=True)
        self.run = LiveRun(SETTINGS, self.chamber, self.journal, hurried=HurriedSchedule(clock))
        self.asked = self.ticks_since = 0
        self.seen = []

    def person(self, state):
        if self.asked < 3:
            step = ("gloves", "fill-reservoir", "prime-line")[self.asked]
            self.asked += 1
            at = self.run.decider.moment()
            self.journal.ask(m.Request(at=at, request_id=0, request=m.SIGN_STEP, subject=step, asked_by="LK"))

    @property
    def pumped_ml(self):
        return self.chamber.chamber.box.physics.pumped_ml


def test_a_run_whose_journal_is_deleted_stops_the_water_within_a_lease_and_says_so(tmp_path, mocker):
    watched = Watched(tmp_path, mocker)

    def person(state):
        watched.person(state)
        if watched.seen:
            watched.ticks_since += 1
            watched.seen.append((state.records_failed, watched.pumped_ml))
            if watched.ticks_since == 30:
                watched.run.stop()
        elif watched.pumped_ml > 10.0:
            watched.journal.path.unlink()
            watched.seen.append((state.records_failed, watched.pumped_ml))

    state = watched.run.run(person)

    assert [failed for failed, _ in watched.seen[:3]] == [False, True, True]
    assert watched.seen[-1][1] == watched.seen[4][1] < 16.0  # 25 ml a minute: 1.25 ml in a lease of 3 s
    assert state.records_failed
    assert "journal.sqlite was moved, deleted or replaced" in state.records_failed_words


def test_a_file_that_is_deleted_between_the_last_look_and_the_end_is_told_too(tmp_path, mocker):
    watched = Watched(tmp_path, mocker)

    def person(state):
        watched.journal.path.unlink()
        watched.run.stop()

    state = watched.run.run(person)
    assert state.records_failed
    assert "was moved, deleted or replaced" in state.records_failed_words
    with pytest.raises(Exception, match="closed"):
        watched.journal.connection.execute("SELECT 1")


def test_wardian_run_that_stops_without_records_ends_with_the_code_of_the_records(tmp_path, mocker):
    state = m.State(
        now=examples.moment(1), records_failed=True, records_failed_words="journal.sqlite was moved or deleted"
    )
    mocker.patch("controller.commands.running.LiveRun.run", return_value=state)
    plan, chamber = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
    answer = CliRunner().invoke(
        main, ["run", str(plan), "--chamber", str(chamber), "--out", str(tmp_path / "run"), "--simulated"]
    )

    assert answer.exit_code == Exit.JOURNAL
    assert "Stopped while nothing could be recorded: journal.sqlite was moved or deleted" in answer.output
