"""A collector among strangers: each of them gets a clear no, and nothing of theirs is kept (hazard: record altered)."""

import gzip
import io
import json
from contextlib import ExitStack

import httpx
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from controller.errors import ParcelError, SettingsError
from controller.parcels import collector, receiving
from controller.parcels.collector import application
from controller.parcels.manifest import MANIFEST, read_manifest
from controller.parcels.stores import FolderStore
from controller.parcels.tokens import Tokens
from tests.parcels import CHAMBER, files_of, sealed_run, served, service


class Visit:
    """A collector, a chamber with three sealed days, and its token."""

    def __init__(self, tmp_path, opened):
        self.opened = opened
        self.folder, self.manifests = sealed_run(tmp_path / "run")
        self.here = tmp_path / "here"
        app, self.tokens = service(self.here)
        self.open(app)
        self.token = self.tokens.issue(CHAMBER)

    def open(self, app):
        """Serve on the loopback, and visit there from now on."""
        address = self.opened.enter_context(served(app))
        self.client = self.opened.enter_context(httpx.Client(base_url=address, timeout=10.0))

    def url(self, manifest, name=MANIFEST, **parts):
        parts = {"chamber": manifest.chamber, "run": manifest.run_id, "day": manifest.day_utc} | parts
        return f"/parcels/{parts['chamber']}/{parts['run']}/{parts['day']}/{name}"

    def put(self, url, content, token=None, **headers):
        headers = {"Authorization": f"Bearer {token or self.token}"} | headers
        return self.client.put(url, content=content, headers=headers)

    def bring_files(self, manifest):
        for file in manifest.files:
            content = (self.folder / manifest.day_utc / file.name).read_bytes()
            assert self.put(self.url(manifest, file.name), content).status_code == 204

    def bring(self, manifest):
        self.bring_files(manifest)
        return self.put(self.url(manifest), manifest.to_bytes())

    def stored(self):
        return files_of(self.here / "store") if (self.here / "store").exists() else {}


@pytest.fixture
def visit(tmp_path):
    with ExitStack() as opened:
        yield Visit(tmp_path, opened)


def forged(manifest, **changes):
    """The manifest with parts of it changed, written as a sealed one is."""
    plain = json.loads(manifest.to_bytes()) | changes
    return (json.dumps(plain, ensure_ascii=False, sort_keys=True, separators=(",", ":")) + "\n").encode()


# -- what is welcome ----


def test_a_parcel_is_new_once_and_known_ever_after(visit):
    first = visit.manifests[0]
    answers = [visit.bring(first) for _ in range(3)]

    assert [answer.status_code for answer in answers] == [201, 200, 200]
    assert {answer.headers["etag"] for answer in answers} == {f'"{first.sha256}"'}
    assert len(visit.stored()) == len(first.files) + 1


def test_what_is_here_is_listed_for_its_own_chamber_only(visit):
    for manifest in visit.manifests:
        visit.bring(manifest)
    other = visit.tokens.issue("northhaven")
    mine, theirs = (
        visit.client.get("/parcels", headers={"Authorization": f"Bearer {token}"}).json()
        for token in (visit.token, other)
    )

    assert [each["day_utc"] for each in mine["parcels"]] == ["2026-03-02", "2026-03-03", "2026-03-04"]
    assert mine["parcels"][0]["rows"]["readings.parquet"] == 24
    assert theirs == {"chamber": "northhaven", "parcels": []}


def test_the_store_is_laid_out_by_plan_chamber_run_and_day(visit):
    visit.bring(visit.manifests[0])
    assert (
        f"plan={'5c' * 8}/chamber=skerry-light/run=20260302T0000Z-skerry/day=2026-03-02/manifest.json" in visit.stored()
    )


def test_a_collector_that_was_killed_in_mid_store_ends_the_parcel_when_it_is_brought_again(visit, monkeypatch):
    first = visit.manifests[0]
    visit.bring_files(first)
    add, added = FolderStore.add, []

    def failing(self, key, content):
        if len(added) == 3:
            raise ParcelError("killed here")
        added.append(key)
        add(self, key, content)

    monkeypatch.setattr(FolderStore, "add", failing)
    assert visit.put(visit.url(first), first.to_bytes()).status_code == 503
    assert not any(path.endswith(MANIFEST) for path in visit.stored())

    monkeypatch.undo()
    assert visit.put(visit.url(first), first.to_bytes()).status_code == 201


