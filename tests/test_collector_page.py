"""The collector's service file and its page: judged by nginx itself, and every command is typed."""

import re
import shlex
import subprocess
from pathlib import Path

import pytest
from click import Context

from controller.cli import main
from tests.test_parcel_peers import NGINX, write_certificate

HARDWARE = Path(__file__).parent.parent / "hardware"
UNIT = (HARDWARE / "wardian-collector.service").read_text()
PAGE = (HARDWARE / "COLLECTOR.md").read_text()


def indented(page):
    """The lines of a page that are to be typed or copied."""
    return re.findall(r"^    (.*)$", page, re.MULTILINE)


@pytest.mark.skipif(NGINX is None, reason="nginx is not installed (Debian: nginx-light)")
def test_nginx_takes_the_servers_lines_as_the_page_has_them(tmp_path):
    write_certificate(tmp_path)
    lines = indented(PAGE)
    begin = lines.index("server {")
    server = "\n".join(lines[begin : lines.index("}", begin) + 1])
    for ending in ("pem", "key"):
        server = server.replace(f"/etc/ssl/records.{ending}", str(tmp_path / f"here.{ending}"))
    temporary = " ".join(
        f"{kind}_temp_path {tmp_path}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    conf = f"pid {tmp_path}/pid; error_log stderr; events {{}} http {{ access_log off; {temporary}\n{server}\n}}"
    (tmp_path / "nginx.conf").write_text(conf)
    done = subprocess.run([NGINX, "-t", "-c", str(tmp_path / "nginx.conf")], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr
    port = re.search(r"--port (\d+)", UNIT)[1]
    assert f"proxy_pass http://127.0.0.1:{port};" in server


def test_every_command_of_page_and_unit_is_one_that_the_program_takes():
    typed = [line for line in (*indented(PAGE), *UNIT.splitlines()) if "wardian " in line and "systemctl" not in line]
    commands = [shlex.split(line.split("wardian ", 1)[1]) for line in typed if re.search(r"wardian (\w+) ", line)]
    asked = [words for words in commands if words[0] in main.list_commands(Context(main))]

    assert {words[0] for words in asked} == {"collect", "send"}
    for words in asked:
        command = main.get_command(Context(main), words[0])
        options = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= options
