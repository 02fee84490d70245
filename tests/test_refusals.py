"""What hostile input once got through, or broke: each is refused in a sentence now."""

import hashlib
import importlib
import json
import math
import re
import time

import click
import pytest
from click.testing import CliRunner
from pydantic import TypeAdapter
from starlette.datastructures import Headers

from controller.acceptance.record import BenchRecord
from controller.alerts.telling import Teller
from controller.alerts.wishes import Wishes, read_wishes
from controller.bench import hygrometer, records
from controller.bench.lamp import Spot, calibrate_lamp
from controller.bench.masses import SEARCHED_CHARACTERS, balance_pattern, mass_g, mass_in_line_g, rows_from_csv
from controller.bench.session_file import given_portions
from controller.chamber.physics import Physics
from controller.chamber.simulated_live import keep_world, recall_world
from controller.cli import COMMANDS, main
from controller.commands.lots import positions_in
from controller.commands.terminal import Exit, FiniteRange, moment_in
from controller.commands.weighing import sizes_in_steps
from controller.control import model as m
from controller.control.step import step
from controller.desk.lots import read_book
from controller.errors import ChamberError, JournalError, SettingsError
from controller.parcels.chain import file_faults
from controller.parcels.manifest import Manifest
from controller.parcels.receiving import Refusal, _judge_table
from controller.parcels.sending import quiet_hours
from controller.settings import example_path, read_chamber
from controller.web.codes import Codes
from controller.web.doors import Doors
from tests import examples
from tests.hostile.files import ATTEMPT, BOOK, CALIBRATION, MANIFEST, RECORD_ID, _table

DEEP = "[" * 5_000


def commands(found=None):
    """Every command, those of groups too."""
    if found is None:
        for where in COMMANDS.values():
            module, name = where.split(":")
            yield from commands(getattr(importlib.import_module(f"controller.commands.{module}"), name))
    elif isinstance(found, click.Group):
        for one in found.commands.values():
            yield from commands(one)
    else:
        yield found


def test_no_option_of_any_command_takes_a_number_that_is_none():
    loose = [
        f"{command.name} {option.name}"
        for command in commands()
        for option in command.params
        if isinstance(option.type, click.types.FloatParamType) and not isinstance(option.type, FiniteRange)
    ]

    assert loose == []


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999"])
def test_a_drained_mass_must_be_a_finite_number(text):
    result = CliRunner().invoke(main, ["sign", "run", "drain", "--by", "LK", "--drained-g", text])

    assert result.exit_code == Exit.USAGE
    assert "finite number" in result.output or "not in the range" in result.output
    with pytest.raises(click.BadParameter, match="nan must be a finite number"):
        FiniteRange().convert("nan", None, None)


@pytest.mark.parametrize("text", ["1_000", "٣", "\uff11"])
def test_a_figure_is_written_in_plain_digits(text):
    with pytest.raises(click.BadParameter, match="not a number as it is written here"):
        FiniteRange().convert(text, None, None)
    with pytest.raises(SettingsError, match="not a number of grams"):
        mass_g(text, "portion 1")


@pytest.mark.parametrize("text", ["0001-01-01T00:00+23:59", "9999-12-31T23:59-23:59", "1970-12-31", "2201-01-01"])
def test_a_moment_beyond_what_clocks_show_is_refused(text):
    with pytest.raises(SettingsError, match="outside the years 1971 to 2200"):
        moment_in(text, "--start")


@pytest.mark.parametrize("text", ["1971-01-01", "2200-12-31T23:59Z"])
def test_the_first_and_the_last_moment_are_taken(text):
    assert moment_in(text, "--start").tzinfo is not None


def test_quiet_hours_have_no_offset():
    with pytest.raises(SettingsError, match="without an offset"):
        quiet_hours("08:00+01:00-15:30+01:00")


@pytest.mark.parametrize(("text", "well"), [("0", False), ("-5", False), ("0.01", True), ("60", True), ("60.1", False),
                                            ("1e308", False), ("nan", False), ("5,,20", False)])  # fmt: skip
def test_a_portion_is_of_a_size_that_the_chamber_allows(text, well):
    if well:
        assert sizes_in_steps(text, examples.CHAMBER)[0] >= 1
    else:
        with pytest.raises(SettingsError, match="--volumes-ml"):
            sizes_in_steps(text, examples.CHAMBER)