def test_a_new_collector_on_an_old_store_knows_its_chain(visit):
    visit.bring(visit.manifests[0])
    app, _ = service(visit.here)
    visit.open(app)

    assert visit.bring(visit.manifests[0]).status_code == 200
    assert visit.bring(visit.manifests[2]).status_code == 409
    assert visit.bring(visit.manifests[1]).status_code == 201


def test_a_list_reads_no_manifest_of_another_chamber(visit, monkeypatch):
    for manifest in visit.manifests:
        visit.bring(manifest)
    other = visit.tokens.issue("northhaven")
    asked = []
    read = FolderStore.read
    monkeypatch.setattr(FolderStore, "read", lambda self, key: asked.append(key) or read(self, key))
    for token in (other, visit.token):
        assert visit.client.get("/parcels", headers={"Authorization": f"Bearer {token}"}).status_code == 200

    assert [key.rsplit("/", 2)[1] for key in asked] == ["day=2026-03-02", "day=2026-03-03", "day=2026-03-04"]


@pytest.mark.parametrize("runs_in_mind", [1, 2])
def test_runs_that_slipped_the_collectors_mind_are_read_again(tmp_path, monkeypatch, runs_in_mind):
    monkeypatch.setattr(receiving, "RUNS_IN_MIND", runs_in_mind)
    folder, manifests = sealed_run(tmp_path / "run")
    here = receiving.Receiving(FolderStore(tmp_path / "store"), tmp_path / "waiting")
    plain = [json.loads(manifest.to_bytes()) for manifest in manifests]
    for day in range(3):
        for run in ("one", "two"):  # by turns, so that each pushes the other out
            before = plain[day - 1]["sha256", run] if day else None
            content = forged(manifests[day], run_id=run, before_sha256=before)
            manifest = read_manifest(content, MANIFEST)
            plain[day]["sha256", run] = manifest.sha256
            name = receiving.Name(manifest.chamber, run, manifest.day_utc, MANIFEST)
            for file in manifest.files:
                path = folder / manifest.day_utc / file.name
                here.take_piece(name._replace(file=file.name), 0, path.read_bytes())
            assert here.take_manifest(name, content) == (manifest, True)
            assert here.take_manifest(name, content) == (manifest, False)

    assert len(here._known) <= runs_in_mind
    assert [(each.run_id, each.day_utc) for each in here.parcels_of(CHAMBER)] == [
        (run, manifest.day_utc) for run in ("one", "two") for manifest in manifests
    ]


# -- who ----


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer wrong", "Basic YTpi", "Bearer ä"])
def test_a_wrong_token_is_refused(visit, header):
    headers = {"Authorization": header.encode("latin-1")} if header else {}
    answer = visit.client.put(visit.url(visit.manifests[0]), content=b"", headers=headers)

    assert answer.status_code == 401
    assert "not known here" in answer.text
    assert answer.headers["www-authenticate"] == "Bearer"


def test_another_chambers_token_is_refused(visit):
    theirs = visit.tokens.issue("northhaven")
    answer = visit.put(visit.url(visit.manifests[0]), b"x", token=theirs)

    assert answer.status_code == 403
    assert answer.text == "This token is of northhaven, not of skerry-light.\n"
    assert (
        visit.client.head(visit.url(visit.manifests[0]), headers={"Authorization": f"Bearer {theirs}"}).status_code
        == 403
    )


def test_a_revoked_token_is_refused_at_once(visit):
    assert visit.bring(visit.manifests[0]).status_code == 201
    assert visit.tokens.revoke(CHAMBER) == 1
    assert visit.put(visit.url(visit.manifests[1]), b"x").status_code == 401


def test_tokens_are_kept_as_digests_in_a_file_for_its_owner_alone(visit):
    path = visit.here / "tokens.json"
    assert visit.token not in path.read_text()
    assert visit.token.split(".")[1] not in path.read_text()
    assert path.stat().st_mode & 0o077 == 0


def test_a_broken_file_of_tokens_is_one_sentence(tmp_path):
    (tmp_path / "tokens.json").write_text("{")
    with pytest.raises(SettingsError, match=r"tokens\.json"):
        Tokens(tmp_path / "tokens.json").issue(CHAMBER)
    with pytest.raises(SettingsError, match="small letters"):
        Tokens(tmp_path / "other.json").issue("../x")


# -- what ----


