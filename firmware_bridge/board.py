"""The board's whole program without pins: bytes and probe counts in, bytes and steps to turn out.

``main.py`` gives it pins, time and a file; the simulated chamber gives it a physics. The order that keeps water
safe is here: a dose is judged, its intent is handed out to be saved, and only ``intent_saved`` lets it turn.
"""

from firmware_bridge import interlocks, limits, messages

DONE_REPEAT_MS = 500  # an unseen "done" is said again this often
REPORT_EVERY_MS = 500  # a report goes out unasked this often while the motor turns
REST_REPORT_EVERY_MS = 1000  # and this often while it rests: the board's sign of life, with fresh probe counts

_NOTHING_USED = [0] * limits.WINDOW_SLOTS


def _lost() -> tuple[str | int | None, ...]:
    """What stands for a saved state that cannot be read: a trip, and all the steps that a day allows as used."""
    lost: list[str | int | None] = ["saved", 0, 0, 0, 0, None, 1, interlocks.STATE_LOST]
    lost.extend(_NOTHING_USED[1:])
    lost.append(limits.WINDOW_STEPS_MAX)
    return tuple(lost)


class Board:
    """The board. ``saved_line`` is what was last handed out to be saved, or None when nothing could be read."""

    def __init__(self, saved_line: bytes | None) -> None:
        saved = messages.decode(saved_line) if saved_line else None
        if saved is None or saved[0] != "saved" or messages.NUMBER_MAX in saved:  # no count goes on from there
            saved = _lost()
        slots_steps = [messages.number(saved, name) for name in messages.SLOT_FIELDS]
        end_reason = messages.word(saved, "end_reason")
        trip_reason = messages.word(saved, "trip_reason")
        self._done_seen = messages.number(saved, "seen") == 1
        if not self._done_seen and end_reason is None:
            # It was turning, or about to, when the power went: anything from nothing to all of it.
            end_reason = interlocks.BOARD_RESTARTED
        self.boots = messages.number(saved, "boots") + 1
        self.law = interlocks.Law(messages.number(saved, "last_dose_id"), slots_steps, trip_reason)
        # steps_min, steps_max, end_reason of the last dose; no reason while it is in hand
        self._done = (messages.number(saved, "steps_min"), messages.number(saved, "steps_max"), end_reason)
        self._reader = messages.LineReader()
        self._out: list[bytes] = []
        self._uptime_ms = 0
        self._since_done_ms = DONE_REPEAT_MS
        self._since_report_ms = 0
        self._probes: tuple[int, int, int, int] | None = None  # nothing is reported before they were looked at
        self._report_owed = False
        self._tripped_before = trip_reason
        self._to_save: bytes | None = None
        self._ask_save()

    # -- bytes in, bytes out -------------------------------------------------------------------------------

    def receive(self, data: bytes) -> None:
        """Take bytes from the host, in any portions."""
        for message in self._reader.feed(data):
            self._obey(message)

    def take_output(self) -> bytes:
        """Bytes for the host since the last call."""
        out = b"".join(self._out)
        self._out = []
        return out

    def take_to_save(self) -> bytes | None:
        """A line to be saved now, or None. Call ``intent_saved`` once it is safely stored."""
        line = self._to_save
        self._to_save = None
        return line

    def intent_saved(self) -> None:
        """What ``take_to_save`` gave out is stored. Without effect while a newer line waits to be taken."""
        if self._to_save is None:
            self.law.intent_saved()

    def _say(self, kind: str, *values: str | int | None) -> None:
        self._out.append(messages.encode(kind, *values))

    def _obey(self, message: tuple[str | int | None, ...]) -> None:
        kind = message[0]
        if kind == "dose":
            dose_id = messages.number(message, "dose_id")
            dose_steps = messages.number(message, "dose_steps")
            steps_per_s = messages.number(message, "steps_per_s")
            answer = self.law.accept_dose(dose_id, dose_steps, steps_per_s, not self._done_seen)
            if answer == interlocks.ACCEPTED:
                self._done = (0, dose_steps, None)
                self._done_seen = False
                self._ask_save()
            self._say("judged", dose_id, answer)
        elif kind == "renew":
            self.law.renew_lease(messages.number(message, "dose_id"), messages.number(message, "lease_ms"))
        elif kind == "stop":
            self.law.stop()
            self._notice_end()
        elif kind == "ask":
            self._report()
        elif kind == "hello":
            self.law.greeted = message[1] == limits.PROTOCOL and message[2] == messages.LIMITS_CHECKSUM
            self._say("board", limits.PROTOCOL, messages.LIMITS_CHECKSUM, self.boots, self.law.last_dose_id)
            self._since_done_ms = DONE_REPEAT_MS
            self._report()
        elif kind == "clear":
            answer = self.law.clear_trip(messages.word(message, "trip_reason"))
            if answer == interlocks.ACCEPTED:
                self._tripped_before = None
                self._ask_save()
            self._say("cleared", answer)
            self._report()
        elif kind == "seen" and message[1] == self.law.last_dose_id and self._done[2] is not None:
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
        if law.window_moved:
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
        if not self._done_seen and self._done[2] is not None:
            self._since_done_ms += elapsed_ms
            if self._since_done_ms >= DONE_REPEAT_MS:
                self._since_done_ms = 0
                self._say("done", law.last_dose_id, self._done[0], self._done[1], self._done[2])
        return steps

    def _notice_end(self) -> None:
        law = self.law
        if law.ended_reason is None:
            return
        self._done = (law.turned_steps, law.turned_steps, law.ended_reason)
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
            law.trip_delay_ms,
            law.last_dose_id,
            law.turned_steps,
            counts[0],
            counts[1],
            counts[2],
            counts[3],
            self.boots,
            self._uptime_ms // 1000,
        )

    def _ask_save(self) -> None:
        steps_min, steps_max, end_reason = self._done
        self._to_save = messages.encode(
            "saved",
            self.boots,
            self.law.last_dose_id,
            steps_min,
            steps_max,
            end_reason,
            1 if self._done_seen else 0,
            self.law.trip_reason,
            *self.law.window_slots_steps(),
        )[:-1]


def fresh_saved_line() -> bytes:
    """What a board that has just been commissioned by a technician holds: no dose, no trip, nothing used."""
    return messages.encode("saved", 0, 0, 0, 0, None, 1, None, *_NOTHING_USED)[:-1]