@pytest.mark.parametrize("text", ["1,٣", "1_0", "-1", "9" * 5_000])
def test_positions_are_plain_numbers(text):
    with pytest.raises(SettingsError, match="--positions"):
        positions_in(text)


# -- balances and cells ----


def test_a_group_that_takes_no_part_gives_no_mass():
    assert mass_in_line_g("  g", balance_pattern(r"(\d+)?\s*g")) is None


@pytest.mark.parametrize("text", [r"(\d+)+g", r"(a|b)*(c)", r"(x){2,}", r"(a*b*c*d*e*f*)"])
def test_an_expression_that_could_search_for_ever_is_refused(text):
    with pytest.raises(SettingsError, match="could search for ever"):
        balance_pattern(text)


@pytest.mark.parametrize("text", [r"(a*b*c*d*e*)", r"([+*]\)+ \d)", r"(?:ab)?(c)"])
def test_an_expression_with_few_repeats_is_taken(text):
    assert balance_pattern(text).groups == 1


@pytest.mark.parametrize("text", ["(" * 5_000, "(a{99999999999999999999})", "([[a])"])
def test_an_expression_that_cannot_be_read_is_refused(text):
    with pytest.raises(SettingsError, match="is not a regular expression"):
        balance_pattern(text)


def test_a_mass_is_looked_for_in_the_first_part_of_a_line():
    pattern = balance_pattern(r"(\d)g")

    assert mass_in_line_g(" " * (SEARCHED_CHARACTERS - 2) + "7g", pattern) == 7.0
    assert mass_in_line_g(" " * (SEARCHED_CHARACTERS - 1) + "7g", pattern) is None


def test_a_cell_without_end_is_told(tmp_path):
    path = tmp_path / "cells.csv"
    path.write_text("mass_g\n" + "1" * 200_000 + "\n")

    with pytest.raises(SettingsError, match=r"parted by commas|1\.\.\.' is not a number") as told:
        rows_from_csv(path, ("mass_g",))  # the csv module's bound may have been raised by another library
    assert len(str(told.value)) < 400


@pytest.mark.parametrize(("flux", "well"), [(9_999.0, True), (10_000.0, True), (10_001.0, False), (1e308, False)])
def test_a_photon_flux_beyond_any_lamp_is_a_slip_of_the_pen(flux, well):
    spots = [Spot(position=n, duty_fraction=n / 3, ppfd_umol_m2_s=flux * n / 3) for n in (1, 2, 3)]

    if well:
        assert math.isfinite(calibrate_lamp(spots, 16.0, 1.0)["result"]["ppfd_at_full_duty_umol_m2_s"])
    else:
        with pytest.raises(SettingsError, match="from 0 to 10000"):
            calibrate_lamp(spots, 16.0, 1.0)


@pytest.mark.parametrize(
    ("elapsed_min", "humidity_pct", "words"),
    [
        ([5.0] * 6, [75.0] * 6, "more than once"),
        (list(range(6)), [75.0] * 5 + [100.1], "from 0 to 100"),
    ],
)
def test_readings_over_a_salt_that_cannot_be_are_refused(elapsed_min, humidity_pct, words):
    with pytest.raises(SettingsError, match=words):
        hygrometer.check_humidity("NaCl", 20.0, elapsed_min, humidity_pct, 2.0)


def test_pairs_of_temperatures_that_cannot_be_are_refused():
    with pytest.raises(SettingsError, match="reference_c is 200"):
        hygrometer.check_temperature([20.0] * 6, [20.0] * 5 + [200.0], 0.1, 0.3)


def test_thousands_of_digits_are_refused_at_once():
    began_s = time.process_time()
    with pytest.raises(SettingsError, match="not a number of grams"):
        mass_g("9" * 200_000 + "x", "portion 1")

    assert time.process_time() - began_s < 0.5


# -- books, records, memories ----


@pytest.mark.parametrize(
    "changes",
    [
        {"lot": ["SL-1"]}, {"lot": "a\\1"}, {"parents": [["SL-1"]]}, {"parents": "SL-1"}, {"positions": [1.5]},
        {"seeds": "many"}, {"seeds": -1}, {"seeds": 10**400}, {"seeds": 10**9 + 1},
        {"mass_g": math.nan}, {"more": 1}, {"lot": "SL-1"}, {"parents": ["SL-2"]},
    ],
)  # fmt: skip
def test_a_line_of_the_book_that_cannot_be_is_told(tmp_path, changes):
    path = tmp_path / "lots.jsonl"
    path.write_text("".join(json.dumps(each) + "\n" for each in (BOOK[0], {**BOOK[1], **changes})))

    with pytest.raises(SettingsError, match="line 2"):
        read_book(path)


