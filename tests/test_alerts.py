"""Messages to people who are away: once a cause, again until seen, an all-clear, nothing lost without a network."""

import json
import threading
from dataclasses import replace
from datetime import time
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from click.testing import CliRunner

from controller.alerts.causes import SILENT, Cause, causes_of, seen_of, trials_of
from controller.alerts.telling import WAITING_MAX, Teller, sender
from controller.alerts.wishes import Wishes, read_wishes
from controller.cli import main
from controller.commands.terminal import Exit
from controller.control import model as m
from controller.control.hands_on import requested
from controller.errors import JournalError, SettingsError
from controller.settings import example_path
from tests import examples
from tests.journals import HOUR_MS, SETTINGS, START_MS, at, fill, hydrate, new_journal

LEAK = Cause("trip_leak_wet", "The leak probe is wet.", urgent=True)
WARM = Cause("air_temperature_high", "Too warm.")
NOON, NIGHT = time(12), time(23)
WISHES = Wishes(("json://x",), time(22), time(7), repeat_every_h=6.0)


class Net:
    """A network that may be away."""

    def __init__(self) -> None:
        self.up = True
        self.sent: list[str] = []

    def send(self, title, words):
        if self.up:
            self.sent.append(words)
        return self.up


@pytest.fixture
def net():
    return Net()


@pytest.fixture
def teller(tmp_path, net):
    return Teller(tmp_path / "alerts.json", WISHES, "Skerry Light", net.send)


def test_a_cause_is_told_once_and_its_end_too(teller, net):
    for minute in range(5):
        teller.look(minute * 60_000, NOON, [WARM], {}, 0)
    assert net.sent == ["Too warm."]
    teller.look(6 * 60_000, NOON, [], {}, 0)
    teller.look(7 * 60_000, NOON, [], {}, 0)
    assert net.sent == ["Too warm.", "Over: Too warm."]


@pytest.mark.parametrize(("after_ms", "told"), [(6 * HOUR_MS - 1, 1), (6 * HOUR_MS, 2), (6 * HOUR_MS + 1, 2)])
def test_a_cause_is_told_again_after_its_time(teller, net, after_ms, told):
    teller.look(0, NOON, [WARM], {}, 0)
    teller.look(after_ms, NOON, [WARM], {}, 0)
    assert len(net.sent) == told
    assert net.sent[1:] == ["Still: Too warm."] * (told - 1)


def test_a_cause_that_was_seen_is_not_told_again_until_it_comes_anew(teller, net):
    teller.look(1_000, NOON, [WARM], {}, 0)
    seen = {WARM.name: 2_000}
    teller.look(24 * HOUR_MS, NOON, [WARM], seen, 0)
    assert net.sent == ["Too warm."]
    teller.look(25 * HOUR_MS, NOON, [], seen, 0)
    teller.look(26 * HOUR_MS, NOON, [WARM], seen, 0)
    assert net.sent == ["Too warm.", "Over: Too warm.", "Too warm."]


def test_quiet_hours_hold_back_all_but_trips(teller, net):
    teller.look(0, NIGHT, [WARM, LEAK], {}, 0)
    assert net.sent == [LEAK.words]
    teller.look(9 * HOUR_MS, time(7), [WARM, LEAK], {LEAK.name: 1}, 0)
    assert net.sent == [LEAK.words, WARM.words]


def test_what_came_and_went_in_quiet_hours_is_not_told(teller, net):
    teller.look(0, NIGHT, [WARM], {}, 0)
    teller.look(HOUR_MS, NOON, [], {}, 0)
    assert net.sent == []


@pytest.mark.parametrize(
    ("clock", "quiet"),
    [(time(21, 59, 59), False), (time(22), True), (time(0), True), (time(6, 59), True), (time(7), False)],
)
def test_quiet_hours_go_over_midnight(clock, quiet):
    assert WISHES.is_quiet(clock) == quiet
    assert replace(WISHES, quiet_from=time(7), quiet_to=time(22)).is_quiet(clock) != quiet
    assert not replace(WISHES, quiet_from=None, quiet_to=None).is_quiet(clock)


