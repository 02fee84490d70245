"""The board's whole program without pins: bytes and probe counts in, bytes and steps to turn out.

``main.py`` gives it pins, time and a file; the simulated chamber gives it a physics. The order that keeps water
safe is here: a dose is judged, its intent is handed out to be saved, and only ``intent_saved`` lets it turn.
"""

from firmware_bridge import interlocks, limits, messages

DONE_REPEAT_MS = 500  # an unseen "done" is said again this often
REPORT_EVERY_MS = 500  # a report goes out unasked this often while the motor turns


class Board:
    """The board. ``saved_line`` is what was last handed out to be saved, or None when nothing could be read."""

    def __init__(self, saved_line):
        saved = messages.decode(saved_line) if saved_line else None
        if saved is None or saved[0] != "saved":
            saved = ("saved", 0, 0, 0, 0, None, 1, 0, interlocks.STATE_LOST)
        _, boots, last_dose_id, steps_min, steps_max, end_reason, seen, window_used_steps, trip_reason = saved
        if not seen and end_reason is None:
            # It was turning, or about to, when the power went: anything from nothing to all of it.
            end_reason = interlocks.BOARD_RESTARTED
        self.boots = boots + 1
        self.law = interlocks.Law(last_dose_id, window_used_steps, trip_reason)
        self._done = (steps_min, steps_max, end_reason)
        self._done_seen = bool(seen)
        self._reader = messages.LineReader()
        self._out = []
        self._uptime_ms = 0
        self._since_done_ms = DONE_REPEAT_MS
        self._since_report_ms = 0
        self._probes = (0, 0, 0, 0)
        self._tripped_before = trip_reason
        self._to_save = None
        self._ask_save()

    # -- bytes in, bytes out -------------------------------------------------------------------------------

    def receive(self, data):
        """Take bytes from the host, in any portions."""
        for message in self._reader.feed(data):
            self._obey(message)

    def take_output(self):
        """Bytes for the host since the last call."""
        out = b"".join(self._out)
        self._out = []
        return out

    def take_to_save(self):
        """A line to be saved now, or None. Call ``intent_saved`` once it is safely stored."""
        line = self._to_save
        self._to_save = None
        return line

    def intent_saved(self):
        """What ``take_to_save`` gave out is stored."""
        self.law.intent_saved()

    def _say(self, kind, *values):
        self._out.append(messages.encode(kind, *values))

    def _obey(self, message):
        kind = message[0]
        if kind == "dose":
            answer = self.law.accept_dose(message[1], message[2], message[3], not self._done_seen)
            if answer == interlocks.ACCEPTED:
                self._done = (0, message[2], None)
                self._done_seen = False
                self._ask_save()
            self._say("judged", message[1], answer)
        elif kind == "renew":
            self.law.renew_lease(message[1], message[2])
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
            answer = self.law.clear_trip(message[1])
            if answer == interlocks.ACCEPTED:
                self._tripped_before = None
                self._ask_save()
            self._say("cleared", answer)
            self._report()
        elif kind == "seen" and message[1] == self.law.last_dose_id and self._done[2] is not None:
            self._done_seen = True

    # -- time ----------------------------------------------------------------------------------------------

    def tick(self, elapsed_ms, leak_counts, float_counts, reservoir_counts, moisture_counts, rotor_steps):
        """Let time pass, look at the probes, answer the steps to turn now (0 = motor off)."""
        elapsed_ms = max(0, elapsed_ms)
        self._uptime_ms += elapsed_ms
        self._probes = (leak_counts, float_counts, reservoir_counts, moisture_counts)
        law = self.law
        steps = law.tick(elapsed_ms, leak_counts, float_counts, reservoir_counts, rotor_steps)
        self._notice_end()
        if law.trip_reason != self._tripped_before:
            self._tripped_before = law.trip_reason
            self._ask_save()
            self._report()
        if law.state == interlocks.TURNING:
            self._since_report_ms += elapsed_ms
            if self._since_report_ms >= REPORT_EVERY_MS:
                self._report()
        if not self._done_seen and self._done[2] is not None:
            self._since_done_ms += elapsed_ms
            if self._since_done_ms >= DONE_REPEAT_MS:
                self._since_done_ms = 0
                self._say("done", law.last_dose_id, self._done[0], self._done[1], self._done[2])
        return steps

    def _notice_end(self):
        law = self.law
        if law.ended_reason is None:
            return
        self._done = (law.turned_steps, law.turned_steps, law.ended_reason)
        law.ended_reason = None
        self._since_done_ms = DONE_REPEAT_MS
        self._ask_save()

    def _report(self):
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

    def _ask_save(self):
        steps_min, steps_max, end_reason = self._done
        self._to_save = messages.encode(
            "saved",
            self.boots,
            self.law.last_dose_id,
            steps_min,
            steps_max,
            end_reason,
            1 if self._done_seen else 0,
            self.law.window_used_steps(),
            self.law.trip_reason,
        )[:-1]


def fresh_saved_line():
    """What a board that has just been commissioned by a technician holds: no dose, no trip, nothing used."""
    return messages.encode("saved", 0, 0, 0, 0, None, 1, 0, None)[:-1]
