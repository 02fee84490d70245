"""A file is there whole or not at all."""

import os

import pytest

from controller.whole_file import write_whole


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
