"""Whole runs in virtual time: the shipped law and board program, and everything that can go wrong by name."""

from dataclasses import replace
from datetime import time
from itertools import pairwise

import pytest

from controller.chamber.faults import FAULTS, Fault, parse_fault
from controller.control import model as m
from controller.errors import SettingsError
from controller.plan import FixedTimes
from controller.records.journal import Journal
from controller.rehearse import rehearse
from tests import examples

H = 3_600_000
# sampling each minute keeps these quick; the ten-second run is the README's own command, tested in test_main_job
SETTINGS = examples.settings(sample_every_s=60.0)
CAPS_ML = 210 + 900


class Ran:
    """A finished rehearsal and the records it left."""

    def __init__(self, folder, days, *faults, seed=1, settings=SETTINGS):
        self.done = rehearse(settings, folder, days=days, seed=seed, faults=[parse_fault(f) for f in faults])
        self.truth = self.done.truth
        journal = Journal.open(self.done.journal_path)
        self.run = {kind: list(journal.records(kind)) for kind in (
            m.DoseIntended, m.DoseClosed, m.TripRecord, m.TripCleared, m.AlarmRecord, m.PhaseRecord, m.EventRecord,
            m.StepRecord, m.ReadingRecord, m.LampRecord, m.ClockRecord, m.WateringAnswer, m.ObservationRecord,
            m.BoardRecord,
        )}  # fmt: skip
        journal.close()

    def __getitem__(self, kind):
        return self.run[kind]

    def trips(self):
        return [(trip.trip_reason, trip.side) for trip in self[m.TripRecord]]

    def alarms(self):
        return {alarm.alarm for alarm in self[m.AlarmRecord] if alarm.raised}

    def events(self):
        return {event.event for event in self[m.EventRecord]}

    def delivered_ml(self):
        return sum(closed.volume_ml for closed in self[m.DoseClosed])

    def interval_ml(self):
        """Where the records say that the true volume lies, at twice the standard uncertainty of the calibration."""
        low = sum(c.steps_min for c in self[m.DoseClosed]) * (0.005 - 2 * 0.00004)
        high = sum(c.steps_max for c in self[m.DoseClosed]) * (0.005 + 2 * 0.00004)
        return low, high

    def doses_at_h(self):
        start = self[m.PhaseRecord][0].at.monotonic_ms
        return [(dose.at.monotonic_ms - start) / H for dose in self[m.DoseIntended]]


@pytest.fixture(scope="module")
def quiet(tmp_path_factory):
    return Ran(tmp_path_factory.mktemp("quiet"), 21.5)


def test_a_quiet_run_goes_through_all_its_phases_in_order(quiet):
    assert [phase.phase for phase in quiet[m.PhaseRecord]] == [
        m.WETTING, m.SOAKING, m.DRAINING, m.OPENING, m.GROWING, m.ENDED,
    ]  # fmt: skip


def test_a_quiet_run_trips_nothing_and_the_board_refuses_nothing(quiet):
    assert quiet.trips() == []
    assert "board_refused" not in quiet.events()
    assert {closed.end_reason for closed in quiet[m.DoseClosed]} == {"complete"}


def test_the_records_agree_with_the_physics_within_the_stated_uncertainty(quiet):
    low_ml, high_ml = quiet.interval_ml()

    assert low_ml <= quiet.truth.pumped_ml <= high_ml
    assert quiet.truth.pumped_ml == pytest.approx(quiet.delivered_ml(), rel=2 * 0.00004 / 0.005)


def test_the_first_wetting_is_given_in_its_portions_with_its_pauses(quiet):
    """Common practice, no source: near 210 ml in 50 ml portions, about a minute of soak before draining."""
    doses = [d for d in quiet[m.DoseIntended] if d.purpose == m.FIRST_WETTING]
    ends = {c.dose_id: c.at.monotonic_ms for c in quiet[m.DoseClosed]}
    phases = {p.phase: p.at.monotonic_ms for p in quiet[m.PhaseRecord]}

    assert [dose.volume_ml for dose in doses] == pytest.approx([50, 50, 50, 50, 10])
    for before, after in pairwise(doses):
        assert after.at.monotonic_ms - ends[before.dose_id] >= 60_000
    for dose in doses:
        ml_per_min = dose.volume_ml / (ends[dose.dose_id] - dose.at.monotonic_ms) * 60_000
        assert ml_per_min <= 25.0
    assert phases[m.DRAINING] - phases[m.SOAKING] >= 60_000


@pytest.mark.guards("H13", "host", "072f2d46")
def test_nothing_is_watered_between_the_soak_and_the_drain(quiet):
    phases = {p.phase: p.at.monotonic_ms for p in quiet[m.PhaseRecord]}

    assert not any(phases[m.SOAKING] <= d.at.monotonic_ms < phases[m.GROWING] for d in quiet[m.DoseIntended])
    assert [s.drained_g for s in quiet[m.StepRecord] if s.step == "drain-and-weigh" and s.done] != [None]


