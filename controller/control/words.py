"""Plain words for reasons, for people who were not there. One place, so that every page says the same."""

TRIP_WORDS = {
    "leak_wet": "The leak probe is wet: water is where it must not be.",
    "leak_wire_open": "The leak probe's wire is cut or unplugged; that counts as wet.",
    "overfill_float_up": "The overfill float is up: the bed stands in water.",
    "float_wire_open": "The overfill float's wire is cut or unplugged; that counts as overfull.",
    "reservoir_empty": "The reservoir is empty, or its float is unplugged.",
    "run_too_long": "The pump ran longer than its dose can take.",
    "moved_while_stopped": "The pump moved although it was told to stand still.",
    "lease_lost": "The controller fell silent in the middle of a dose.",
    "state_lost": "The board has lost its memory of the last dose.",
    "over_dose": "The pump turned further than the dose allowed.",
    "memory_fails": "The board cannot keep its memory, so it gives no dose: put in another board.",
    "dose_without_effect": "Two doses did not make the medium wetter: look at the tube, its outlet and the pump.",
    "air_too_hot": "The air is too hot; the lamp is off.",
    "board_over_dose": "The board reports more steps than the dose allowed.",
    "board_exchanged": "Another board answers than the one that this run knows: look which one is plugged in.",
    "journal_behind": "The board has given water that these records do not hold: an older copy of them was put back. "
    "It is counted now; look at the bed before you clear this.",
    "journal_strange": "The board last gave water for other records, which do not lie here: look whether this bed was "
    "watered already before you clear this.",
    "second_controller": "Another controller speaks to this board: leave only one of them plugged in.",
}

WATERING_WORDS = {
    "": "Water is allowed.",
    "records_failed": "No water: the records cannot be written.",
    "link_down": "No water: the board does not answer.",
    "limits_differ": "No water: board and controller were built with different limits; flash the board again.",
    "not_greeted": "No water: waiting for the board's greeting.",
    "unreconciled": "No water: waiting for the board's account of the last dose.",
    "dose_open": "A dose is under way.",
    "dose_ids_used_up": "No water: the board has counted its doses to the end; commission it anew, in a new run.",
    "dose_not_started": "No water for a minute: the board did not take the last dose.",
    "dose_in_doubt": "No water for a minute: the board did not tell what became of the last dose.",
    "dose_not_given": "No water for a minute: the board ended the last dose before anything was given.",
    "leaving": "No water: the controller is ending.",
    "clearing": "No water: a trip is being cleared.",
    "steps_not_signed": "No water yet: a hands-on step is waiting for a signature.",
    "soaking": "No water now: the first wetting is soaking in.",
    "ended": "No water: the run has ended.",
    "pausing": "A short pause between the aliquots of the first wetting.",
    "resting": "No water now: the last dose is less than its rest ago.",
    "moisture_untrusted": "No water: the moisture reading is not trusted.",
    "weekly_cap": "No water: the plan's amount for seven days is used up.",
    "daily_cap": "No water: the plan's amount for 24 hours is used up.",
    "total_cap": "No water: the plan's amount for the whole run is used up.",
    "chamber_daily_limit": "No water: the chamber's limit for 24 hours is used up.",
    "chamber_dose_limit": "No water: a portion may not exceed the chamber's limit for one dose.",
    "effect_unseen": "No water now: waiting to see the last dose reach the probe.",
    "tube_worn": "No water: the pump has turned its tube for longer than its hours, and the plan stops then; "
    "put in a new tube and calibrate it.",
    "pump_drifted": "No water: the pump's factor has moved past its bound, and the plan stops then; calibrate it.",
    "slot_missed": "A watering time was missed by more than its grace and is left out.",
}

PHASE_WORDS = {
    "preparing": "Getting ready: hands-on steps come before the first water.",
    "wetting": "First wetting: measured portions, pushed slowly.",
    "soaking": "The first wetting soaks in.",
    "draining": "Waiting for the excess water to be drained and weighed.",
    "opening": "Waiting for the sowing positions to be opened.",
    "growing": "Growing.",
    "ended": "The run has ended.",
    "calibrating": "Calibration: water is given into a vessel, portion by portion, when a technician asks.",
}

END_WORDS = {
    "complete": "given in full",
    "stopped": "stopped early",
    "not_started": "never started",
    "board_restarted": "the board restarted during it, so the count was lost",
    "found_on_board": "found in the board's memory; the records of it were lost",
    "in_doubt": "the count was lost; the whole dose is counted against the budget",
    **{reason: "ended by a trip: " + words for reason, words in TRIP_WORDS.items()},
}


def trip_words(reason: str) -> str:
    return TRIP_WORDS.get(reason, f"Tripped: {reason}.")


REFUSAL_WORDS = {
    "not_greeted": "No water for a moment: the board has restarted and is greeted again.",
    "done_not_seen": "No water for a moment: the board still has the last dose to tell.",
    "busy": "No water for a moment: the board is busy with another dose.",
    "id_not_new": "No water for a moment: the board has used this dose's number before.",
    "tripped": "No water: the board is tripped.",
    "window_full": "No water: the board's own amount for 25 hours is used up.",
}


def watering_words(reason: str) -> str:
    """Words for an answer of ``watering.may_dose``; a trip's name follows ``tripped:``, a refusal ``refused:``."""
    if reason.startswith("tripped:"):
        return "No water: " + trip_words(reason.removeprefix("tripped:"))
    if reason.startswith("refused:"):
        answer = reason.removeprefix("refused:")
        return REFUSAL_WORDS.get(answer, "No water for ten minutes: the board refused the last dose.")
    return WATERING_WORDS.get(reason, reason)
