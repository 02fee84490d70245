"""A newcomer's reading: every command of the pages is typed, or it stands here why it is not typed here."""

import importlib.util
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click
import pytest

from controller.cli import main
from controller.commands.terminal import Exit
from tests.test_install import HARDWARE, INSTALL, ROOT, shell

HARDWARE_PAGES = ("INSTALL.md", "BENCH.md", "WIRING.md", "PARTS.md", "COLLECTOR.md", "HAZARDS.md")
PAGES = {name: (HARDWARE / name).read_text() for name in HARDWARE_PAGES}
README, DEVELOPERS = ((ROOT / name).read_text() for name in ("README.md", "DEVELOPERS.md"))
SAYS_ITS_PLACE_S = 30.0

# what is typed: the lines of the hardware pages after "$", the README's indented lines, the commands of DEVELOPERS.md
TYPED = [line for text in PAGES.values() for line in re.findall(r"^    \$ (.*?)(?: {2,}#.*)?$", text, re.MULTILINE)]
SHOWN = [re.split(r" {2,}", line)[0] for line in re.findall(r"^    ((?:wardian|python3) .*)$", README, re.MULTILINE)]
MODULES = sorted(set(re.findall(r"python -m ([\w.]+)", "".join([DEVELOPERS, README, *PAGES.values()]))))
INSIDE = re.compile(r"`(?:sudo )?(?:-u wardian )?(wardian [a-z][^`\n]*)`")

IN_DEBIAN = "typed in a clean Debian by test_install_in_debian.py"
NOT_HERE = {
    # hardware pages
    "udevadm info --query=property /dev/ttyACM0 | grep ID_SERIAL_SHORT": "a board on a plug",
    "sudo wardian check --chamber /etc/wardian/chamber.toml --bench --by LK --out /var/lib/wardian/bench": "a chamber",
    "sudo -u wardian env LG_WD=/tmp wardian run config/bench.plan.toml --chamber /etc/wardian/chamber.toml "
    "--out /var/lib/wardian/bench/bench-delivery": "a chamber",
    "sudo wardian calibrate pump --chamber /etc/wardian/chamber.toml --by LK --water-c 20 --pressure-kpa 101.3 "
    "--runs /var/lib/wardian": "a chamber and a balance",
    "sudo systemctl enable --now wardian-run wardian-serve": "a service manager; test_install_in_debian.py has one",
    "systemctl status wardian-run wardian-serve": IN_DEBIAN,
    "journalctl --unit wardian-run --since today": IN_DEBIAN,
    "apt-get install -y --no-install-recommends python3-venv nginx-light": IN_DEBIAN,
    "useradd --system --create-home --home-dir /var/lib/wardian-collector wardian-collector": IN_DEBIAN,
    "python3 -m venv /opt/wardian-collector": IN_DEBIAN,
    "/opt/wardian-collector/bin/pip install --quiet '.[collector]'": IN_DEBIAN,
    "cp hardware/wardian-collector.service /etc/systemd/system/": IN_DEBIAN,
    "systemctl enable --now wardian-collector": IN_DEBIAN,
    "runuser -u wardian-collector -- /opt/wardian-collector/bin/wardian collect /var/lib/wardian-collector/store "
    "--new-token northhaven": IN_DEBIAN,
    "install -m 600 /dev/stdin ~/token": "a person pastes",
    "wardian send RUN --to https://records.example.org --token-file ~/token": "a collector with a name and a "
    "certificate; test_parcel_peers.py has one behind a real web server",
    'curl -H "Authorization: Bearer $TOKEN" -T readings.parquet \\': "likewise",
    # README
    "python3 -m venv .venv && .venv/bin/pip install -q '.[report]' && .venv/bin/wardian rehearse": "an installation "
    "from the registry; .ci/run does it",
    "python3 -m venv .venv && .venv/bin/pip install -q -r tests/requirements.lock && .venv/bin/pip install -q "
    "--no-deps -e . && .venv/bin/python -m pytest -n 2": "likewise",
    "wardian calibrate portions --chamber ... --by LK": "until it is ended; see test_page_bench.py",
    "wardian check --chamber my.chamber.toml --bench --by LK": "hands at a chamber; see test_acceptance.py",
    "wardian calibrate pump --chamber my.chamber.toml --by LK --water-c 20 --pressure-kpa 101.3": "a pump and a "
    "balance; test_calibrate_command.py types it over a simulated chamber",
    "wardian calibrate check --chamber ... --by LK --water-c 20 --pressure-kpa 101.3": "likewise",
    "wardian send RUN --to https://here --token-file token": "a collector; test_sending.py has one",
    "wardian serve RUN --listen 0.0.0.0": "a door to the network; the line above it is typed",
    "wardian alert RUN --wishes my.alerts.toml": "messages that leave the computer; test_alerts.py",
}
MEASURES = "measures for minutes, or is a campaign: typed by hand, its figures stand in the pages"
MODULES_NOT_HERE = {
    "pytest": "this very run",
    "hardware.write_bench": "test_acceptance.py holds the page against it",
    **{name: MEASURES for name in MODULES if name.startswith(("tests.benchmarks.", "tests.campaigns"))},
}
NO_CHAMBER_HERE = {Exit.CHAMBER, Exit.FOUND_WANTING}
MAY_END_WITH = {  # other than well
    "wardian run my.plan.toml --chamber my.chamber.toml": {Exit.CHAMBER},
    "wardian check --chamber my.chamber.toml": NO_CHAMBER_HERE,
    "wardian check --chamber config/skerry-light.chamber.toml": NO_CHAMBER_HERE,
    "wardian sign RUN drain-and-weigh --by LK --drained-g 31.5": {Exit.REFUSED},  # not due: the controller says no
    "wardian observe RUN 3 --by LK --emerged --height-mm 12": {Exit.WELL, Exit.REFUSED},
    "wardian clear RUN leak_wet --by LK": {Exit.REFUSED},  # no such trip
}
SAYS_NOTHING = {"wardian table STORE --by hour --out all.csv"}  # when all is well
GOES_ON = (
    "wardian run ... --simulated",
    "wardian serve RUN",
    "wardian serve RUN --chamber my.chamber.toml",
)  # until it is told to stop
ASKS_THE_CONTROLLER = ("wardian sign", "wardian observe", "wardian clear")
PROBE = "counts,water_content_fraction\n3000,0.021\n2500,0.135\n2000,0.24\n1500,0.352\n1200,0.42\n"


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as held:
        return held.getsockname()[1]