def test_without_a_network_messages_wait_in_order_even_over_a_restart(tmp_path, teller, net):
    net.up = False
    teller.look(0, NOON, [LEAK], {}, 0)
    teller.look(1_000, NOON, [LEAK, WARM], {}, 0)
    again = Teller(tmp_path / "alerts.json", WISHES, "Skerry Light", net.send)
    net.up = True
    again.look(2_000, NOON, [LEAK, WARM], {}, 0)
    assert net.sent == [LEAK.words, WARM.words]
    again.look(3_000, NOON, [LEAK, WARM], {}, 0)
    assert len(net.sent) == 2


def test_what_waits_is_bounded(teller, net):
    net.up = False
    for number in range(WAITING_MAX + 20):
        teller.look(number, NOON, [Cause(f"c{number}", f"{number}")], {}, 0)
    assert len(teller.memory.waiting) == WAITING_MAX


def test_a_trial_asked_for_on_the_page_is_sent_once(teller, net):
    teller.look(0, NOON, [], {}, 3)  # those of earlier days are none of this process's business
    teller.look(1, NOON, [], {}, 4)
    teller.look(2, NOON, [], {}, 4)
    assert net.sent == ["This is a trial message; nothing is amiss."]


def test_a_damaged_memory_is_named(tmp_path, net):
    (tmp_path / "alerts.json").write_text("{")
    with pytest.raises(JournalError, match="move it away"):
        Teller(tmp_path / "alerts.json", WISHES, "", net.send)


def test_causes_are_read_from_the_journal(tmp_path):
    journal = new_journal(tmp_path)
    hydrate(journal)
    fill(journal, 0, HOUR_MS)
    journal.append(m.TripRecord(at(HOUR_MS), "leak_wet", m.ON_HOST, 0))
    journal.append(m.AlarmRecord(at(HOUR_MS), "trip_leak_wet", True, "wet"))
    journal.append(m.AlarmRecord(at(HOUR_MS), "air_temperature_high", True, "Too warm."))
    journal.append(m.StepRecord(at(HOUR_MS), "drain", done=False, signed_by=""))
    journal.append(m.EventRecord(at(HOUR_MS + 5), "alarm_seen_air_temperature_high", "seen"))
    journal.append(m.EventRecord(at(HOUR_MS + 6), "alert_test", "asked"))
    soon = {cause.name: cause.urgent for cause in causes_of(journal, SETTINGS, START_MS + HOUR_MS)}
    later = {cause.name for cause in causes_of(journal, SETTINGS, START_MS + 8 * HOUR_MS)}

    assert soon == {"trip_leak_wet": True, "air_temperature_high": False}
    assert later == {*soon, SILENT, "step_drain"}
    assert seen_of(journal) == {"air_temperature_high": START_MS + HOUR_MS + 5}
    assert trials_of(journal) == 1
    journal.append(m.PhaseRecord(at(2 * HOUR_MS), m.ENDED, 0))
    assert causes_of(journal, SETTINGS, START_MS + 99 * HOUR_MS) == []
    journal.close()


def asked(state, **wish):
    return requested(state, m.Request(at=state.now, request_id=7, asked_by="MK", **wish), examples.SETTINGS)[1]


def test_seeing_an_alarm_is_a_record_and_changes_nothing_else():
    standing = examples.growing(alarms=(("air_temperature_high", m.AlarmState(0, True, True)),))
    event, answer = (action.record for action in asked(standing, request=m.SEE_ALARM, subject="air_temperature_high"))
    assert (event.event, answer.granted) == ("alarm_seen_air_temperature_high", True)
    assert "MK" in event.words
    (refused,) = asked(standing, request=m.SEE_ALARM, subject="board_silent")
    assert not refused.record.granted
    event, answer = (action.record for action in asked(standing, request=m.TRY_ALERT))
    assert (event.event, answer.granted) == ("alert_test", True)


def test_the_example_of_the_alerts_reads():
    path = example_path("skerry-light.alerts.toml")
    wishes = read_wishes(path)
    assert wishes.is_quiet(time(21, 30))
    assert not wishes.is_quiet(time(6, 30))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "addresses must be a list"),
        ("addresses = []", "addresses must be a list"),
        ('addresses = ["keeper"]', "addresses must be a list"),
        ('addresses = ["json://x"]\nquiet_from = 22:00:00', "belong together"),
        ('addresses = ["json://x"]\nquiet_from = "22"\nquiet_to = 07:00:00', "quiet_from is '22'"),
        ('addresses = ["json://x"]\nrepeat_every_h = 0.2', "from 0.25 to 168 h"),
        ('addresses = ["json://x"]\nrepeat_every_h = 169', "from 0.25 to 168 h"),
        ('addresses = ["json://x"]\nloud = true', "loud is not a key"),
        ("addresses = [", "cannot be read"),
    ],
)
def test_a_file_of_alerts_that_cannot_be_meant_is_told_by_key_and_bound(tmp_path, text, words):
    path = tmp_path / "alerts.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=words):
        read_wishes(path)