def test_the_lamp_keeps_sixteen_hours_a_day_on_utc(quiet):
    day_ms = 24 * H
    first = quiet[m.ReadingRecord][0].at.utc_ms
    lit = {}
    for reading in quiet[m.ReadingRecord]:
        day = reading.at.utc_ms // day_ms
        lit[day] = lit.get(day, 0) + (reading.lamp_duty_fraction > 0.0)
    whole = [minutes for day, minutes in lit.items() if first // day_ms + 1 <= day <= first // day_ms + 20]

    assert len(whole) == 20
    assert all(abs(minutes - 16 * 60) <= 2 for minutes in whole)


def test_the_medium_is_kept_above_its_low_threshold(quiet):
    contents = [
        examples.CHAMBER.moisture_probe.water_content_fraction(r.moisture_counts)
        for r in quiet[m.ReadingRecord]
        if r.run_ms is not None and r.run_ms > H
    ]

    assert min(contents) > 0.23
    assert max(contents) < 0.36


def test_a_sample_is_written_each_minute_without_a_gap(quiet):
    moments = [r.at.monotonic_ms for r in quiet[m.ReadingRecord]]

    assert {after - before for before, after in pairwise(moments)} == {60_000}


def test_seedlings_are_seen_and_written_into_the_logbook(quiet):
    emerged = {o.position for o in quiet[m.ObservationRecord] if o.emerged}

    assert len(emerged) >= 7
    assert {o.seen_by for o in quiet[m.ObservationRecord]} == {"LK"}


def test_the_same_seed_gives_the_same_run_and_another_seed_another(tmp_path):
    runs = [Ran(tmp_path / str(n), 1, seed=seed) for n, seed in enumerate((7, 7, 8))]
    readings = [[r.air_temperature_c for r in ran[m.ReadingRecord]] for ran in runs]

    assert readings[0] == readings[1]
    assert readings[0] != readings[2]


# -- faults: what each must come to, in records and in plain words ----


def ran_with(tmp_path, days, *faults, **options):
    ran = Ran(tmp_path, days, *faults, **options)
    assert ran.truth.pumped_ml <= CAPS_ML * 1.02, "true water above the plan's caps"
    for trip in ran[m.TripRecord]:
        assert f"trip_{trip.trip_reason}" in ran.alarms(), "a trip without words"
    return ran


def test_a_leak_trips_board_and_host_and_holds_the_water_until_a_person_came(tmp_path):
    ran = ran_with(tmp_path, 4, "leak@3d02h")

    assert set(ran.trips()) == {("leak_wet", m.ON_HOST), ("leak_wet", m.ON_BOARD)}
    tripped, cleared = ran[m.TripRecord][0].at.monotonic_ms, ran[m.TripCleared][0].at.monotonic_ms
    assert tripped == (3 * 24 + 2) * H
    assert cleared - tripped >= 4 * H
    assert ran[m.TripCleared][0].cleared_by == "LK"
    assert not any(tripped <= d.at.monotonic_ms < cleared for d in ran[m.DoseIntended])


def test_an_overfill_in_mid_dose_stops_the_motor_within_one_tick(tmp_path):
    ran = ran_with(tmp_path, 0.2, "float-stuck@8m")

    board = next(trip for trip in ran[m.TripRecord] if trip.side == m.ON_BOARD)
    closed = ran[m.DoseClosed][0]
    assert board.motor_off_delay_ms == 10
    assert closed.end_reason == "overfill_float_up"
    assert 0 < closed.steps_max < 10_000
    low_ml, high_ml = ran.interval_ml()
    assert low_ml <= ran.truth.pumped_ml <= high_ml


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("float-stuck@5d", "overfill_float_up"),
        ("probe-wire-open@2d", "leak_wire_open"),
        ("reservoir-empty@4d", "reservoir_empty"),
    ],
)
def test_a_probe_that_forbids_water_is_latched_until_a_person_mended_it(tmp_path, fault, reason):
    ran = ran_with(tmp_path, parse_fault(fault).at_ms / 86_400_000 + 1.5, fault)

    assert ran.trips() == [(reason, m.ON_BOARD)]
    assert [cleared.trip_reason for cleared in ran[m.TripCleared]] == [reason]


