"""Files appear whole or not at all, and never over another one."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from tapewright.files import check_output, write_bytes, write_text, write_whole
from tapewright.model import OutputError


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_file_is_there_only_at_the_end(tmp_path):
    out = tmp_path / "out.bin"
    with write_whole(out) as part:
        part.write_bytes(b"program")
        assert not out.exists()
        assert part.parent == tmp_path
    assert out.read_bytes() == b"program"
    assert names(tmp_path) == ["out.bin"]


@pytest.mark.parametrize("stop", [ValueError, KeyboardInterrupt, SystemExit])
def test_exception_leaves_nothing_behind(tmp_path, stop):
    def work() -> None:
        with write_whole(tmp_path / "out.bin") as part:
            part.write_bytes(b"half of it")
            raise stop

    with pytest.raises(stop):
        work()
    assert names(tmp_path) == []


def test_exception_keeps_the_file_that_was_to_be_replaced(tmp_path):
    out = tmp_path / "out.bin"
    out.write_bytes(b"old")

    def work() -> None:
        with write_whole(out, force=True) as part:
            part.write_bytes(b"new")
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        work()
    assert out.read_bytes() == b"old"
    assert names(tmp_path) == ["out.bin"]


def test_existing_file_is_refused_before_any_work(tmp_path):
    out = tmp_path / "out.bin"
    out.write_bytes(b"mine")
    worked = False
    with pytest.raises(OutputError, match=r"out\.bin is there already.*--force"), write_whole(out):
        worked = True
    assert not worked
    assert out.read_bytes() == b"mine"


@pytest.mark.parametrize("has_links", [True, False])
def test_file_that_appears_meanwhile_is_kept(tmp_path, monkeypatch, has_links):
    if not has_links:
        monkeypatch.setattr(os, "link", _no_links)
    out = tmp_path / "out.bin"

    def race() -> None:
        with write_whole(out) as part:
            part.write_bytes(b"ours")
            out.write_bytes(b"theirs")

    with pytest.raises(OutputError, match="is there already"):
        race()
    assert out.read_bytes() == b"theirs"
    assert names(tmp_path) == ["out.bin"]


def test_link_that_appears_meanwhile_is_kept(tmp_path):
    out = tmp_path / "out.bin"
    with pytest.raises(OutputError, match="is there already"), write_whole(out):
        out.symlink_to("nowhere")
    assert out.is_symlink()


def test_filesystem_without_hard_links(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "link", _no_links)
    write_bytes(tmp_path / "out.bin", b"program")
    assert (tmp_path / "out.bin").read_bytes() == b"program"
    assert names(tmp_path) == ["out.bin"]


def test_force_replaces(tmp_path):
    out = tmp_path / "out.txt"
    write_text(out, "one\n")
    write_text(out, "two\n", force=True)
    assert out.read_bytes() == b"two\n"
    assert names(tmp_path) == ["out.txt"]


def test_text_is_utf8_with_line_ends_as_given(tmp_path):
    write_text(tmp_path / "out.txt", "gr\u00fcn\r\nblau\n")
    assert (tmp_path / "out.txt").read_bytes() == b"gr\xc3\xbcn\r\nblau\n"


def test_link_stays_a_link_when_its_target_is_replaced(tmp_path):
    (tmp_path / "real").mkdir()
    real = tmp_path / "real" / "out.bin"
    real.write_bytes(b"old")
    link = tmp_path / "link.bin"
    link.symlink_to(Path("real") / "out.bin")
    with pytest.raises(OutputError, match=r"link\.bin is there already"):
        write_bytes(link, b"new")
    write_bytes(link, b"new", force=True)
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert names(tmp_path / "real") == ["out.bin"]


def test_dangling_link_counts_as_a_file(tmp_path):
    link = tmp_path / "link.bin"
    link.symlink_to("later.bin")
    with pytest.raises(OutputError, match="is there already"):
        write_bytes(link, b"x")
    write_bytes(link, b"x", force=True)
    assert link.is_symlink()
    assert (tmp_path / "later.bin").read_bytes() == b"x"


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
@pytest.mark.parametrize("umask, expected", [(0o022, 0o644), (0o077, 0o600), (0o002, 0o664)])
def test_new_file_follows_the_umask(tmp_path, umask, expected):
    before = os.umask(umask)
    try:
        write_bytes(tmp_path / "out.bin", b"x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "out.bin").stat().st_mode) == expected


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
def test_replaced_file_keeps_its_permissions(tmp_path):
    out = tmp_path / "out.bin"
    out.write_bytes(b"old")
    out.chmod(0o640)
    write_bytes(out, b"new", force=True)
    assert stat.S_IMODE(out.stat().st_mode) == 0o640


def test_folder_is_not_replaced(tmp_path):
    (tmp_path / "out").mkdir()
    for force in (False, True):
        with pytest.raises(OutputError, match="is a folder"):
            check_output(tmp_path / "out", force=force)


def test_missing_folder(tmp_path):
    with pytest.raises(OutputError, match=r"there is no folder .*nowhere; make it first"):
        check_output(tmp_path / "nowhere" / "out.bin")


def test_file_in_place_of_the_folder(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match=r"out\.bin.* cannot be written"):
        check_output(tmp_path / "file" / "out.bin")


def test_folder_that_may_not_be_written_to(tmp_path, monkeypatch):
    # The tests may run as root, whom no permission stops; so the question is answered for the system.
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path) != tmp_path)
    with pytest.raises(OutputError, match="you may not write in"):
        check_output(tmp_path / "out.bin")


def test_write_protected_file_is_not_replaced_even_by_force(tmp_path, monkeypatch):
    out = tmp_path / "out.bin"
    out.write_bytes(b"keep")
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path) != out)
    with pytest.raises(OutputError, match="write-protected"):
        write_bytes(out, b"new", force=True)
    assert out.read_bytes() == b"keep"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_device_is_not_replaced_by_a_file(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OutputError, match="is a device"):
        write_bytes(tmp_path / "pipe", b"x", force=True)
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)


@pytest.mark.parametrize("name", ["a" * 300, "nul\0inside", ""])
def test_impossible_name_is_one_sentence(tmp_path, name):
    path = os.path.join(tmp_path, name) if name else name  # noqa: PTH118 (Path would tidy the name)
    with pytest.raises(OutputError):
        write_bytes(path, b"x")
    assert names(tmp_path) == []


def test_long_name_that_fits_is_written(tmp_path):
    name = "\u00e9" * 120 + ".bin"  # 244 bytes, under the usual limit of 255
    write_bytes(tmp_path / name, b"x")
    assert names(tmp_path) == [name]


def test_full_disk_is_one_sentence_and_leaves_nothing(tmp_path, monkeypatch):
    def full(self, data):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_bytes(tmp_path / "out.bin", b"x")
    assert names(tmp_path) == []


def test_bare_name_is_written_in_the_current_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_bytes("out.bin", b"x")
    assert names(tmp_path) == ["out.bin"]


def _no_links(*_args):
    raise PermissionError(1, "Operation not permitted")