class Desk:
    """A folder in which the README is read, with the files it speaks of."""

    def __init__(self, folder):
        self.folder = folder
        for name in ("plan", "chamber", "alerts"):
            shutil.copy(ROOT / f"config/skerry-light.{name}.toml", folder / f"my.{name}.toml")
        (folder / "probe.csv").write_text(PROBE)
        (folder / "stick").mkdir()
        self.calibration = ""

    def spelt(self, line):
        """The line with the words that stand for something put in, and rehearsals cut short."""
        if line == "wardian rehearse":
            line += " --days 1 --out RUN"
        elif line.startswith("wardian rehearse my.plan.toml"):
            line += " --days 1 --seed 2 --out RUN2"
        elif line.startswith("wardian rehearse"):
            line += " --days 3.2 --out with-trouble"
        elif line.startswith("wardian run ..."):
            line = line.replace("...", "my.plan.toml --chamber my.chamber.toml") + " --out LIVE"
        elif line.startswith(ASKS_THE_CONTROLLER):
            line = line.replace("RUN", "LIVE")
        elif line.startswith("wardian serve"):
            line += f" --port {free_port()}"
        elif line.startswith("wardian code"):
            line = f"printf 'seven-gulls\\nseven-gulls\\n' | {line}"
        elif line.startswith("wardian calibrate show") or line.startswith("wardian calibrate use"):
            line = line.replace("ID", self.calibration)
        line = line.replace("RUN RUN", "RUN RUN2").replace("verify DIR", "verify RUN/parcels")
        line = line.replace("table STORE", "table stick").replace("/media/stick", str(self.folder / "stick"))
        return line.replace("--chamber ...", "--chamber my.chamber.toml")

    def type(self, line):
        done = shell(self.spelt(line), self.folder, folder=self.folder)
        if kept := re.search(r"^Kept as (\S+)\.$", done.stdout, re.MULTILINE):
            self.calibration = kept.group(1)
        return done

    def start(self, line):
        """Start what goes on by itself; answers when it has said something."""
        words = shlex.split(self.spelt(line))
        told = (self.folder / f"{words[1]}.told").open("w+")
        command = [str(Path(sys.executable).with_name(words[0])), *words[1:]]
        process = subprocess.Popen(command, cwd=self.folder, stdout=told, stderr=subprocess.STDOUT)
        until_s = time.monotonic() + SAYS_ITS_PLACE_S
        place = {"run": "records in", "serve": "http://"}[words[1]]
        while place not in Path(told.name).read_text() and process.poll() is None and time.monotonic() < until_s:
            time.sleep(0.05)
        return process, Path(told.name)


# lines that need nothing of what the others leave, so that both cores are used
BY_THEMSELVES = ("wardian rehearse --fault", "wardian plan", "wardian check", "wardian calibrate")