def test_a_board_that_forgot_is_another_board_until_a_person_has_accepted_it_and_then_waters_again(tmp_path):
    ran = ran_with(tmp_path, 8.5, "board-forgets@2d")

    assert ran.trips() == [(m.BOARD_EXCHANGED, m.ON_HOST), ("state_lost", m.ON_BOARD)]
    assert sorted(cleared.trip_reason for cleared in ran[m.TripCleared]) == [m.BOARD_EXCHANGED, "state_lost"]
    first, second = {each.board_id for each in ran[m.BoardRecord][:-1]}, ran[m.BoardRecord][-1]
    assert second.accepted_by == "LK"
    assert second.board_id not in first
    tripped_ms, cleared_ms = ran[m.TripRecord][0].at.monotonic_ms, ran[m.TripCleared][-1].at.monotonic_ms
    given_ms = [dose.at.monotonic_ms for dose in ran[m.DoseIntended]]
    assert not any(tripped_ms <= each < cleared_ms for each in given_ms)
    assert max(given_ms) > cleared_ms


def test_a_stale_sensor_ends_watering_by_moisture_and_the_fallback_takes_over(tmp_path):
    ran = ran_with(tmp_path, 4.2, "sensor-stale@4d")

    assert {"air_temperature_untrusted", "relative_humidity_untrusted", "moisture_untrusted"} <= ran.alarms()
    assert {r.moisture_quality for r in ran[m.ReadingRecord]} >= {"good", "suspect"}


@pytest.mark.guards("H6", "host", "ca1270a6")
def test_a_stale_moisture_probe_is_never_watered_on_a_guess(tmp_path):
    plan = replace(SETTINGS.plan, watering=replace(SETTINGS.plan.watering, fallback=None))
    ran = ran_with(tmp_path, 5.6, "sensor-stale@5d01h", settings=replace(SETTINGS, plan=plan))
    frozen = [r for r in ran[m.ReadingRecord] if r.moisture_quality == "suspect"]

    assert frozen
    for dose in ran[m.DoseIntended]:
        assert not frozen[0].at.monotonic_ms <= dose.at.monotonic_ms <= frozen[-1].at.monotonic_ms
    assert "moisture_untrusted" in {answer.reason for answer in ran[m.WateringAnswer]}


@pytest.mark.parametrize("fault", ["sensor-unplugged", "sensor-garbled"])
def test_a_sensor_that_cannot_be_read_leaves_empty_readings_not_old_ones(tmp_path, fault):
    ran = ran_with(tmp_path, 1.2, f"{fault}@1d")
    missing = [r for r in ran[m.ReadingRecord] if r.air_quality == "missing"]

    assert missing
    assert {r.air_temperature_c for r in missing} == {None}
    assert "air_temperature_untrusted" in ran.alarms()
    assert all(r.moisture_quality == "good" for r in missing)


def test_a_tube_that_came_off_is_found_by_two_doses_without_effect(tmp_path):
    ran = ran_with(tmp_path, 8, "tube-off@6d")

    assert (m.DOSE_WITHOUT_EFFECT, m.ON_HOST) in ran.trips()
    lost_ml = ran.truth.pumped_ml - ran.truth.into_bed_ml
    assert lost_ml == pytest.approx(24.0, rel=0.02)
    assert "pushed the tube back on" in ran.truth.mended


