"""Files written whole or not at all, and never over an existing one without being told.

A file being written has no name where the system can do that (Linux: O_TMPFILE), so that nothing is left in its folder
however the process ends; elsewhere it has a hidden one. It gets its name when its bytes are on the disk (fsync), by a
link, which fails where another has come meanwhile; only where it may be replaced, by a rename.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import secrets
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError


def _known(*names: str) -> tuple[int, ...]:
    """The numbers of the errors that this system knows."""
    return tuple(getattr(errno, name) for name in names if hasattr(errno, name))


_NO_LINKS = _known("EPERM", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EMLINK", "EXDEV", "EINVAL")
"""What systems answer that have no hard links, or none from where the unnamed file lies (EINVAL: Windows)."""
_DISK = _known("ENOSPC", "EDQUOT", "EFBIG", "EIO", "EROFS")


@contextmanager
def whole_file(path: Path | str, *, overwrite: bool = False) -> Iterator[Path]:
    """Yields a path (same suffix) to write to; what was written there becomes ``path`` if the block succeeds.

    Raises :class:`InputError` if ``path`` exists and ``overwrite`` is false (also where it came while the block ran),
    and if it cannot be written; an ``OSError`` of the block about another file is passed on as it is.
    """
    path = Path(path)
    refuse_existing(path, overwrite=overwrite)
    try:
        if path.parent.exists() and not path.parent.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(path.parent))
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        draft = _draft(path)
    except OSError as error:
        raise _cannot_write(path, error) from None
    try:
        try:
            yield draft.path
        except OSError as error:
            if _is_about(error, draft):
                raise _cannot_write(path, error) from None
            raise
        try:
            os.fsync(draft.handle)
            draft.name(path, overwrite=overwrite)
        except FileExistsError:
            refuse_existing(path, overwrite=False)
            raise
        except OSError as error:
            raise _cannot_write(path, error) from None
    finally:
        draft.close()


def _cannot_write(path: Path, error: OSError) -> InputError:
    return InputError(f"cannot write {path}: {error.strerror or error}; choose another place")


def _is_about(error: OSError, draft: _Draft) -> bool:
    """Whether it is the file being written that the block failed at: named, or no file is and it is the disk's."""
    if error.filename is None:
        return error.errno in _DISK
    return str(error.filename) == str(draft.path)


@dataclass
class _Draft:
    """A file that is being written: ``handle`` is open on it (-1: no more), ``path`` leads to it; ``hidden`` is its
    name in the folder that it is written for, or None while it has none; ``around`` is the folder of ``path`` if made
    for it."""

    handle: int
    path: Path
    hidden: Path | None
    around: Path | None = None

    def name(self, path: Path, *, overwrite: bool) -> None:
        if self.hidden is not None:
            self._let_go()  # Windows gives no other name to a file that is open
        else:
            if not overwrite:
                self._link(path)
                return
            hidden = _hidden(path)
            self._link(hidden)
            self.hidden = hidden
        if not overwrite:
            try:
                os.link(self.hidden, path)
            except OSError as error:
                if error.errno not in _NO_LINKS:
                    raise
                # No links here: whoever makes the name owns it, and may then put the file in its place.
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
                os.replace(self.hidden, path)
            return
        os.replace(self.hidden, path)

    def _link(self, path: Path) -> None:
        # Given a folder's handle, Python asks the system to follow /proc's link to the file (linkat).
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.link(f"/proc/self/fd/{self.handle}", path.name, dst_dir_fd=folder)
        finally:
            os.close(folder)

    def _let_go(self) -> None:
        if self.handle >= 0:
            os.close(self.handle)
            self.handle = -1

    def close(self) -> None:
        self._let_go()
        for leftover in (self.hidden, None if self.around is None else self.path):
            if leftover is not None:
                with suppress(OSError):
                    leftover.unlink()
        if self.around is not None:
            with suppress(OSError):
                self.around.rmdir()


def _draft(path: Path) -> _Draft:
    return _unnamed(path) or _named(path)


def _unnamed(path: Path) -> _Draft | None:
    """A file without a name, reached by a link elsewhere that has the right suffix; None where there is no such."""
    if not hasattr(os, "O_TMPFILE") or not os.path.isdir("/proc/self/fd"):
        return None
    try:
        handle = os.open(path.parent, os.O_TMPFILE | os.O_RDWR, 0o666)     # less the process' own umask
    except OSError as error:
        if error.errno in (errno.EOPNOTSUPP, errno.EISDIR, errno.ENOENT, errno.EINVAL):
            return None
        raise
    around = None
    try:
        around = Path(tempfile.mkdtemp(prefix="huewright-"))
        way = around / f"{path.stem[:80]}{path.suffix}"
        way.symlink_to(f"/proc/{os.getpid()}/fd/{handle}")
        return _Draft(handle, way, None, around)
    except OSError:     # no place for the link
        os.close(handle)
        if around is not None:
            with suppress(OSError):
                around.rmdir()
        return None


def _named(path: Path) -> _Draft:
    while True:
        hidden = _hidden(path)
        with suppress(FileExistsError):
            return _Draft(os.open(hidden, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666), hidden, hidden)


def _hidden(path: Path) -> Path:
    return path.with_name(f".{path.stem[:80]}-{secrets.token_hex(6)}{path.suffix}")


def refuse_existing(path: Path | str, *, overwrite: bool) -> None:
    """Raises :class:`InputError` if ``path`` exists and may not be replaced."""
    if Path(path).exists() and not overwrite:
        raise InputError(f"{path} exists already; add --overwrite to replace it, or choose another name")


def write_text(path: Path | str, text: str, *, overwrite: bool = False) -> None:
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_json(path: Path | str, record: Any, *, overwrite: bool = False) -> None:
    """Two-space indented, keys in the order given, short lists of numbers on one line, ends in a newline."""
    write_text(path, json_text(record), overwrite=overwrite)


def json_text(record: Any) -> str:
    return _render(record, "") + "\n"


def _render(value: Any, indent: str) -> str:
    deeper = indent + "  "
    if isinstance(value, dict) and value:
        rows = [f"{deeper}{json.dumps(str(k))}: {_render(v, deeper)}" for k, v in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, (list, tuple)) and value:
        simple = all(not isinstance(item, (dict, list, tuple)) for item in value)
        if simple or len(value) <= 24:          # more than 24 items that are lists never fit into 96 characters
            flat = json.dumps(value, allow_nan=False)
            if simple or len(flat) <= 96 and "{" not in flat:
                return flat
        return "[\n" + ",\n".join(deeper + _render(item, deeper) for item in value) + f"\n{indent}]"
    return json.dumps(value, allow_nan=False)


MISSING = "%s: there is no such %s; check the path"
UNREADABLE = "%s: this %s cannot be read (%s); check the file"
NO_FILE = "%s: this is %s; give the %s itself"
FOLDER, NOT_ORDINARY = "a folder", "no ordinary file"


def read_bytes(path: Path | str, what: str) -> bytes:
    """The whole file; :class:`InputError` naming ``what`` was expected if it can't be read."""
    try:
        if Path(path).exists() and not Path(path).is_file():
            raise InputError(NO_FILE % (path, FOLDER if Path(path).is_dir() else NOT_ORDINARY, what))
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError(MISSING % (path, what)) from None
    except OSError as error:
        raise InputError(UNREADABLE % (path, what, error.strerror or error)) from None


def read_text(path: Path | str, what: str) -> str:
    try:
        return read_bytes(path, what).decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a {what}, for it isn't text (UTF-8); give another file") from None


def sha256(path: Path | str) -> str:
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
