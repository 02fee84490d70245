"""What the judge holds of each row at the moment at which it is written: doses, their caps, accounts, clears."""

from typing import Any

from controller.control import model as m
from tests.water import plans
from tests.water.board_side import Turn

DAY_MS = 24 * 3_600_000
SLACK_MS = 6 * 60_000  # a dose counts from its start, and may run for RUN_MS_MAX


class BrokenError(AssertionError):
    """A promise about water does not hold."""


class RowsJudge:
    """The part of ``Judge`` that looks at rows."""

    # -- rows ----

    def record_was_refused(self, record: Any) -> None:
        self.is_refused = True

    def record_was_written(self, record: m.Record) -> None:
        now_ms, ledger = self.world.now_ms, self.ledger
        if isinstance(record, m.DoseIntended):
            self._may_be_intended(record)
            self.all_intents[self.world.disk.number, record.dose_id] = record
        elif isinstance(record, m.TripCleared):
            self._may_be_cleared(record)
        elif isinstance(record, m.BoardRecord) and ledger.boards:
            same = ledger.boards[-1].board_id == record.board_id
            self._hold(same or record.accepted_by != "", f"board {record.board_id} was taken, and nobody had looked")
        ledger.add(now_ms, record)
        self._unfolded.append(record)
        if isinstance(record, m.RequestAnswered):
            self._hold(ledger.answers[record.request_id] == 1, f"request {record.request_id} was answered twice")
        if isinstance(record, m.DoseClosed):
            self._account_is_true(record.dose_id)

    def _account_is_true(self, dose_id: int) -> None:
        """No row of a dose says less than was turned for it, nor more than could be at the least."""
        steps = sum(each.steps for each in self.turns if self._is_of(each, dose_id))
        closed = self.ledger.closed[dose_id][1]
        if self.ledger.purpose(dose_id) == m.ELSEWHERE or closed.end_reason == m.FOUND_ON_BOARD:
            return
        if self.flash_has_lied or self.records_were_lost:
            return  # judged by the sum of the journal, once it is quiet
        self._hold(steps <= closed.steps_max, f"dose {dose_id} turned {steps} steps, and its row says {closed}")
        # a rival's dose of the same number is told as ours: water in the same bed, counted once
        in_bed = sum(each.steps for each in self.turns if each.dose_id == dose_id)
        self._hold(closed.steps_min <= in_bed, f"dose {dose_id} turned {steps} steps, and its row says {closed}")

    def _is_of(self, turn: Turn, dose_id: int) -> bool:
        """Whether it is the dose of this row; an id whose row a disk has lost may be used again on another board."""
        since_ms = self.ledger.intents[dose_id][0] if dose_id in self.ledger.intents else -1
        return turn.journal_id == self.world.disk.number and turn.dose_id == dose_id and turn.first_ms >= since_ms

    def _may_be_intended(self, intent: m.DoseIntended) -> None:
        ledger, name = self.ledger, f"dose {intent.dose_id}"
        if intent.purpose == m.ELSEWHERE or self._is_found(intent):
            return  # not a command: water that the board told of
        self._hold(not ledger.trips, f"{name} was intended while {ledger.trips} stood")
        self._hold(not ledger.open_ids, f"{name} was intended while {ledger.open_ids} was open")
        self._hold(ledger.phase != m.ENDED, f"{name} was intended after the end")
        self._hold(not self.is_refused, f"{name} was intended while records failed")
        self._hold(intent.dose_id not in ledger.intents, f"{name} was intended twice")
        self._room_for(intent, name)
        if not self.records_were_lost:
            self._nothing_is_lacking(f"when {name} was intended")

    def _is_found(self, intent: m.DoseIntended) -> bool:
        """Whether the row stands for water that was found on the board: it has turned already, or is no command."""
        turned = any(self._is_of(each, intent.dose_id) for each in self.turns)
        return turned or self.records_were_lost

    def _may_be_cleared(self, cleared: m.TripCleared) -> None:
        """By a person, and no trip that was raised after that person had asked."""
        reason, asked_ms = cleared.trip_reason, self.asked_ms.get(_request_of(cleared.cleared_by), None)
        self._hold(asked_ms is not None, f"{reason} was cleared by {cleared.cleared_by!r}, who had not asked")
        assert asked_ms is not None
        for trip in self.ledger.trips:
            if trip.reason == reason:
                raised_ms = trip.true_ms
                if trip.side == m.ON_BOARD and self._cleared_number is not None:
                    raised_ms = max(0, self.world.board.trip_raised_ms.get(self._cleared_number, 0))
                late_ms = raised_ms - asked_ms
                self._hold(
                    late_ms <= 0, f"{reason} on the {trip.side} was raised {late_ms} ms after its clear was asked"
                )

    def _room_for(self, intent: m.DoseIntended, name: str) -> None:
        """The caps hold for what was truly turned, and for what is in doubt at its most."""
        limit, ml = self.world.settings.chamber.limits, intent.ml_per_step
        self._hold(intent.dose_steps * ml <= limit.dose_max_ml + 1e-6, f"{name} is larger than a dose may be")
        if self.world.kind == plans.PORTIONS:
            self._hold_cap(name, "chamber's day", intent, DAY_MS, limit.daily_max_ml, ())
            return
        if intent.purpose == m.FIRST_WETTING:
            total_ml = self.world.settings.plan.first_wetting.total_ml
            self._hold_cap(name, "first wetting", intent, None, total_ml, (m.FIRST_WETTING,))
            return
        law, plants = self.world.settings.plan.watering, (m.MOISTURE_LED, m.FIXED_TIME)
        self._hold_cap(name, "total", intent, None, law.total_cap_ml, plants)
        if self.clock_was_wrong:
            return  # the run clock may have been moved on by a clock that was believed
        self._hold_cap(name, "week's", intent, 7 * DAY_MS - SLACK_MS, law.weekly_cap_ml, plants)
        self._hold_cap(name, "day's", intent, DAY_MS - SLACK_MS, law.daily_cap_ml, plants)
        self._hold_cap(name, "chamber's day", intent, DAY_MS, limit.daily_max_ml, ())
        last_ms = max((each.last_ms for each in self.turns if each.journal_id == self.world.disk.number), default=None)
        if last_ms is not None:
            rest_ms = law.rest_h * 3_600_000 - (SLACK_MS - 60_000 if intent.purpose == m.FIXED_TIME else 2_000)
            self._hold(self.world.now_ms - last_ms >= rest_ms, f"{name} was intended before the rest was over")

    def _hold_cap(
        self,
        name: str,
        cap: str,
        intent: m.DoseIntended,
        window_ms: int | None,
        cap_ml: float,
        purposes: tuple[str, ...],
    ) -> None:
        since_ms = max(self.counts_since_ms, -1 if window_ms is None else self.world.now_ms - window_ms)
        ledger, counted_ml = self.ledger, intent.dose_steps * intent.ml_per_step
        for (second, journal_id, dose_id), steps in self.seconds.items():
            if journal_id == self.world.disk.number and second * 1000 > since_ms:
                known = self.all_intents.get((journal_id, dose_id))
                if known is not None and (not purposes or known.purpose in purposes):
                    # with a lost row its factor is lost: what is found of it is counted by the one in use
                    kept = ledger.intents.get(dose_id)
                    counted_ml += steps * (intent.ml_per_step if kept is None else kept[1].ml_per_step)
        for dose_id, (true_ms, closed) in ledger.closed.items():
            if (
                true_ms > since_ms
                and dose_id in ledger.intents
                and (not purposes or ledger.purpose(dose_id) in purposes)
            ):
                turned = sum(each.steps for each in self.turns if self._is_of(each, dose_id))
                doubted = closed.steps_max - turned if closed.end_reason in (m.IN_DOUBT, "board_restarted") else 0
                counted_ml += max(0, doubted) * ledger.intents[dose_id][1].ml_per_step
        self._hold(counted_ml <= cap_ml + 1e-6, f"{name} makes {counted_ml:.2f} ml of the {cap} cap of {cap_ml:g} ml")


def _request_of(initials: str) -> int:
    return int(initials[1:]) if initials[1:].isdigit() else 0
