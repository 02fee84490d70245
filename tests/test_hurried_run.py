"""A simulated chamber that lives faster than the computer: its clock, its jobs, and a first wetting run through."""

import json

import pytest
from click.testing import CliRunner

from controller.chamber.hurried_clock import FILE, HurriedClock, chamber_utc_ms
from controller.chamber.simulated_live import SimulatedLive, passing_clock
from controller.cli import main
from controller.control import model as m
from controller.run import LiveRun, open_run
from controller.schedule import HurriedSchedule, job_table
from controller.settings import example_path, read_settings
from tests import examples

OUTSIDE_S = 1_800_000_000.0


class Outside:
    """The computer's two clocks, moved by the test."""

    def __init__(self, seconds=0.0):
        self.seconds = seconds

    def monotonic_s(self):
        return 500.0 + self.seconds

    def wall_s(self):
        return OUTSIDE_S + self.seconds


def clock_in(folder, outside, chamber_s_per_s=100, stride_ms_max=None):
    return HurriedClock(folder, chamber_s_per_s, stride_ms_max, outside.monotonic_s, outside.wall_s)


def test_the_clock_stands_until_it_is_moved_on_and_then_passes_so_many_times_as_much(tmp_path):
    outside = Outside()
    clock = clock_in(tmp_path, outside)
    outside.seconds = 0.5
    assert clock.now().monotonic_ms == 0
    clock.move_on()
    assert clock.now() == (1_800_000_000_000 + 50_000, 50_000, True)


@pytest.mark.parametrize(("outside_s", "passed_ms"), [(0.009, 900), (0.010, 1000), (0.011, 1000), (9.0, 1000)])
def test_with_a_longest_stride_it_falls_behind_rather_than_pass_more_at_once(tmp_path, outside_s, passed_ms):
    outside = Outside()
    clock = clock_in(tmp_path, outside, stride_ms_max=1000)
    outside.seconds = outside_s
    clock.move_on()
    assert clock.now().monotonic_ms == passed_ms
    clock.move_on()
    assert clock.now().monotonic_ms == passed_ms, "what it fell behind is lost, not made good"


@pytest.mark.parametrize("killed_after_s", [0.3, 0.999, 1.0, 1.5, 7.2])
def test_the_next_life_never_begins_before_the_last_one_ended(tmp_path, killed_after_s):
    outside = Outside()
    clock = clock_in(tmp_path, outside)
    while outside.seconds < killed_after_s:
        outside.seconds = min(outside.seconds + 0.07, killed_after_s)
        clock.move_on()
    ended_utc_ms = clock.now().utc_ms
    outside.seconds += 3600.0
    again = clock_in(tmp_path, outside).now().utc_ms
    assert ended_utc_ms <= again <= ended_utc_ms + 3_600_000 + 100_000, "an hour outside is an hour inside"


def test_a_later_life_may_have_another_pace_and_a_run_once_hurried_keeps_its_own_clock(tmp_path):
    outside = Outside()
    clock = clock_in(tmp_path, outside)
    outside.seconds = 1000.0
    clock.move_on()
    later = passing_clock(tmp_path, 1, own_board=True)
    assert isinstance(later, HurriedClock)
    assert json.loads((tmp_path / FILE).read_text())["chamber_s_per_s"] == 1
    assert chamber_utc_ms(tmp_path, 0) == later.now().utc_ms >= clock.now().utc_ms


def test_a_run_that_was_never_hurried_has_the_time_of_the_computer(tmp_path):
    assert chamber_utc_ms(tmp_path, 12_345) == 12_345


def test_a_late_look_takes_each_job_once(tmp_path):
    outside = Outside()
    clock = clock_in(tmp_path, outside)
    schedule = HurriedSchedule(clock)
    schedule.start(job_table(examples.SETTINGS, None))
    outside.seconds = 36.0  # an hour of the chamber
    taken = schedule.take()
    assert sorted(taken) == sorted(set(taken))
    assert {"sample", "steps"} <= set(taken)
    outside.seconds = 36.05
    assert schedule.take() == []
    outside.seconds = 36.1
    assert schedule.take() == ["sample"]


def test_a_hurried_first_wetting_runs_through_without_a_trip_and_the_account_is_that_of_the_physics(tmp_path, mocker):
    mocker.patch("controller.run.signal.signal")  # signals belong to pytest here
    settings = read_settings(example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml"))
    clock = HurriedClock(tmp_path, 10_000, 1_000)
    chamber = SimulatedLive(settings, 1, tmp_path, clock)
    run = LiveRun(settings, chamber, open_run(tmp_path, settings, simulated=True), hurried=HurriedSchedule(clock))
    asked = 0

    def person(state):
        nonlocal asked
        if state.phase == m.SOAKING:
            run.stop()
        elif asked < 3:
            step = ("gloves", "fill-reservoir", "prime-line")[asked]
            asked += 1
            request = m.Request(at=run.decider.moment(), request_id=0, request=m.SIGN_STEP, subject=step, asked_by="LK")
            run.journal.ask(request)

    state = run.run(person)

    assert (state.phase, state.trips, len(state.steps_done)) == (m.SOAKING, (), 3)
    assert state.first_wetting_given_ml == pytest.approx(210.0)
    assert chamber.chamber.box.physics.pumped_ml == pytest.approx(210.0, abs=4.2)
    assert clock.now().monotonic_ms > 600_000, "210 ml at 25 ml/min take eight minutes and a half, and four pauses"


def test_real_plants_cannot_be_hurried():
    plan, chamber = example_path("skerry-light.plan.toml"), example_path("skerry-light.chamber.toml")
    answer = CliRunner().invoke(main, ["run", str(plan), "--chamber", str(chamber), "--speed", "2"])
    assert answer.exit_code == 2
    assert "--speed belongs to --simulated" in answer.output
