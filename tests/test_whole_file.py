"""A file is there whole or not at all."""

import os

import pytest

from controller.whole_file import write_new, write_whole


def test_the_new_file_takes_the_place_of_the_old_in_one_step(tmp_path, monkeypatch):
    path = tmp_path / "kept"
    path.write_bytes(b"old")
    seen = []
    put = os.replace
    monkeypatch.setattr(
        os, "replace", lambda new, old: (seen.append((new.read_bytes(), old.read_bytes())), put(new, old))
    )

    write_whole(path, b"new and longer")

    assert seen == [(b"new and longer", b"old")]
    assert [each.name for each in tmp_path.iterdir()] == ["kept"]


def test_where_the_disk_fails_the_old_file_stands(tmp_path, monkeypatch):
    path = tmp_path / "kept"
    path.write_bytes(b"old")

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"new", lasting=True)

    assert path.read_bytes() == b"old"


@pytest.mark.parametrize(("lasting", "waits"), [(True, 1), (False, 0)])
def test_only_what_must_outlive_a_power_cut_waits_for_the_disk(tmp_path, monkeypatch, lasting, waits):
    waited = []
    monkeypatch.setattr(os, "fsync", waited.append)

    write_whole(tmp_path / "kept", b"words", lasting=lasting)

    assert len(waited) == waits


def test_what_is_for_no_other_eyes_is_not_even_readable_while_it_is_written(tmp_path, monkeypatch):
    modes = []
    put = os.replace
    monkeypatch.setattr(os, "replace", lambda new, old: (modes.append(new.stat().st_mode & 0o777), put(new, old)))

    write_whole(tmp_path / "codes", b"{}", private=True)

    assert modes == [0o600]


def test_a_new_file_never_takes_the_place_of_one_that_is_there_or_is_being_written(tmp_path):
    path, other = tmp_path / "kept", tmp_path / "other"
    path.write_bytes(b"old")
    (tmp_path / "other.new").write_bytes(b"somebody writes this")
    for taken in (path, other):
        with pytest.raises(FileExistsError):
            write_new(taken, b"new")

    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == {
        "kept": b"old", "other.new": b"somebody writes this",
    }  # fmt: skip


def test_a_new_file_and_its_name_wait_for_the_disk(tmp_path, monkeypatch):
    seen = []
    monkeypatch.setattr(os, "fsync", lambda handle: seen.append(sorted(each.name for each in tmp_path.iterdir())))

    write_new(tmp_path / "kept", b"words")

    assert seen == [["kept.new"], ["kept"]]
    assert (tmp_path / "kept").read_bytes() == b"words"