@pytest.mark.parametrize(
    ("part", "value"),
    [
        ("chamber", ".."), ("chamber", "%2e%2e"), ("chamber", "Skerry"), ("run", "..%2f..%2fetc"), ("run", "a%00b"),
        ("run", "."), ("day", "2026-02-30"), ("day", ".."), ("day", "2026-3-2"), ("day", "20260302"),
    ],
)  # fmt: skip
def test_path_tricks_in_names_are_refused(visit, part, value):
    answer = visit.put(visit.url(visit.manifests[0], **{part: value}), b"x")

    assert answer.status_code in (400, 403, 404)
    assert visit.stored() == {}
    assert files_of(visit.here).keys() == {"tokens.json"}


@pytest.mark.parametrize(
    "name", ["..%2f..%2ftokens.json", "tokens.json", "..", "readings.parquet%00", "a.parquet", "%2e"]
)
def test_only_the_files_of_a_parcel_are_taken(visit, name):
    assert visit.put(visit.url(visit.manifests[0], name), b"x").status_code in (400, 404)
    assert files_of(visit.here).keys() == {"tokens.json"}


def test_a_forged_digest_is_refused(visit):
    first = visit.manifests[0]
    visit.bring_files(first)
    files = json.loads(first.to_bytes())["files"]
    files[0]["sha256"] = "0" * 64
    answer = visit.put(visit.url(first), forged(first, files=files))

    assert answer.status_code == 422
    assert "another digest" in answer.text
    assert visit.stored() == {}


def test_a_forged_count_of_rows_is_refused(visit):
    first = visit.manifests[0]
    visit.bring_files(first)
    files = json.loads(first.to_bytes())["files"]
    files[0]["rows"] += 1
    answer = visit.put(visit.url(first), forged(first, files=files))

    assert (answer.status_code, "rows" in answer.text) == (422, True)


@pytest.mark.parametrize(
    ("key", "value"), [("chamber", "northhaven"), ("run_id", "another"), ("day_utc", "2026-03-09"), ("format", "mine")]
)
def test_a_manifest_of_something_else_is_refused(visit, key, value):
    first = visit.manifests[0]
    visit.bring_files(first)
    answer = visit.put(visit.url(first), forged(first, **{key: value}))

    assert answer.status_code == 422
    assert key in answer.text


def test_a_changed_parcel_of_a_day_that_is_here_is_refused_and_the_old_one_stays(visit):
    first = visit.manifests[0]
    visit.bring(first)
    before = visit.stored()
    answer = visit.put(visit.url(first), forged(first, software_version="9"))

    assert answer.status_code == 409
    assert "another parcel of this day" in answer.text
    assert visit.stored() == before


def test_the_replay_of_an_old_parcel_changes_nothing(visit):
    for manifest in visit.manifests:
        visit.bring(manifest)
    before = visit.stored()

    assert visit.bring(visit.manifests[0]).status_code == 200  # as it was: harmless
    assert visit.stored() == before
    later = forged(visit.manifests[0], day_utc="2026-03-05")  # under a new day: it breaks the chain
    visit.bring_files(visit.manifests[0])
    answer = visit.put(visit.url(visit.manifests[0], day="2026-03-05"), later)
    assert answer.status_code == 409
    assert visit.stored() == before


def test_a_parcel_that_comes_before_its_turn_is_asked_to_wait(visit):
    answer = visit.bring(visit.manifests[1])
    assert answer.status_code == 409
    assert "bring the parcel before it first" in answer.text

    visit.bring(visit.manifests[0])
    assert visit.bring(visit.manifests[1]).status_code == 201


def test_rows_that_were_left_out_between_two_parcels_are_noticed(visit):
    first, second, _ = visit.manifests
    visit.bring(first)
    visit.bring_files(second)
    rows = {table: list(pair) for table, pair in second.rows.items()}
    rows["readings"][0] += 1
    answer = visit.put(visit.url(second), forged(second, rows=rows))
    assert (answer.status_code, "rows of readings begin" in answer.text) == (409, True)


def test_a_manifest_before_its_files_is_told_which_one_is_missing(visit):
    answer = visit.put(visit.url(visit.manifests[0]), visit.manifests[0].to_bytes())
    assert (answer.status_code, "not here yet" in answer.text) == (409, True)


# -- how much ----


def test_a_packed_body_is_refused_unread(visit):
    bomb = gzip.compress(b"\0" * 10_000_000)
    answer = visit.put(visit.url(visit.manifests[0], "readings.parquet"), bomb, **{"Content-Encoding": "gzip"})

    assert answer.status_code == 415
    assert visit.stored() == {}


def bomb(rows):
    sink = io.BytesIO()
    pq.write_table(
        pa.table({"zeros": pa.array([0] * rows, pa.int64())}), sink, use_dictionary=False, compression="zstd"
    )
    return sink.getvalue()


