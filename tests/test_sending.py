"""Store and forward: what waits, when it is tried again, and that twice is the same as once (hazard: record lost)."""

from datetime import UTC, datetime, timedelta

import pytest

from controller.errors import ParcelError, SettingsError
from controller.parcels.chain import verify
from controller.parcels.pace import NotDelivered, Pace
from controller.parcels.places import InStore, place_at
from controller.parcels.posting import AtCollector
from controller.parcels.sending import FIRST_WAIT_S, WAIT_MAX_S, is_quiet, quiet_hours, send
from controller.parcels.stores import FolderStore
from controller.records.outbox import Outbox, waiting_beside
from controller.sender import Sender
from tests.parcels import CHAMBER, files_of, sealed_run, served, service

NOW = datetime(2026, 3, 6, 9, 0, tzinfo=UTC)


class Sending:
    """A run with three sealed days and one place to send them to."""

    def __init__(self, tmp_path, address="stick", **terms):
        self.folder, self.manifests = sealed_run(tmp_path / "run")
        self.path = tmp_path / "run/outbox.sqlite"
        self.outbox = Outbox(self.path)
        for manifest in self.manifests:
            self.outbox.note_sealed(manifest.day_utc, manifest.sha256)
        self.terms = {"token_file": "", "limit_kb_per_s": None, "quiet": ""} | terms
        self.outbox.add_place(address, **self.terms)
        self.now = NOW

    def round(self, place=None, **how):
        (address,) = self.outbox.addresses()
        chosen = (lambda _: place) if place else place_at
        how = {"now": lambda: self.now, "chance": lambda: 1.0, "place": chosen} | how
        return send(self.outbox, self.folder, address, **how)


class Refusing:
    """A place that fails so many times, then takes everything."""

    def __init__(self, times, inner, retry_after_s=0.0):
        self.left, self.inner, self.tries, self.retry_after_s = times, inner, 0, retry_after_s

    def deliver(self, manifest, folder, pace):
        self.tries += 1
        if self.left:
            self.left -= 1
            raise NotDelivered("the line broke", self.retry_after_s)
        self.inner.deliver(manifest, folder, pace)


def test_a_stick_gets_every_sealed_day_once_and_verifies(tmp_path):
    stick = tmp_path / "stick"
    stick.mkdir()
    sending = Sending(tmp_path, str(stick))

    assert sending.round().days_delivered == ("2026-03-02", "2026-03-03", "2026-03-04")
    before = files_of(stick)
    assert sending.round().days_delivered == ()
    assert files_of(stick) == before
    assert verify(stick)[0][2:] == (3, "")
    assert not list(stick.rglob(".*"))


def test_sending_again_after_the_outbox_was_lost_changes_nothing(tmp_path):
    sending = Sending(tmp_path)
    place = InStore(FolderStore(tmp_path / "stick"))
    sending.round(place)
    before = files_of(tmp_path / "stick")
    sending.outbox.close()
    sending.path.unlink()
    again = Sending(tmp_path / "again")
    again.folder = sending.folder

    assert len(again.round(place).days_delivered) == 3
    assert files_of(tmp_path / "stick") == before


def test_a_place_that_holds_another_content_keeps_it_and_says_so(tmp_path):
    sending = Sending(tmp_path)
    store = FolderStore(tmp_path / "stick")
    key = str(sending.manifests[0].place / "readings.parquet")
    store.add(key, b"mine")

    assert "another content lies there" in sending.round(InStore(store)).words
    assert store.read(key) == b"mine"


def test_a_stick_that_is_not_plugged_in_is_said_in_plain_words(tmp_path):
    sending = Sending(tmp_path, str(tmp_path / "nowhere"))
    assert "is the stick" in sending.round().words
    assert not (tmp_path / "nowhere").exists()


def test_after_a_failure_the_next_try_waits_longer_each_time_up_to_a_bound(tmp_path):
    sending = Sending(tmp_path)
    place = Refusing(12, InStore(FolderStore(tmp_path / "there")))
    waits_s = []
    for _ in range(12):
        sending.round(place)
        (waiting,) = sending.outbox.waiting()
        waits_s.append(waiting.not_before_utc_ms / 1000 - sending.now.timestamp())
        sending.now += timedelta(seconds=waits_s[-1] - 1)
        tries = place.tries
        sending.round(place)
        assert place.tries == tries, "it did not wait"
        sending.now += timedelta(seconds=1)

    assert waits_s[:3] == [FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S]
    assert waits_s[-1] == WAIT_MAX_S
    assert len(sending.round(place).days_delivered) == 3


def test_chambers_do_not_come_back_in_step(tmp_path):
    waits_s = []
    for chance in (0.0, 0.5):
        sending = Sending(tmp_path / str(chance))
        sending.round(Refusing(1, None), chance=lambda chance=chance: chance)
        waits_s.append(sending.outbox.failures(1)[1] / 1000 - NOW.timestamp())

    assert waits_s == [FIRST_WAIT_S / 2, FIRST_WAIT_S * 0.75]


def test_a_place_that_asks_for_patience_gets_it(tmp_path):
    sending = Sending(tmp_path)
    sending.round(Refusing(1, None, retry_after_s=500))
    assert sending.outbox.failures(1) == (1, round((NOW.timestamp() + 500) * 1000))


def test_a_clock_set_back_by_half_a_year_does_not_silence_sending(tmp_path):
    sending = Sending(tmp_path)
    place = Refusing(1, InStore(FolderStore(tmp_path / "there")))
    sending.round(place)
    sending.now -= timedelta(days=180)

    assert len(sending.round(place).days_delivered) == 3