@pytest.fixture(scope="module")
def read_through(tmp_path_factory):
    """The README typed from top to bottom: line -> how it ended and what it said."""
    desk, ended, running = Desk(tmp_path_factory.mktemp("desk")), {}, {}
    lines = [each for each in SHOWN if each not in NOT_HERE]

    def type_all(chosen):
        for line in chosen:
            if line in GOES_ON:
                running[line] = desk.start(line)
            else:
                done = desk.type(line)
                ended[line] = done.returncode, done.stdout + done.stderr

    try:
        with ThreadPoolExecutor(2) as hands:
            aside = hands.submit(type_all, [each for each in lines if each.startswith(BY_THEMSELVES)])
            hands.submit(type_all, [each for each in lines if not each.startswith(BY_THEMSELVES)]).result()
            aside.result()
    finally:
        for line, (process, told) in running.items():
            alive = process.poll() is None
            process.send_signal(signal.SIGINT)
            ended[line] = process.wait(30) if alive else -1, told.read_text()
    return ended


def test_each_reason_belongs_to_a_command_that_is_there():
    assert set(NOT_HERE) <= {*TYPED, *SHOWN}
    assert set(MODULES_NOT_HERE) <= set(MODULES)
    assert {*GOES_ON, *MAY_END_WITH} <= {*TYPED, *SHOWN}
    assert len(TYPED) > 20
    assert len(SHOWN) > 35


@pytest.mark.parametrize("line", [each for each in SHOWN if each not in NOT_HERE])
def test_a_line_of_the_readme_does_what_it_says(read_through, line):
    code, said = read_through[line]

    assert code in MAY_END_WITH.get(line, {Exit.WELL}), said
    assert said.strip() or line in SAYS_NOTHING
    assert "Traceback" not in said


@pytest.fixture(scope="module")
def a_run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages") / "run"
    done = shell(f"wardian rehearse --days 0.5 --out {folder}", folder.parent)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize("command", sorted(set(TYPED) - set(NOT_HERE)))
def test_a_command_of_the_hardware_pages_does_what_it_says(command, a_run, tmp_path):
    typed = command.removeprefix("sudo ").removeprefix("-u wardian ")
    if command.startswith("sudo hardware/install/install.sh"):
        typed += " --dry-run"
    typed = typed.replace("/var/lib/wardian/run", str(a_run)).replace("/media/stick", str(tmp_path / "stick"))

    done = shell(typed, tmp_path)

    assert done.returncode in {Exit.WELL, *MAY_END_WITH.get(command, ())}, done.stdout + done.stderr
    assert done.stdout


@pytest.mark.parametrize("name", [name for name in MODULES if name not in MODULES_NOT_HERE])
def test_a_program_of_the_developers_page_runs(name, tmp_path):
    done = shell(f"python -m {name} {tmp_path if name == 'hardware.drawings.draw' else ''}", tmp_path)

    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", sorted(MODULES_NOT_HERE))
def test_a_program_that_is_not_run_here_is_there(name):
    assert importlib.util.find_spec(name) is not None


def options_of(command):
    inner = command.commands.values() if isinstance(command, click.Group) else ()
    return {"--help"} | {o for p in command.params for o in p.opts} | {o for each in inner for o in options_of(each)}


NAMED = {each for text in [README, DEVELOPERS, *PAGES.values()] for each in INSIDE.findall(text)}
NAMED |= {found[0] for line in NOT_HERE if (found := re.findall(r"\bwardian (?:check|run|send|collect) .*", line))}


@pytest.mark.parametrize("line", sorted(NAMED))
def test_a_command_that_is_only_named_is_spelt_with_options_that_exist(line):
    name = line.split()[1]
    command = main.get_command(click.Context(main), name)
    assert command is not None, name
    assert set(re.findall(r"--[a-z][a-z-]*", line)) <= options_of(command)


@pytest.mark.parametrize("command", sorted(each for each in NOT_HERE if "wardian-" in each))
def test_what_cannot_be_typed_here_names_services_that_are_there(command):
    for name in re.findall(r"\bwardian-(?:run|serve|collector)\b", command):
        assert list(HARDWARE.rglob(f"{name}.service"))


@pytest.mark.parametrize("page", HARDWARE_PAGES)
def test_files_that_a_page_names_exist(page):
    for name in re.findall(r"`((?:hardware|tests|config|firmware_bridge|controller)/[\w./-]+\.\w+)`", PAGES[page]):
        assert (ROOT / name).exists(), name


@pytest.mark.parametrize("page", ["WIRING.md", "PARTS.md", "INSTALL.md", "BENCH.md"])
def test_a_page_where_work_can_hurt_says_so(page):
    text = PAGES[page].lower()

    assert "certified" in text
    assert "mains" in text
    if page != "PARTS.md":
        assert "wiring.md" in text or "local codes" in text


def test_scripts_are_named_in_a_page():
    for path in INSTALL.glob("*.sh"):
        assert f"hardware/install/{path.name}" in PAGES["INSTALL.md"], path.name