def test_a_file_of_alerts_that_is_not_there_is_told_as_any_other_file(tmp_path):
    with pytest.raises(SettingsError) as refused:
        read_wishes(tmp_path / "none.toml")

    assert refused.value.sentences == (f"{tmp_path / 'none.toml'}: there is no such file.",)


class Webhook(BaseHTTPRequestHandler):
    got: list = []  # noqa: RUF012 - one list for the one server of this test

    def do_POST(self):
        Webhook.got.append(json.loads(self.rfile.read(int(self.headers["content-length"]))))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_):
        """Quiet."""


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_message_reaches_a_webhook_and_its_absence_is_noticed():
    pytest.importorskip("apprise")
    server = HTTPServer(("127.0.0.1", 0), Webhook)
    thread = threading.Thread(target=server.handle_request, daemon=True)
    thread.start()
    send = sender((f"json://127.0.0.1:{server.server_port}/told",))
    assert send("Skerry Light", "The leak probe is wet.")
    thread.join(5)
    server.server_close()
    assert (Webhook.got[0]["title"], Webhook.got[0]["message"]) == ("Skerry Light", "The leak probe is wet.")
    assert not send("Skerry Light", "nobody there")
    with pytest.raises(SettingsError, match="not an address"):
        sender(("nonsense://x",))


def test_a_trial_from_the_command_line_says_whether_it_went_out(tmp_path, monkeypatch):
    journal = new_journal(tmp_path, SETTINGS)
    journal.close()
    wishes = tmp_path / "alerts.toml"
    wishes.write_text('addresses = ["json://127.0.0.1:1/told"]')
    monkeypatch.setattr("controller.commands.alerting.open_records", lambda folder: (None, SETTINGS))
    for went_out, code in ((True, Exit.WELL), (False, Exit.REFUSED)):
        monkeypatch.setattr("controller.commands.alerting.sender", lambda addresses, w=went_out: lambda *_: w)
        done = CliRunner().invoke(main, ["alert", str(tmp_path), "--wishes", str(wishes), "--try"])
        assert done.exit_code == code
        assert ("Sent." in done.output) == went_out


def test_messages_are_in_the_language_that_is_wished(tmp_path):
    net = Net()
    wishes = replace(WISHES, language="de", page_address="http://bench:8321/")
    teller = Teller(tmp_path / "alerts.json", wishes, "Skerry Light", net.send)
    silent = Cause(SILENT, "The controller is silent: nothing is recorded and nobody waters.", urgent=True)
    late = Cause("step_drain", "A hands-on step is late: Drain and weigh.")

    teller.look(START_MS, NOON, [LEAK, WARM, silent, late], {}, 0)
    teller.look(START_MS + 6 * HOUR_MS, NOON, [WARM], {}, 1)

    heard = [words.removesuffix("\nhttp://bench:8321/") for words in net.sent]
    assert heard[:4] == [
        "Der Leckfühler ist nass: Wasser ist, wo es nicht sein darf.",
        "Die Luft ist zu warm.",
        "Die Steuerung schweigt: Nichts wird aufgezeichnet, und niemand gießt.",
        "Ein Handgriff ist überfällig: Drain and weigh.",
    ]
    assert heard[4] == "Noch immer: Die Luft ist zu warm."
    assert heard[5] == "Vorbei: Der Leckfühler ist nass: Wasser ist, wo es nicht sein darf."
    assert heard[-1] == "Dies ist eine Probenachricht; alles ist in Ordnung."


def test_a_language_that_is_not_there_is_refused(tmp_path):
    path = tmp_path / "alerts.toml"
    path.write_text('addresses = ["json://x"]\nlanguage = "tlh"\n')

    with pytest.raises(SettingsError, match=r"language is 'tlh'; there are en, de\."):
        read_wishes(path)