@pytest.mark.parametrize("text", [DEEP, '{"record": ["lot"]}', '{"record": "lot"}', "9" * 5_000])
def test_a_line_that_is_no_entry_is_told(tmp_path, text):
    path = tmp_path / "lots.jsonl"
    path.write_text(text)

    with pytest.raises(SettingsError, match="line 1 is no entry"):
        read_book(path)


@pytest.mark.parametrize("text", [f"a = {DEEP}", f"repeat_every_h = {'9' * 5_000}"])
def test_a_file_of_alerts_too_large_to_read_is_told(tmp_path, text):
    path = tmp_path / "alerts.toml"
    path.write_text(text)

    with pytest.raises(SettingsError, match=re.escape(str(path))):
        read_wishes(path)


@pytest.mark.parametrize(
    "changes",
    [
        {"kind": "lamp"}, {"id": "pump-20260301T100001Z"}, {"at_utc": "yesterday"}, {"at_utc": "2026-03-01"},
        {"settings": {}}, {"settings": {"a(": 1.0}}, {"settings": {"ml_per_step": math.nan}}, {"settings": [1]},
        {"result": {}}, {"accepted": "yes"}, {"refused_because": "no"}, {"tubing_lot": None}, {"by": None},
    ],
)  # fmt: skip
def test_a_calibration_that_is_not_as_it_is_written_is_refused(tmp_path, changes):
    record = {**CALIBRATION, "data_sha256": records.digest_of(CALIBRATION["data"])}
    (tmp_path / f"{RECORD_ID}.json").write_text(json.dumps(record))
    assert records.read(tmp_path, RECORD_ID)["accepted"]

    (tmp_path / f"{RECORD_ID}.json").write_text(json.dumps({**record, **changes}))
    with pytest.raises(SettingsError, match="not a calibration record as it is written"):
        records.read(tmp_path, RECORD_ID)


@pytest.mark.parametrize("line", ["5", "{}", '{"what": "given", "dose_id": 1}', DEEP,
                                  '{"what": "given", "dose_id": "1", "steps": 5}',
                                  '{"what": "given", "dose_id": 1, "steps": 0}'])  # fmt: skip
def test_portions_that_cannot_be_are_told(tmp_path, line):
    (tmp_path / "bench.jsonl").write_text(line)

    with pytest.raises(SettingsError, match="no portions of a session"):
        given_portions(tmp_path)


@pytest.mark.parametrize("line", [DEEP, "5", json.dumps({**ATTEMPT, "test": ["look"], "line_before_sha256": ""}),
                                  json.dumps({"line_before_sha256": ""})])  # fmt: skip
def test_a_line_of_the_bench_record_that_was_never_written_is_told(tmp_path, line):
    (tmp_path / "a.chamber.toml").write_text("")
    (tmp_path / "a.bench").write_text(line + "\n")

    with pytest.raises(SettingsError, match="line 1 is not what was written"):
        BenchRecord(tmp_path / "a.chamber.toml").last()


def test_a_file_of_codes_too_deep_to_read_is_told(tmp_path):
    (tmp_path / "codes.json").write_text(DEEP)

    with pytest.raises(SettingsError, match="cannot be read"):
        Codes(tmp_path / "codes.json").roles_set()


def test_a_digest_that_is_none_fits_no_code(tmp_path):
    (tmp_path / "codes.json").write_text('{"operator": "$argon2id$v=19$m=8,t=1,p=1$AA$AA"}')

    assert not Codes(tmp_path / "codes.json").fits("operator", "a long code")


@pytest.mark.parametrize(
    "text", [DEEP, '{"told": {"a": {"since_ms": "x"}}}', '{"waiting": [["a"]]}', '{"trials": "1"}']
)
def test_a_memory_of_alerts_that_cannot_be_is_told(tmp_path, text):
    (tmp_path / "memory.json").write_text(text)

    with pytest.raises(JournalError, match="cannot be read"):
        Teller(tmp_path / "memory.json", Wishes(("json://x",)), "here", lambda title, words: True)


