"""A session at the bench for tests of the page: the real one, but in this process and in virtual time."""

import os

from controller.bench.bench_chamber import open_bench
from controller.bench.session_file import ENDED, OPENED, READY
from controller.control import model as m
from controller.records.journal import Journal
from controller.web.session_process import UNDER_WAY, SessionProcess
from controller.web.workbench import Workbench


class SessionHere(SessionProcess):
    """Answers each request at once, as the session's own process would a second later."""

    def begin(self, by, *, simulated):
        if (now := self.standing()).state in UNDER_WAY:
            return now
        self.bench, self.said = open_bench(self._chamber_path, by, simulated=simulated, runs=self._runs), []
        self.bench.session.note(OPENED, pid=os.getpid())
        self.bench.session.get_ready()
        self.bench.session.note(READY)
        self.bench.take_requests()
        self.bench.session.journal.flush()
        return self.standing()

    def ask(self, name, ask_with, **wish):
        journal = Journal.open(self._folder / name / "journal.sqlite")
        try:
            number = journal.ask(m.Request(at=journal.last_reading().at, request_id=0, **wish))
            self.said += self.bench.take_requests()
            if self.bench.session.is_over:
                self.bench.session.note(ENDED, how="asked", words="Somebody asked for its end.")
                self.close()
            else:
                self.bench.session.journal.flush()
            return journal.answer_to(number)
        finally:
            journal.close()

    def close(self):
        if getattr(self, "bench", None) is not None:
            self.bench.close()
            self.bench = None


def workbench_here(chamber_path, runs):
    """A workbench whose session lives in this process; close its ``session`` at the end."""
    found = Workbench(chamber_path, runs)
    found.session = SessionHere(found.chamber_path, found.folder, found.runs)
    return found