def test_what_waits_survives_a_power_cut_and_is_shown(tmp_path):
    sending = Sending(tmp_path)
    sending.round(Refusing(1, None))
    (waiting,) = waiting_beside(tmp_path / "run/journal.sqlite")  # another process, and nothing was closed

    assert waiting.days_waiting == ("2026-03-02", "2026-03-03", "2026-03-04")
    assert (waiting.failures, waiting.words) == (1, "the line broke")


def test_an_outbox_that_cannot_be_read_is_one_sentence(tmp_path):
    (tmp_path / "outbox.sqlite").write_bytes(b"this is no database at all, but long enough to look at" * 30)
    with pytest.raises(ParcelError, match=r"outbox\.sqlite"):
        Outbox(tmp_path / "outbox.sqlite")


# -- pace and quiet hours ----


def test_the_line_is_used_no_faster_than_allowed(tmp_path):
    clock = [0.0]
    pace = Pace(10_000.0, clock=lambda: clock[0], pause=lambda s: clock.__setitem__(0, clock[0] + s))
    sending = Sending(tmp_path)
    sending.round(InStore(FolderStore(tmp_path / "there")), pace=pace)
    sent_bytes = sum(len(content) for content in files_of(tmp_path / "there").values())

    assert clock[0] >= (sent_bytes - 20_000) / 10_000
    assert clock[0] <= sent_bytes / 10_000


@pytest.mark.parametrize(
    ("quiet", "local", "is_so"),
    [
        ("08:00-15:30", "07:59:59", False),
        ("08:00-15:30", "08:00", True),
        ("08:00-15:30", "15:29:59", True),
        ("08:00-15:30", "15:30", False),
        ("22:00-06:00", "23:00", True),
        ("22:00-06:00", "05:59", True),
        ("22:00-06:00", "06:00", False),
        ("", "12:00", False),
    ],
)
def test_quiet_hours_are_kept_at_their_edges(quiet, local, is_so):
    at = datetime.fromisoformat(f"2026-03-06T{local}+13:00")  # a zone in its summer time
    assert is_quiet(quiet, at, "Pacific/Auckland") == is_so


@pytest.mark.parametrize("text", ["8-15", "08:00", "25:00-26:00", "a-b", "08:00-12:00-13:00"])
def test_quiet_hours_that_cannot_be_read_are_refused(text):
    with pytest.raises(SettingsError, match="quiet"):
        quiet_hours(text)


def test_nothing_is_sent_in_quiet_hours_and_no_failure_is_counted(tmp_path):
    sending = Sending(tmp_path, quiet="08:00-15:30")
    place = Refusing(0, InStore(FolderStore(tmp_path / "there")))

    assert sending.round(place).words == "quiet hours (08:00-15:30)"
    assert (place.tries, sending.outbox.failures(1)) == (0, (0, 0))


# -- to a collector ----


def test_a_collector_gets_every_day_byte_for_byte_once(tmp_path):
    sending = Sending(tmp_path, "http://there")
    app, tokens = service(tmp_path / "there")
    with served(app) as address:
        place = AtCollector(address, tokens.issue(CHAMBER))
        assert len(sending.round(place).days_delivered) == 3
        before = files_of(tmp_path / "there/store")
        for manifest in sending.manifests:
            place.deliver(manifest, sending.folder / manifest.day_utc, Pace(None))

    assert files_of(tmp_path / "there/store") == before
    assert {path.split("day=")[1]: content for path, content in before.items()} == files_of(sending.folder)
    assert files_of(tmp_path / "there/waiting") == {}


def test_a_broken_upload_goes_on_where_it_broke_off(tmp_path):
    app, tokens = service(tmp_path / "there")
    token = tokens.issue(CHAMBER)
    folder, (manifest, *_) = sealed_run(tmp_path / "run")
    file = next(each for each in manifest.files if each.name == "readings.parquet")
    spent = []

    class Counting(Pace):
        def spend(self, count_bytes):
            spent.append(count_bytes)

    with served(app) as address:
        import httpx

        url = f"{address}/parcels/{CHAMBER}/{manifest.run_id}/{manifest.day_utc}/readings.parquet"
        part = (folder / manifest.day_utc / file.name).read_bytes()[:1000]
        headers = {"Authorization": f"Bearer {token}", "Upload-Offset": "0"}
        assert httpx.patch(url, content=part, headers=headers).status_code == 204
        AtCollector(address, token).deliver(manifest, folder / manifest.day_utc, Counting(None))

    whole = sum(each.size_bytes for each in manifest.files) + len(manifest.to_bytes())
    assert sum(spent) == whole - 1000
    assert verify(tmp_path / "there/store")[0].fault == ""


def test_a_file_that_arrived_spoilt_is_brought_again(tmp_path):
    sending = Sending(tmp_path, "http://there")
    app, tokens = service(tmp_path / "there")
    manifest = sending.manifests[0]
    spoilt = tmp_path / "there/waiting" / CHAMBER / manifest.run_id / manifest.day_utc / "readings.parquet"
    spoilt.parent.mkdir(parents=True)
    spoilt.write_bytes(b"\0" * next(f.size_bytes for f in manifest.files if f.name == "readings.parquet"))
    with served(app) as address:
        place = AtCollector(address, tokens.issue(CHAMBER))
        assert "bring it again" in sending.round(place).words
        assert len(sending.round(place, at_once=True).days_delivered) == 3


def test_no_collector_at_the_address_is_a_failure_in_plain_words(tmp_path):
    sending = Sending(tmp_path, "http://127.0.0.1:9", token_file=str(tmp_path / "token"))
    assert "the token" in sending.round().words
    (tmp_path / "token").write_text("a")
    assert "the line broke" in sending.round(at_once=True).words


def test_a_sender_starts_only_where_a_place_was_named(tmp_path):
    assert not Sender(tmp_path).start()