@pytest.mark.parametrize("text", [DEEP, "[]", "{}", '{"pulses": NaN}', ""])
def test_a_simulated_world_that_cannot_be_is_told(tmp_path, text):
    physics = Physics(examples.SETTINGS, 1)
    keep_world(tmp_path / "world.json", physics, 7)
    assert recall_world(tmp_path / "world.json", physics) == 7

    (tmp_path / "world.json").write_text(text)
    with pytest.raises(ChamberError, match="begin it anew"):
        recall_world(tmp_path / "world.json", physics)


# -- the page and the requests ----


@pytest.mark.parametrize("length", ["\xb2", "9" * 5_000])
def test_a_length_that_is_no_number_of_bytes_is_too_much(length):
    headers = Headers({"host": "localhost", "origin": "http://localhost", "content-length": length})

    refusal = Doors(None)._refusal({"type": "http", "method": "POST", "path": "/steps"}, headers)

    assert refusal is not None
    assert refusal.status_code == 413


def answer_to(state, **wish):
    request = m.Request(at=state.now, request_id=1, asked_by="LK", **wish)
    _, actions = step(state, m.RequestMade(state.now, request), examples.SETTINGS)
    (answer,) = [a.record for a in actions if isinstance(a, m.Append) and isinstance(a.record, m.RequestAnswered)]
    return answer


@pytest.mark.parametrize(
    ("seen", "granted"),
    [
        ({"height_mm": 3_000.0}, True), ({"height_mm": 3_000.1}, False), ({"height_mm": math.inf}, False),
        ({"height_mm": -0.1}, False), ({"leaves": 500}, True), ({"leaves": 501}, False), ({"leaves": -1}, False),
        ({"growth_stage_bbch": 99}, True), ({"growth_stage_bbch": 100}, False), ({"height_mm": math.nan}, False),
    ],
)  # fmt: skip
def test_what_no_plant_can_be_is_not_written_down(seen, granted):
    assert answer_to(examples.growing(), request=m.OBSERVE, position=1, **seen).granted == granted


@pytest.mark.parametrize("subject", ["9" * 5_000, "1" * 10, "٣", "²", "0", "1_0"])
def test_a_portion_of_steps_that_are_no_number_is_refused(subject):
    answer = answer_to(examples.growing(phase=m.CALIBRATING), request=m.GIVE_PORTION, subject=subject)

    assert not answer.granted
    assert answer.words.startswith("A portion is a whole number of steps")


# -- parcels ----


def test_a_table_whose_words_are_no_text_is_no_table(tmp_path):
    column = b"\x18\x01b%"  # the name of a column, as Thrift's compact protocol writes it in the schema
    assert _table().count(column) == 1
    path = tmp_path / "readings.parquet"
    path.write_bytes(_table().replace(column, b"\x18\x01\xe2%"))

    with pytest.raises(Refusal, match="not a Parquet file") as refusal:
        _judge_table(path, 3)
    assert refusal.value.status == 422


def test_a_table_that_is_none_is_a_fault_of_its_parcel_and_not_of_the_verifier(tmp_path):
    (tmp_path / "readings.parquet").write_bytes(b"rubbish")
    digest = hashlib.sha256(b"rubbish").hexdigest()
    named = {"name": "readings.parquet", "sha256": digest, "size_bytes": 7, "rows": 5, "columns": None}
    manifest = TypeAdapter(Manifest).validate_json(json.dumps({**MANIFEST, "files": [named]}))

    assert [fault.partition(": ")[2] for fault in file_faults(manifest, tmp_path)] == [
        "is not a Parquet file, the manifest says 5 rows."
    ]


@pytest.mark.parametrize(("ml_per_step", "well"), [("1e-320", False), ("9e-7", False), ("1e-6", True), ("2e-6", True)])
def test_a_step_of_next_to_nothing_is_refused_and_not_divided_by(tmp_path, ml_per_step, well):
    path = tmp_path / "a.chamber.toml"
    text = example_path("skerry-light.chamber.toml").read_text()
    assert text.count("ml_per_step = 0.005\n") == 1
    path.write_text(text.replace("ml_per_step = 0.005\n", f"ml_per_step = {ml_per_step}\n"))

    with pytest.raises(SettingsError) as refused:
        read_chamber(path)
    about = [each for each in refused.value.sentences if "pump.ml_per_step is" in each]
    assert (about == []) == well  # what remains is that the board turns no such number of steps
