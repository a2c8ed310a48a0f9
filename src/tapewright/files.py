"""Output files that appear whole or not at all, and never over another file unless told to.

Everything is written to a hidden temporary file in the folder of the result, which is given its name only
when it is complete. Whatever stops the work (an error, Ctrl-C) removes the temporary file.
"""

from __future__ import annotations

import os
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tapewright.model.errors import OutputError

__all__ = ["check_output", "write_bytes", "write_text", "write_whole"]

StrPath = str | os.PathLike[str]


def check_output(path: StrPath, *, force: bool = False) -> None:
    """Say now, before any work is done, if `path` cannot be written.

    Parameters
    ----------
    path : str or path-like
    force : bool
        Whether an existing file may be replaced.

    Raises
    ------
    OutputError
        If the file is there already (and `force` is false), is a folder, a device or write-protected, or if
        its folder is missing or cannot be written to.
    """
    name = os.fspath(path)
    try:
        found = os.lstat(name)
    except FileNotFoundError:
        found = None
    except (OSError, ValueError) as error:
        raise _cannot_write(name, error) from error
    if found is not None and not force:
        if stat.S_ISDIR(found.st_mode):
            raise OutputError(f"{name} is a folder; give the name of a file")
        raise _is_there(name)
    target = _target(name)
    if target.exists():
        if target.is_dir():
            raise OutputError(f"{name} is a folder; give the name of a file")
        if not target.is_file():
            raise OutputError(f"{name} is a device, not a file; give the name of a file")
        if not os.access(target, os.W_OK):
            raise OutputError(f"{name} is write-protected; give another name or lift its protection")
    folder = target.parent
    if not folder.exists():
        raise OutputError(f"{name} cannot be written: there is no folder {folder}; make it first")
    if not folder.is_dir():
        raise OutputError(f"{name} cannot be written: {folder} is not a folder; give another name")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputError(f"{name} cannot be written: you may not write in {folder}; choose another folder")


@contextmanager
def write_whole(path: StrPath, *, force: bool = False) -> Iterator[Path]:
    """Yield a temporary file to fill; when the block ends well it becomes `path`, else it is removed.

    The temporary file exists, is empty, lies in the folder of `path` and has a name of its own without the
    suffix of `path`: a library that guesses a format from a file's name must be told the format.
    A new file gets the permissions the umask grants; a replaced file keeps its own. A symbolic link stays
    a link: the file it points to is replaced.

    Parameters
    ----------
    path : str or path-like
        The file to make.
    force : bool
        Whether an existing file may be replaced. Without it a file that appears while the block runs is
        kept as well.

    Yields
    ------
    pathlib.Path
        The temporary file.

    Raises
    ------
    OutputError
        If `path` cannot be written (see :func:`check_output`), before the block runs or when it ends.
    """
    check_output(path, force=force)
    name = os.fspath(path)
    target = _target(name) if force else Path(name)
    # 40 characters are at most 160 bytes, which leaves the whole name under the usual limit of 255.
    part = target.with_name(f".{target.stem[:40]}.{secrets.token_hex(6)}.part")
    try:
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except OSError as error:
        raise _cannot_write(name, error) from error
    try:
        yield part
        try:
            _sync(part)
            if force:
                if target.exists():
                    shutil.copymode(target, part)
                part.replace(target)
            else:
                _rename_to_free_name(part, target)
        except FileExistsError as error:
            raise _is_there(name) from error
        except OSError as error:
            raise _cannot_write(name, error) from error
    finally:
        with suppress(OSError):  # gone already when all went well
            part.unlink(missing_ok=True)


def write_bytes(path: StrPath, data: bytes, *, force: bool = False) -> None:
    """Write a whole file of bytes.

    Raises
    ------
    OutputError
        If the file cannot be written or is there already and `force` is false.
    """
    with write_whole(path, force=force) as part:
        try:
            part.write_bytes(data)
        except OSError as error:
            raise _cannot_write(os.fspath(path), error) from error


def write_text(path: StrPath, text: str, *, force: bool = False) -> None:
    r"""Write a whole text file, as UTF-8, its line ends as given (``\n`` stays ``\n`` everywhere).

    Raises
    ------
    OutputError
        If the file cannot be written or is there already and `force` is false.
    """
    # A file name that is not UTF-8 reaches us as lone surrogates; they go back to the bytes they came from.
    write_bytes(path, text.encode("utf-8", "surrogateescape"), force=force)


def _target(name: str) -> Path:
    """Follow symbolic links, so that replacing a linked file leaves the link in place."""
    path = Path(name)
    return Path(os.path.realpath(path)) if path.is_symlink() else path


def _rename_to_free_name(part: Path, target: Path) -> None:
    """Give `part` the name `target`, or raise FileExistsError if that is taken: atomically, unlike rename."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        # No hard links here (FAT sticks, some network shares): claim the name, then replace our own claim.
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        try:
            part.replace(target)
        except OSError:
            target.unlink()
            raise


def _sync(part: Path) -> None:
    """Get the bytes onto the disk before the name points at them, lest a power cut leave an empty file."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())


def _is_there(name: str) -> OutputError:
    return OutputError(f"{name} is there already; give another name, or --force to replace it")


def _cannot_write(name: str, error: OSError | ValueError) -> OutputError:
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
    return OutputError(f"{name!r} cannot be written: {reason}; give another name or folder")
