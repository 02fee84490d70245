"""The fields of the host's memory that must be the same, whether it lived or was rebuilt from its rows."""

from controller.control import model as m

SAME = (
    "phase", "hydrated_utc_ms", "open_dose", "open_accounts", "last_dose_id", "last_dose_run_ms",
    "last_dose_began_run_ms", "last_slot", "trips", "steps_due", "steps_done", "board", "turned_total_steps",
    "watering_answer",
)  # fmt: skip
NEARLY = ("first_wetting_given_ml", "watering_given_ml")
KEPT_MS = 7 * 24 * 3_600_000


def differences(live: m.State, folded: m.State, unfolded_run_ms: int) -> str:
    """What differs, in words, or an empty string.

    ``unfolded_run_ms``: by how much starts have moved the run clock on without a row, so far. What is counted since a
    moment on that clock may differ by as much.
    """
    found = [
        f"{name} is {getattr(live, name)!r} and {getattr(folded, name)!r}"
        for name in SAME
        if getattr(live, name) != getattr(folded, name)
    ]
    found += [
        f"{name} is {getattr(live, name)} and {getattr(folded, name)}"
        for name in NEARLY
        if abs(getattr(live, name) - getattr(folded, name)) > 1e-6
    ]
    given, rebuilt = _given(live, live.run_ms), _given(folded, live.run_ms)
    if given != rebuilt:
        found.append(f"given_lately is {given} and {rebuilt}")
    raised, told = _raised(live), _raised(folded)
    if raised != told:
        found.append(f"the raised alarms are {raised} and {told}")
    since_ms, rebuilt_ms = live.wanting_since_run_ms, folded.wanting_since_run_ms
    if (since_ms is None) != (rebuilt_ms is None) or abs((since_ms or 0) - (rebuilt_ms or 0)) > unfolded_run_ms:
        found.append(f"wanting_since_run_ms is {since_ms} and {rebuilt_ms}")
    return "; ".join(found)


def _given(state: m.State, run_ms: int) -> set[tuple[int, float, str, int]]:
    """Of this journal's own doses, those of the last week."""
    return {
        (each.dose_id, round(each.volume_max_ml, 9), each.purpose, each.run_ms)
        for each in state.given_lately
        if each.dose_id and each.run_ms > run_ms - KEPT_MS
    }


def _raised(state: m.State) -> set[str]:
    return {name for name, alarm in state.alarms if alarm.raised}