@pytest.mark.parametrize(("hours", "rest_h"), [((8, 20), 12), ((0, 8, 16), 8)])
def test_fixed_times_just_a_rest_and_a_daily_cap_apart_are_kept_day_after_day(tmp_path, hours, rest_h):
    """Each dose takes a minute of pumping; counted from its end, every day would begin a minute later."""
    fixed = FixedTimes(times=[time(hour) for hour in hours])
    watering = replace(
        SETTINGS.plan.watering, moisture=None, fallback=None, fixed=fixed, rest_h=rest_h, dose_ml=12,
        daily_cap_ml=12 * len(hours),
    )  # fmt: skip
    ran = Ran(tmp_path, 10, settings=replace(SETTINGS, plan=replace(SETTINGS.plan, watering=watering)))
    doses = [dose.at for dose in ran[m.DoseIntended] if dose.purpose == m.FIXED_TIME]
    late_ms = [at.utc_ms % (24 * H) - hour * H for at in doses for hour in hours if at.utc_ms % (24 * H) // H == hour]

    assert len(late_ms) == len(doses) >= 9 * len(hours)
    # the first one rests after the first wetting; plants that only grow are looked after each minute
    assert max(late_ms) - min(late_ms) <= 61_000
    assert "slot_missed" not in {answer.reason for answer in ran[m.WateringAnswer]}


@pytest.mark.guards("H7", "host", "94bb108c")
def test_a_clock_that_jumps_repeats_no_dose_and_loses_no_light(tmp_path):
    fixed = FixedTimes(times=[time(9, 30), time(15, 30)])  # both within the six hours of a wrong clock
    plan = replace(SETTINGS.plan, watering=replace(SETTINGS.plan.watering, moisture=None, fallback=None, fixed=fixed))
    settings = replace(SETTINGS, plan=plan)
    stepped = ran_with(tmp_path / "a", 4, "clock-step@1d", settings=settings)
    still = Ran(tmp_path / "b", 4, settings=settings)

    assert [record.difference_ms for record in stepped[m.ClockRecord]] == [2 * H, -2 * H]
    assert len(still.doses_at_h()) == 5 + 2 * 4
    assert stepped.doses_at_h() == pytest.approx(still.doses_at_h(), abs=1 / 60 + 1e-9)
    untrusted = [r for r in stepped[m.ReadingRecord] if not r.at.utc_trusted]
    assert len(untrusted) == pytest.approx(6 * 60, abs=2)
    lit = [sum(r.lamp_duty_fraction > 0 for r in ran[m.ReadingRecord]) for ran in (stepped, still)]
    assert lit[0] == pytest.approx(lit[1], abs=4)


def test_a_board_that_restarts_at_rest_is_greeted_again(tmp_path):
    ran = ran_with(tmp_path, 1.5, "board-reset@1d")

    assert "board_restarted" in ran.events()
    assert ran.trips() == []


def test_a_board_that_restarts_in_mid_dose_leaves_the_dose_in_doubt_and_counted_in_full(tmp_path):
    ran = ran_with(tmp_path, 8, "board-reset-in-dose@5d")
    doubtful = [closed for closed in ran[m.DoseClosed] if closed.steps_min < closed.steps_max]

    assert [(c.steps_min, c.steps_max, c.end_reason) for c in doubtful] == [(0, 2400, "board_restarted")]
    assert doubtful[0].volume_max_ml == pytest.approx(12.0)
    low_ml, high_ml = ran.interval_ml()
    assert low_ml <= ran.truth.pumped_ml <= high_ml


def test_a_full_disk_ends_water_and_not_light(tmp_path):
    ran = ran_with(tmp_path, 2.5, "disk-full@2d")

    assert "records_resumed" in ran.events()
    assert "records_failed" in ran.alarms()
    moments = [r.at.monotonic_ms for r in ran[m.ReadingRecord]]
    gaps = [(a, b) for a, b in pairwise(moments) if b - a > 60_000]
    assert len(gaps) == 1
    assert gaps[0][1] - gaps[0][0] == pytest.approx(6 * H, rel=0.2)
    after = next(r for r in ran[m.ReadingRecord] if r.at.monotonic_ms == gaps[0][1])
    assert after.lamp_duty_fraction == 0.6


@pytest.mark.guards("H5", "host", "bbd6092d")
def test_heat_puts_the_lamp_out_until_a_person_came(tmp_path):
    ran = ran_with(tmp_path, 3, "room-hot@2d")

    tripped = next(t.at.monotonic_ms for t in ran[m.TripRecord] if t.trip_reason == m.AIR_TOO_HOT)
    cleared = ran[m.TripCleared][0].at.monotonic_ms
    between = [r for r in ran[m.ReadingRecord] if tripped <= r.at.monotonic_ms < cleared]
    assert {r.lamp_duty_fraction for r in between} == {0.0}
    assert ran[m.ReadingRecord][-1].lamp_duty_fraction >= 0.0


def test_a_line_that_is_pulled_for_a_moment_is_found_again(tmp_path):
    ran = ran_with(tmp_path, 1.2, "line-unplugged@1d")

    assert {"link_lost", "link_found", "board_greeted"} <= ran.events()
    assert [r.moisture_counts for r in ran[m.ReadingRecord]].count(None) <= 2


# -- naming faults ----


@pytest.mark.parametrize(
    ("text", "at_ms"),
    [
        ("leak@3d02h", 74 * H),
        ("leak@90m", 5_400_000),
        ("leak@5d", 120 * H),
        ("leak@1d1h1m", 25 * H + 60_000),
        ("leak@0h", 0),
    ],
)
def test_a_fault_is_named_with_its_time(text, at_ms):
    assert parse_fault(text) == Fault("leak", at_ms)


@pytest.mark.parametrize("text", ["leak", "leak@", "leak@3", "leak@3x", "leak@-1d", "@3d", "lek@3d", "leak@2h3d", ""])
def test_a_fault_that_is_not_understood_is_refused_with_an_example(text):
    with pytest.raises(SettingsError) as refused:
        parse_fault(text)

    assert len(refused.value.sentences) == 1
    assert refused.value.sentences[0].startswith(f"--fault {text}:")


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_that_can_be_named_does_something(name, tmp_path):
    coarse = examples.settings(sample_every_s=300.0)
    ran = Ran(tmp_path, 1.2, f"{name}@20h", settings=coarse)
    quiet = Ran(tmp_path / "quiet", 1.2, settings=coarse)
    told = ran.trips(), ran.alarms(), ran.events()
    waits_for_a_dose = name in ("tube-off", "board-reset-in-dose")

    assert (told != (quiet.trips(), quiet.alarms(), quiet.events())) != waits_for_a_dose
