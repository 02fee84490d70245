"""Twins out of run folders, archives and parcels: the same report from each, and nothing from what does not verify."""

import json
import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.errors import ParcelError, SettingsError
from controller.parcels.archive import archive
from controller.parcels.sealing import seal
from controller.parcels.stores import FolderStore, add_parcel
from controller.records.journal import Journal
from controller.twins.comparing import compare
from controller.twins.numbers import summary_of
from controller.twins.report import render
from controller.twins.sources import gather, gather_all
from tests.made_runs import HOUR_MS, START_MS, Truth, make_run, settings_of

DAYS = 21


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    """Two twins, each as a run folder, an archive of each reading, one of ten-minute means, and parcels."""
    folder = tmp_path_factory.mktemp("places")
    for number, (name, truth) in enumerate((("first", Truth()), ("cool", Truth(cooler_c=2.0)))):
        settings = settings_of(number, True, DAYS)
        journal = make_run(folder / name, settings, 51 + number, truth, START_MS + number * 5 * HOUR_MS)
        journal.close()
        journal = Journal.open(folder / name / "journal.sqlite")
        archive(journal, settings, folder / f"{name}-archive")
        archive(journal, settings, folder / f"{name}-means", every_s=1800.0)
        for manifest in seal(journal, settings):
            place = folder / name / "parcels" / manifest.day_utc
            add_parcel(FolderStore(folder / "store"), manifest, lambda file, place=place: (place / file).read_bytes())
        journal.close()
    return folder


def told(twins):
    """All numbers of a comparison, but for what says where they came from and cannot travel."""
    summary = summary_of(compare(twins, []))
    for twin in summary["twins"]:
        for name in ("run_id", "source", "not_carried"):
            twin.pop(name)
    return json.loads(json.dumps(summary))


def differing(a, b, near, path=""):
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        return [each for key in a for each in differing(a[key], b[key], near, f"{path}.{key}")]
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        pairs = zip(a, b, strict=True)
        return [each for n, (one, other) in enumerate(pairs) for each in differing(one, other, near, f"{path}[{n}]")]
    number = isinstance(a, int | float) and isinstance(b, int | float)
    return [] if (a == pytest.approx(b, rel=near, abs=near) if number else a == b) else [(path, a, b)]


def test_parcels_give_the_report_of_the_run_folder_number_for_number(places):
    folders = told([gather(places / "first"), gather(places / "cool")])
    parcels = told([gather(places / "first" / "parcels"), gather(places / "cool" / "parcels")])

    assert parcels == folders


def test_an_archive_gives_the_report_of_the_run_folder_within_its_decimals(places):
    folders = told([gather(places / "first"), gather(places / "cool")])
    archives = told([gather(places / "first-archive"), gather(places / "cool-archive")])

    assert differing(archives, folders, near=2e-3) == []


def test_an_archive_of_means_gives_the_same_verdicts(places):
    """The course of half an hour is lost, the days are not; light of a switch is known to a reading (ten minutes)."""
    whole, means = gather(places / "cool"), gather(places / "cool-means")

    assert len(means.days) == len(whole.days)
    assert means.gaps_h == []
    for name, near in (("light_h", 0.03), ("daily_light_integral_mol_m2", 0.1), ("degree_days", 0.05)):
        assert [getattr(day, name) for day in means.days] == pytest.approx(
            [getattr(day, name) for day in whole.days], abs=near
        )
    assert means.water.held_ml == pytest.approx(whole.water.held_ml, abs=0.01)
    assert "means over 30 min" in means.not_carried
    verdicts = [
        [each.verdict for each in compare([gather(places / a), gather(places / b)], []).environments[0].channels]
        for a, b in (("first", "cool"), ("first-means", "cool-means"))
    ]
    assert verdicts[0] == verdicts[1]


def test_hours_of_an_archive_are_those_of_the_run(places):
    whole, archived = gather(places / "first"), gather(places / "first-archive")

    for name in ("air_temperature_c", "relative_humidity_pct", "water_content_fraction", "lamp_duty_fraction"):
        a, b = getattr(whole.hours, name), getattr(archived.hours, name)
        assert np.nanmax(np.abs(a[: len(b)] - b[: len(a)])) < 1e-3, name
    assert whole.looks == archived.looks