def brought_as_readings(visit, content, rows):
    import hashlib

    first = visit.manifests[0]
    visit.bring_files(first)
    visit.put(visit.url(first, "readings.parquet"), content)
    files = json.loads(first.to_bytes())["files"]
    place = next(n for n, file in enumerate(files) if file["name"] == "readings.parquet")
    files[place] |= {"sha256": hashlib.sha256(content).hexdigest(), "size_bytes": len(content), "rows": rows}
    return visit.put(visit.url(first), forged(first, files=files))


@pytest.mark.parametrize(("over", "status"), [(0, 201), (1, 413)])
def test_a_table_of_too_many_rows_is_refused(visit, monkeypatch, over, status):
    monkeypatch.setattr(receiving, "ROWS_MAX", 5000)
    assert brought_as_readings(visit, bomb(5000 + over), 5000 + over).status_code == status


def test_a_decompression_bomb_is_refused_by_its_footer(visit, monkeypatch):
    monkeypatch.setattr(receiving, "UNPACKED_MAX_BYTES", 700_000)
    content = bomb(100_000)
    assert len(content) < 10_000
    answer = brought_as_readings(visit, content, 100_000)

    assert (answer.status_code, "too much" in answer.text) == (413, True)
    assert visit.stored() == {}


def test_what_is_no_table_is_refused(visit):
    answer = brought_as_readings(visit, b"PAR1" + b"\xff" * 400 + b"PAR1", 24)
    assert (answer.status_code, "not a Parquet file" in answer.text) == (422, True)


@pytest.mark.parametrize(("more", "status"), [(-1, 204), (0, 204), (1, 413)])
def test_a_file_has_a_bound(visit, monkeypatch, more, status):
    monkeypatch.setattr("controller.parcels.collector.PIECE_MAX_BYTES", 1000)
    monkeypatch.setattr(receiving, "PIECE_MAX_BYTES", 1000)
    assert visit.put(visit.url(visit.manifests[0], "plan.toml"), b"a" * (1000 + more)).status_code == status

    def in_pieces():
        yield b"a" * 999
        yield b"a" * (1 + more)

    assert visit.put(visit.url(visit.manifests[0], "plan.toml"), in_pieces()).status_code == status


def test_what_waits_without_a_manifest_has_a_bound(visit, monkeypatch):
    monkeypatch.setattr(receiving, "WAITING_MAX_BYTES", 2500)
    statuses = [
        visit.put(visit.url(visit.manifests[0], "plan.toml", day=f"2026-03-0{day}"), b"a" * 1000).status_code
        for day in (1, 2, 3)
    ]
    assert statuses == [204, 204, 413]


def test_too_many_requests_are_told_to_wait(tmp_path, monkeypatch):
    monkeypatch.setattr(collector, "REQUESTS_AT_ONCE", 5.0)
    tokens = Tokens(tmp_path / "tokens.json")
    headers = {"Authorization": f"Bearer {tokens.issue(CHAMBER)}"}
    now_s = [0.0]
    app = application(FolderStore(tmp_path / "s"), tmp_path / "w", tokens, clock=lambda: now_s[0])
    with served(app) as address, httpx.Client(base_url=address, headers=headers) as client:
        statuses = [client.get("/parcels").status_code for _ in range(6)]
        now_s[0] += 1.0
        later = client.get("/parcels").status_code

    assert statuses == [200] * 5 + [429]
    assert later == 200


@pytest.mark.parametrize("offset", ["-1", "1", "x", "9" * 30, "²"])
def test_a_piece_at_a_wrong_offset_is_refused(visit, offset):
    url = visit.url(visit.manifests[0], "plan.toml")
    headers = {"Authorization": f"Bearer {visit.token}", "Upload-Offset": offset.encode("latin-1")}
    assert visit.client.patch(url, content=b"abc", headers=headers).status_code in (400, 409)


def test_a_full_disk_is_said_and_nothing_half_written_counts(visit, monkeypatch):
    first = visit.manifests[0]
    visit.bring_files(first)

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("controller.parcels.stores.os.fsync", full)
    answer = visit.put(visit.url(first), first.to_bytes())
    assert (answer.status_code, "full" in answer.text) == (507, True)
    assert visit.stored() == {}

    monkeypatch.undo()
    assert visit.put(visit.url(first), first.to_bytes()).status_code == 201


def test_what_was_stored_reads_back_as_sealed(visit):
    for manifest in visit.manifests:
        visit.bring(manifest)
    again = [read_manifest(c, "m") for path, c in visit.stored().items() if path.endswith(MANIFEST)]
    assert again == visit.manifests
