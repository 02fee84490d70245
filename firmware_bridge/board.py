"""The board's whole program without pins: bytes and probe counts in, bytes and steps to turn out.

``main.py`` gives it pins, time and a file; the simulated chamber gives it a physics. The order that keeps water
safe is here: a dose is judged, its intent is handed out to be saved, and only ``intent_saved`` lets it turn.
"""

from firmware_bridge import interlocks, limits, messages

DONE_REPEAT_MS = 500  # an unseen "done" is said again this often
REPORT_EVERY_MS = 500  # a report goes out unasked this often while the motor turns
REST_REPORT_EVERY_MS = 1000  # and this often while it rests: the board's sign of life, with fresh probe counts
WINDOW_SAVE_EVERY_MS = 600000  # while water counts in the window, so that a board that restarts often ages it too
LATE_GREETINGS_MAX = 100  # so far behind the newest one of its journal a greeting is late; further, it counts anew
JOURNALS_MAX = 8  # so many journals' newest greetings are kept in mind
COUNTS_MAX = messages.NUMBER_MAX - 1000000000  # trips and steps of a life; no start lasts long enough for the rest

_NOTHING_USED = [0] * limits.WINDOW_SLOTS


def _saved(board_id: int, trip_reason: str | None, slots_steps: list[int]) -> bytes:
    """A memory without a dose."""
    return messages.encode("saved", board_id, 0, 0, 0, 0, 0, None, 1, trip_reason, 0, 0, 0, *slots_steps)[:-1]


def fresh_saved_line(board_id: int) -> bytes:
    """What a board that has just been commissioned by a technician holds: no dose, no trip, nothing used."""
    return _saved(board_id, None, _NOTHING_USED)


def _lost_line(board_id: int) -> bytes:
    """What stands for a memory that cannot be read: a trip, and all the steps that a day allows as used.

    Nobody knows any more which board this was, so it goes on under a new identity.
    """
    return _saved(board_id, interlocks.STATE_LOST, _NOTHING_USED[1:] + [limits.WINDOW_STEPS_MAX])  # noqa: RUF005


def _goes_on(saved: tuple[str | int | None, ...]) -> bool:
    """Whether this is a memory from which a board can count on."""
    return (
        saved[0] == "saved"
        and messages.number(saved, "board_id") > 0
        and messages.number(saved, "boots") < messages.BOOTS_MAX
        and messages.number(saved, "trip_number") <= COUNTS_MAX
        and messages.number(saved, "turned_total_steps") + messages.number(saved, "steps_max") <= COUNTS_MAX
    )


