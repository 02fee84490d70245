"""Codes, sessions and the commands that serve the page."""

import json

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.commands.serving import CODES as CODES_FILE
from controller.commands.terminal import Exit
from controller.errors import SettingsError
from controller.web.codes import CODE_CHARACTERS_MIN, FREE_TRIES, ROLES, WRONG_BY_ALL_MAX, Codes, Gatekeeper
from controller.web.sessions import IDLE_S, LONGEST_S, Sessions
from tests.page_server import CODES
from tests.schools import client_of, mark_of, signed_in


def keeper_of(tmp_path, seconds):
    codes = Codes(tmp_path / "codes.json")
    codes.fits = lambda role, code: code == f"{role}'s own"
    return Gatekeeper(codes, lambda: seconds[0])


def test_wrong_codes_from_many_addresses_make_everybody_wait_from_whom_no_right_code_came(tmp_path):
    seconds = [0.0]
    keeper = keeper_of(tmp_path, seconds)
    assert keeper.admits("192.0.2.1", "operator", "operator's own")
    for number in range(WRONG_BY_ALL_MAX - 1):
        assert not keeper.admits(f"198.51.100.{number}", "operator", "wrong")
    assert keeper.admits("192.0.2.2", "operator", "operator's own")
    assert not keeper.admits("203.0.113.1", "operator", "wrong")

    assert not keeper.admits("192.0.2.3", "operator", "operator's own")  # a stranger so far
    assert not keeper.admits("192.0.2.1", "technician", "technician's own")  # known for another role only
    assert keeper.admits("192.0.2.1", "operator", "operator's own")
    seconds[0] = 3_599.9
    assert not keeper.admits("192.0.2.3", "operator", "operator's own")
    seconds[0] = 3_600.0
    assert keeper.admits("192.0.2.3", "operator", "operator's own")


def test_a_known_address_waits_after_its_own_wrong_codes_all_the_same(tmp_path):
    seconds = [0.0]
    keeper = keeper_of(tmp_path, seconds)
    assert keeper.admits("192.0.2.1", "operator", "operator's own")
    for _ in range(FREE_TRIES):
        assert keeper.wait_s("192.0.2.1", "operator") == 0.0
        assert not keeper.admits("192.0.2.1", "operator", "wrong")
    assert keeper.wait_s("192.0.2.1", "operator") == 30.0
    assert not keeper.admits("192.0.2.1", "operator", "operator's own")


def test_the_code_of_one_role_wins_no_more_tries_at_that_of_another(tmp_path):
    seconds = [0.0]
    keeper = keeper_of(tmp_path, seconds)
    for _ in range(FREE_TRIES):
        assert not keeper.admits("192.0.2.1", "operator", "wrong")
        assert keeper.admits("192.0.2.1", "pupil", "pupil's own")

    assert not keeper.admits("192.0.2.1", "operator", "operator's own")
    assert keeper.wait_s("192.0.2.1", "operator") == 30.0


def test_codes_are_kept_as_argon2id_digests_that_only_the_owner_reads(tmp_path):
    codes = Codes(tmp_path / "codes.json")
    codes.set("operator", "lamp-room-stairs")
    kept = json.loads((tmp_path / "codes.json").read_text())

    assert kept["operator"].startswith("$argon2id$v=19$m=65536,t=3,p=4$")  # RFC 9106, section 4, second choice
    assert "lamp-room" not in (tmp_path / "codes.json").read_text()
    assert (tmp_path / "codes.json").stat().st_mode & 0o777 == 0o600
    assert codes.fits("operator", "lamp-room-stairs")
    assert not codes.fits("operator", "lamp-room-stairs ")
    assert not codes.fits("technician", "lamp-room-stairs")
    assert not codes.fits("technician", "nobody's code")


def test_a_code_has_a_least_length_and_a_known_role(tmp_path):
    codes = Codes(tmp_path / "codes.json")
    codes.set("pupil", "x" * CODE_CHARACTERS_MIN)
    with pytest.raises(SettingsError, match="it must have from 8 to 200"):
        codes.set("pupil", "x" * (CODE_CHARACTERS_MIN - 1))
    with pytest.raises(SettingsError, match="king is not a role"):
        codes.set("king", "x" * 20)


def test_the_cookie_is_kept_from_scripts_and_other_sites(school):
    client = client_of(school, follow_redirects=False)
    form = {"role": "operator", "initials": "MK", "code": CODES["operator"]}
    cookie = client.post("/sign-in", data=form).headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "secure" not in cookie
    school.secure = True
    assert "; secure" in client.post("/sign-in", data=form).headers["set-cookie"].lower()


def test_a_session_ends_by_itself_and_by_signing_out(school):
    seconds = [0.0]
    sessions = Sessions(lambda: seconds[0])
    name = sessions.begin("operator", "MK")
    seconds[0] = IDLE_S
    assert sessions.find(name) is not None
    seconds[0] = 2 * IDLE_S + 1
    assert sessions.find(name) is None
    name = sessions.begin("operator", "MK")
    while sessions.find(name):
        seconds[0] += IDLE_S
    assert seconds[0] > LONGEST_S
    client = signed_in(school)
    client.post("/sign-out", data={"form_mark": "forged"})
    assert "MK" in client.get("/").text
    client.post("/sign-out", data={"form_mark": mark_of(client)})
    assert "Sign in" in client.get("/").text


# -- commands ----


def test_a_code_is_set_on_the_command_line_and_counts_at_once(tmp_path):
    done = CliRunner().invoke(main, ["code", str(tmp_path), "operator"], input="lamp-room-stairs\nlamp-room-stairs\n")
    assert done.exit_code == Exit.WELL
    assert "lamp-room" not in done.output
    assert Codes(tmp_path / CODES_FILE).fits("operator", "lamp-room-stairs")


@pytest.mark.parametrize(
    ("folder", "role", "typed", "words"),
    [
        ("", "operator", "short", "from 8 to 200"),
        ("", "king", "lamp-room", "not a role"),
        ("nowhere", "pupil", "lamp-room", "no such"),
    ],
)
def test_a_code_that_cannot_be_is_refused_in_one_sentence(tmp_path, folder, role, typed, words):
    done = CliRunner().invoke(main, ["code", str(tmp_path / folder), role], input=f"{typed}\n{typed}\n")
    assert done.exit_code in (Exit.SETTINGS, Exit.JOURNAL)
    assert words in done.output.replace("\n", " ")
    assert ("Code:" in done.output) == (role in ROLES and folder == "")  # nobody is asked for what cannot be kept
    assert not (tmp_path / CODES_FILE).exists()


def test_serving_a_folder_without_a_run_says_so(tmp_path):
    done = CliRunner().invoke(main, ["serve", str(tmp_path)])
    assert done.exit_code == Exit.JOURNAL
    assert "there is no run here" in done.output.replace("\n", " ")


def test_without_its_libraries_the_page_says_which_extra_to_install(tmp_path, monkeypatch):
    monkeypatch.setattr("controller.commands.serving.NEEDED", ("starlette", "a_library_that_is_not_there"))
    done = CliRunner().invoke(main, ["serve", str(tmp_path)])
    assert done.exit_code == 1
    assert "wardian[page]; missing: a_library_that_is_not_there" in done.output