def test_a_store_gives_all_its_runs_at_once(places):
    twins = gather_all([places / "store"])

    assert sorted(twin.name for twin in twins) == ["Northhaven", "Skerry Light"]
    with pytest.raises(SettingsError, match="holds 2 runs"):
        gather(places / "store")


def test_sources_can_be_mixed_and_the_report_says_where_each_came_from(places):
    twins = gather_all([places / "first", places / "cool-archive"])
    page = render(compare(twins, []), {})

    assert [twin.source for twin in twins] == ["run folder", "archive, digests verified"]
    assert "archive, digests verified" in page
    assert twins[1].not_carried in page
    assert "Pictures do not travel" in twins[1].not_carried


def test_one_run_from_two_sources_is_one_run(places):
    with pytest.raises(SettingsError, match="given already"):
        gather_all([places / "first", places / "first" / "parcels"])


@pytest.mark.parametrize("name", ["climate.csv", "water.csv", "events.csv", "plan.toml", "chamber.toml"])
def test_an_archive_with_a_changed_byte_is_refused(places, tmp_path, name):
    spoilt = shutil.copytree(places / "first-archive", tmp_path / "spoilt")
    content = bytearray((spoilt / name).read_bytes())
    content[len(content) // 2] ^= 1
    (spoilt / name).write_bytes(content)

    with pytest.raises(ParcelError, match=rf"{name}: its SHA-256 is .* nothing of this archive is used"):
        gather(spoilt)


def test_an_archive_whose_digests_were_written_anew_for_another_plan_is_refused(places, tmp_path):
    spoilt = shutil.copytree(places / "first-archive", tmp_path / "spoilt")
    text = (spoilt / "datapackage.json").read_text()
    package = json.loads(text)
    (spoilt / "datapackage.json").write_text(
        text.replace(f'_sha256": "{package["plan_sha256"]}', f'_sha256": "{"0" * 64}')
    )

    with pytest.raises(ParcelError, match="not the plan whose digest"):
        gather(spoilt)


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda f: (f / "datapackage.json").write_text("{"), "not the descriptor"),
        (lambda f: (f / "datapackage.json").write_text('{"resources": []}'), "names no climate.csv"),
        (lambda f: (f / "water.csv").unlink(), "water.csv: cannot be read"),
    ],
)
def test_a_broken_archive_is_refused_in_a_sentence(places, tmp_path, spoil, told):
    spoilt = shutil.copytree(places / "first-archive", tmp_path / "spoilt")
    spoil(spoilt)

    with pytest.raises(ParcelError, match=told):
        gather(spoilt)


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda days: _flip(days[3] / "readings.parquet"), "its SHA-256 is"),
        (lambda days: shutil.rmtree(days[3]), "names .* as the parcel before it"),
        (lambda days: shutil.rmtree(days[0]), "the parcel before it .* is not here"),
        (lambda days: (days[2] / "doses.parquet").unlink(), "cannot be read"),
        (lambda days: (days[2] / "more.txt").write_text("?"), "which the manifest does not name"),
        (lambda days: (days[5] / "manifest.json").write_text("{}"), "manifest"),
    ],
)
def test_parcels_that_do_not_verify_are_refused_in_a_sentence(places, tmp_path, spoil, told):
    spoilt = shutil.copytree(places / "first" / "parcels", tmp_path / "parcels")
    spoil(sorted(path for path in spoilt.iterdir() if path.is_dir()))

    with pytest.raises(ParcelError, match=told) as caught:
        gather(spoilt)
    assert "nothing of them is used" in str(caught.value)
    assert "\n" not in str(caught.value)


def _flip(path):
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def test_the_command_takes_them_and_refuses_them(places, tmp_path):
    def command(*words):
        return CliRunner().invoke(main, ["compare", *(str(word) for word in words), "--out", str(tmp_path / "out")])

    assert command(places / "store").exit_code == 0
    assert (tmp_path / "out" / "report.html").is_file()
    spoilt = shutil.copytree(places / "first" / "parcels", tmp_path / "parcels")
    _flip(spoilt / sorted(path.name for path in spoilt.iterdir() if path.is_dir())[3] / "events.parquet")
    refused = command(places / "cool", spoilt)
    assert refused.exit_code == 5
    assert "do not verify" in refused.output