class Board:
    """The board. ``saved_line`` is what was last handed out to be saved, or None when nothing could be read.

    ``new_identity``, a number nobody else draws, is this board's identity if it has lost its own.
    """

    def __init__(self, saved_line: bytes | None, new_identity: int) -> None:
        saved = messages.decode(saved_line) if saved_line else None
        if saved is None or not _goes_on(saved):
            saved = messages.decode(_lost_line(new_identity)) or ()
        slots_steps = [messages.number(saved, name) for name in messages.SLOT_FIELDS]
        end_reason = messages.word(saved, "end_reason")
        steps_min, steps_max = messages.number(saved, "steps_min"), messages.number(saved, "steps_max")
        self._turned_total_steps = messages.number(saved, "turned_total_steps")
        self._done_seen = messages.number(saved, "seen") == 1
        if not self._done_seen and end_reason is None:
            # It was turning, or about to, when the power went: anything from nothing to all of it.
            end_reason = interlocks.BOARD_RESTARTED
            self._turned_total_steps += steps_max
        self.board_id = messages.number(saved, "board_id")
        self.boots = messages.number(saved, "boots") + 1
        trip_reason = messages.word(saved, "trip_reason")
        self.law = interlocks.Law(
            messages.number(saved, "last_dose_id"),
            slots_steps,
            trip_reason,
            messages.number(saved, "trip_number"),
            messages.number(saved, "slot_ms"),
        )
        # steps_min, steps_max, end_reason of the last dose; no reason while it is in hand
        self._done = (steps_min, steps_max, end_reason)
        self._last_journal_id = messages.number(saved, "last_journal_id")  # the journal of the last dose
        self._greeting = (0, 0)  # journal_id, hello_number of the greeting that this session began with
        self._greetings = 0
        self._outcome_owed = False  # of the last dose, to the host that greeted, seen or not
        self._newest_hellos: dict[int, int] = {}  # journal_id -> the highest hello_number since the start
        self._heard = 0  # number of the newest message of the host in this session
        self._said = 0  # number of our newest
        self._reader = messages.LineReader()
        self._out: list[tuple[str | int | None, ...]] = []
        self._uptime_ms = 0
        self._since_done_ms = DONE_REPEAT_MS
        self._since_report_ms = 0
        self._since_saved_ms = 0
        self._probes: tuple[int, int, int, int] | None = None  # nothing is reported before they were looked at
        self._report_owed = False
        self._tripped_before = trip_reason
        self._save_owed = False
        self._ask_save()

    # -- bytes in, bytes out -------------------------------------------------------------------------------

    @property
    def session(self) -> int:
        """Number of this conversation, which no other one of this board ever has."""
        return self.boots * messages.SESSIONS_PER_BOOT + self._greetings

    def receive(self, data: bytes) -> None:
        """Take bytes from the host, in any portions."""
        for message in self._reader.feed(data):
            self._obey(message)

    def take_output(self) -> bytes:
        """Bytes for the host since the last call. They are made here: a tick that trips answers before that."""
        out = b"".join([messages.encode(str(each[0]), *each[1:]) for each in self._out])
        self._out = []
        return out

    def take_to_save(self) -> bytes | None:
        """A line to be saved now, or None. Call ``intent_saved`` once it is safely stored."""
        if not self._save_owed:
            return None
        self._save_owed = False
        return self._saved_line()

    def intent_saved(self) -> None:
        """What ``take_to_save`` gave out is stored. Without effect while a newer line waits to be taken."""
        if not self._save_owed:
            self.law.intent_saved()

    def _say(self, kind: str, *values: str | int | None) -> None:
        self._said += 1
        self._out.append((kind, self.session, self._said, self._heard) + values)  # noqa: RUF005

    def _obey(self, message: tuple[str | int | None, ...]) -> None:
        kind = message[0]
        if kind == "hello":
            self._greet(message)
        elif kind in messages.TO_BOARD:
            number = messages.number(message, "number")
            is_news = message[1] == self.session and number > self._heard
            if is_news:
                self._heard = number
            if kind == "stop":
                self.law.stop(messages.number(message, "dose_id"))
                self._notice_end()
            if is_news:
                self._obey_news(kind, message)

    def _greet(self, message: tuple[str | int | None, ...]) -> None:
        """Begin a session, unless this is a late greeting or a copy of the one that the session in hand began with."""
        greeting = messages.number(message, "journal_id"), messages.number(message, "hello_number")
        if greeting != self._greeting or self._greetings == 0:
            behind = self._newest_hellos.get(greeting[0], -1) - greeting[1]
            if 0 <= behind <= LATE_GREETINGS_MAX or self._greetings == messages.SESSIONS_PER_BOOT - 1:
                return
            if len(self._newest_hellos) >= JOURNALS_MAX:
                self._newest_hellos.clear()
            self._newest_hellos[greeting[0]] = greeting[1]
            self._greeting = greeting
            self._outcome_owed = True
            self._greetings += 1
            self._heard = 0
            self._said = 0
        self.law.greeted = message[1] == limits.PROTOCOL and message[2] == messages.LIMITS_CHECKSUM
        self._say(
            "board",
            limits.PROTOCOL,
            messages.LIMITS_CHECKSUM,
            greeting[0],
            greeting[1],
            self.board_id,
            self.law.last_dose_id,
            self._last_journal_id,
            self._turned_total_steps + (self.law.dose_steps if self.law.dose_in_hand() else 0),
        )
        self._since_done_ms = DONE_REPEAT_MS
        self._report()

    def _obey_news(self, kind: str, message: tuple[str | int | None, ...]) -> None:
        if kind == "dose":
            dose_id = messages.number(message, "dose_id")
            dose_steps = messages.number(message, "dose_steps")
            steps_per_s = messages.number(message, "steps_per_s")
            answer = self.law.accept_dose(dose_id, dose_steps, steps_per_s, not self._done_seen)
            if answer == interlocks.ACCEPTED:
                self._done = (0, dose_steps, None)
                self._done_seen = False
                self._last_journal_id = self._greeting[0]
                self._ask_save()
            self._say("judged", dose_id, answer)
        elif kind == "renew":
            self.law.renew_lease(messages.number(message, "dose_id"), messages.number(message, "lease_ms"))
        elif kind in ("ask", "stop"):
            self._report()
        elif kind == "clear":
            trip_number = messages.number(message, "trip_number")
            answer = self.law.clear_trip(trip_number, messages.word(message, "trip_reason"))
            if answer == interlocks.ACCEPTED:
                self._tripped_before = None
                self._ask_save()
            self._say("cleared", trip_number, answer)
            self._report()
        elif kind == "seen" and messages.number(message, "dose_id") == self.law.last_dose_id and self._done[2]:
            self._done_seen = True

    # -- time ----------------------------------------------------------------------------------------------

    def tick(
        self,
        elapsed_ms: int,
        leak_counts: int,
        float_counts: int,
        reservoir_counts: int,
        moisture_counts: int,
        rotor_steps: int,
        made_good_ms: int | None = None,
    ) -> int:
        """Let time pass, look at the probes, answer the steps to turn now (0 = motor off).

        What is said or saved after this call holds once those steps have turned: the caller turns them first.
        """
        elapsed_ms = max(0, elapsed_ms)
        self._uptime_ms += elapsed_ms
        self._probes = (leak_counts, float_counts, reservoir_counts, moisture_counts)
        law = self.law
        steps = law.tick(elapsed_ms, leak_counts, float_counts, reservoir_counts, rotor_steps, made_good_ms)
        self._notice_end()
        self._since_saved_ms += elapsed_ms
        if law.window_moved or (self._since_saved_ms >= WINDOW_SAVE_EVERY_MS and law.window_used_steps()):
            law.window_moved = False
            self._ask_save()
        if law.trip_reason != self._tripped_before:
            self._tripped_before = law.trip_reason
            self._ask_save()
            self._report_owed = True
        if self._report_owed:
            self._report()
        self._since_report_ms += elapsed_ms
        if self._since_report_ms >= (REPORT_EVERY_MS if law.state == interlocks.TURNING else REST_REPORT_EVERY_MS):
            self._report()
        if self._done[2] is not None and (self._outcome_owed or not self._done_seen):
            self._since_done_ms += elapsed_ms
            if self._since_done_ms >= DONE_REPEAT_MS:
                self._since_done_ms = 0
                self._outcome_owed = False
                self._say("done", law.last_dose_id, self._done[0], self._done[1], self._done[2])
        return steps

    def _notice_end(self) -> None:
        law = self.law
        if law.ended_reason is None:
            return
        self._done = (law.turned_steps, law.turned_steps, law.ended_reason)
        self._turned_total_steps += law.turned_steps
        law.ended_reason = None
        self._since_done_ms = DONE_REPEAT_MS
        self._ask_save()

    def _report(self) -> None:
        if self._probes is None:
            self._report_owed = True
            return
        self._report_owed = False
        self._since_report_ms = 0
        law = self.law
        counts = [min(max(0, count), messages.NUMBER_MAX) for count in self._probes]
        self._say(
            "report",
            law.state,
            law.trip_reason,
            law.trip_number,
            law.trip_delay_ms,
            law.last_dose_id,
            law.turned_steps,
            0 if self._done_seen else 1,
            counts[0],
            counts[1],
            counts[2],
            counts[3],
            self._uptime_ms // 1000,
        )

    def _ask_save(self) -> None:
        self._since_saved_ms = 0
        self._save_owed = True

    def _saved_line(self) -> bytes:
        steps_min, steps_max, end_reason = self._done
        law = self.law
        return messages.encode(
            "saved",
            self.board_id,
            self.boots,
            law.last_dose_id,
            self._last_journal_id,
            steps_min,
            steps_max,
            end_reason,
            1 if self._done_seen else 0,
            law.trip_reason,
            law.trip_number,
            self._turned_total_steps,
            law.slot_ms,
            *law.window_slots_steps(),
        )[:-1]
