"""Files written whole or not at all, and never over an existing one without being told.

A file being written has no name where the system can do that (Linux: O_TMPFILE), so that nothing is left in its folder
however the process ends; elsewhere it has a hidden one. It gets its name when its bytes are on the disk (fsync), by a
link, which fails where another has come meanwhile; only where it may be replaced, by a rename.

What a process that was killed leaves (hidden names, and its folder among the system's temporary ones) is told from that
of one that still runs by a lock, which the system lets go with the process; :func:`remove_abandoned` looks for it.
"""

from __future__ import annotations

import atexit
import errno
import hashlib
import json
import os
import re
import secrets
import shutil
import tempfile
import threading
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError

try:
    import fcntl
except ImportError:     # no POSIX: a file that is open can't be removed there, which is as good as a lock
    fcntl = None  # type: ignore[assignment]


def _known(*names: str) -> tuple[int, ...]:
    """The numbers of the errors that this system knows."""
    return tuple(getattr(errno, name) for name in names if hasattr(errno, name))


_NO_LINKS = _known("EPERM", "ENOTSUP", "EOPNOTSUPP", "ENOSYS", "EMLINK", "EXDEV", "EINVAL")
"""What systems answer that have no hard links, or none from where the unnamed file lies (EINVAL: Windows)."""
_DISK = _known("ENOSPC", "EDQUOT", "EFBIG", "EIO", "EROFS")


class NotWrittenError(InputError):
    """A library could not write the file that it was given a path to, and says little of why."""


@contextmanager
def whole_file(path: Path | str, *, overwrite: bool = False, doubted: bool = False) -> Iterator[Path]:
    """Yields a path (same suffix) to write to; what was written there becomes ``path`` if the block succeeds.

    Raises :class:`InputError` if ``path`` exists and ``overwrite`` is false (also where it came while the block ran),
    and if it cannot be written; an ``OSError`` of the block about another file is passed on as it is. Where the block
    raises :class:`NotWrittenError` and the system takes no more of the file, that is why. A file that was written by a
    library which may not notice (``doubted``) counts only if the system would take more of it still.
    """
    path = Path(path)
    refuse_existing(path, overwrite=overwrite)
    draft = _Draft()
    try:
        try:
            if path.parent.exists() and not path.parent.is_dir():
                raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(path.parent))
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
            draft.begin(path)
        except OSError as error:
            raise _cannot_write(path, error) from None
        try:
            yield draft.path
        except OSError as error:
            if _is_about(error, draft):
                raise _cannot_write(path, error) from None
            raise
        except NotWrittenError:
            trouble = draft.trouble()
            if trouble is not None:
                raise _cannot_write(path, trouble) from None
            raise
        try:
            if doubted and (trouble := draft.trouble()) is not None:
                raise trouble
            os.fsync(draft.handle)
            draft.name(path, overwrite=overwrite)
        except FileExistsError:
            refuse_existing(path, overwrite=False)
            raise
        except OSError as error:
            raise _cannot_write(path, error) from None
    finally:
        draft.close()


@contextmanager
def hidden_mark(path: Path) -> Iterator[Path]:
    """A hidden file beside ``path`` while the block runs, by which others see that they look into the same folder."""
    draft = _Draft()
    try:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            draft.begin_named(path)
        except OSError as error:
            raise _cannot_write(path, error) from None
        yield draft.path
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
    name in the folder that it is written for, or None while it has none. A signal may come between any two steps: what
    :meth:`close` takes away is noted before it is there."""

    handle: int = -1
    path: Path = Path()
    hidden: Path | None = None

    def begin(self, path: Path) -> None:
        if not self._begin_unnamed(path):
            self.begin_named(path)

    def _begin_unnamed(self, path: Path) -> bool:
        """A file without a name, reached by a link elsewhere that has the right suffix; whether there can be such."""
        if not hasattr(os, "O_TMPFILE") or not os.path.isdir("/proc/self/fd"):
            return False
        try:
            self.handle = os.open(path.parent, os.O_TMPFILE | os.O_RDWR, 0o666)     # less the process' own umask
        except OSError as error:
            if error.errno in (errno.EOPNOTSUPP, errno.EISDIR, errno.ENOENT, errno.EINVAL):
                return False
            raise
        try:
            _lock(self.handle)
            self.path = workspace() / f"{secrets.token_hex(6)}-{path.stem[:80]}{path.suffix}"
            self.path.symlink_to(f"/proc/{os.getpid()}/fd/{self.handle}")
        except OSError:     # no place for the link
            self._let_go()
            self.path = Path()
            return False
        return True

    def begin_named(self, path: Path) -> None:
        while True:
            self.path = self.hidden = _hidden(path)
            _named.add(self.path)
            try:
                self.handle = os.open(self.hidden, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666)
            except FileExistsError:
                _named.discard(self.path)
                self.path, self.hidden = Path(), None     # another's
                continue
            if _lock(self.handle) and (fcntl is None or os.fstat(self.handle).st_nlink):
                return
            self._let_go()     # taken for an abandoned one in the moment before it was locked

    def name(self, path: Path, *, overwrite: bool) -> None:
        if self.hidden is not None:
            if fcntl is None:
                self._let_go()  # Windows gives no other name to a file that is open
        else:
            if not overwrite:
                self._link(path)
                return
            self.hidden = _hidden(path)
            _named.add(self.hidden)
            self._link(self.hidden)
        if not overwrite:
            try:
                os.link(self.hidden, path)
            except OSError as error:
                if error.errno not in _NO_LINKS:
                    raise
                # No links here: whoever makes the name owns it, and may then put the file in its place.
                self._claim(path)
            return
        os.replace(self.hidden, path)

    def _claim(self, path: Path) -> None:
        assert self.hidden is not None
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        try:
            os.replace(self.hidden, path)
        except BaseException:
            with suppress(OSError):
                if path.stat().st_size == 0:
                    path.unlink()
            raise

    def trouble(self) -> OSError | None:
        """What the system says to a little more being written, if it refuses; the file stays as it is."""
        if not hasattr(os, "pwrite"):
            return None     # Windows
        size = os.fstat(self.handle).st_size
        try:
            more = bytes(1 << 16)
            written = os.pwrite(self.handle, more, size)
            os.pwrite(self.handle, more[written:], size + written)     # of a disk that is full, a part may be taken
        except OSError as error:
            return error
        finally:
            os.ftruncate(self.handle, size)
        return None

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
        if fcntl is None:
            self._let_go()
        for leftover in (self.path, self.hidden):
            if leftover is not None and leftover.name:
                with suppress(OSError):
                    leftover.unlink()
                _named.discard(leftover)
        self._let_go()     # last: while it is locked nobody takes it for abandoned


_named: set[Path] = set()


def hidden_names() -> tuple[Path, ...]:
    """The hidden names that this process has given just now to files it writes, and has not taken away yet. The system
    isn't asked, which may be what gives no answer."""
    return tuple(sorted(_named.copy()))


def _hidden(path: Path) -> Path:
    return path.with_name(f".{path.stem[:80]}-{secrets.token_hex(6)}{path.suffix}")


_HIDDEN = re.compile(r"\.(.*)-[0-9a-f]{12}(\.[^.]*)?", re.DOTALL)
_WORKSPACE = "huewright-work-"
_workspaces: dict[int, Path] = {}
_making = threading.Lock()


def _lock(handle: int) -> bool:
    """Whether nobody else has it locked. Where a file system knows no locks, nobody is found to have."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def workspace() -> Path:
    """A folder for what this process needs only while it runs: removed when it ends, or, where it was killed, by the
    next process that makes one."""
    with _making:
        own = os.getpid()
        if own not in _workspaces or not _workspaces[own].is_dir():
            around = Path(tempfile.gettempdir())
            for other in around.glob(f"{_WORKSPACE}*"):
                with suppress(OSError), _held(other) as free:
                    if free:
                        shutil.rmtree(other, ignore_errors=True)
            made = None
            while made is None:
                made = Path(tempfile.mkdtemp(prefix=_WORKSPACE))
                if fcntl is not None and not (_lock(os.open(made, os.O_RDONLY)) and made.is_dir()):
                    made = None     # taken for an abandoned one in the moment before it was locked
            _workspaces[own] = made     # its lock is held until the process ends
            atexit.register(remove_workspace)
        return _workspaces[own]


def remove_workspace() -> None:
    """This process's own, if it has one, and not that of the one that it was forked off."""
    made = _workspaces.get(os.getpid())
    if made is not None:
        shutil.rmtree(made, ignore_errors=True)


@contextmanager
def _held(path: Path) -> Iterator[bool]:
    """Whether ``path``, which somebody made, is nobody's now; meanwhile it is ours."""
    if fcntl is None:
        yield path.is_file()
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        yield _lock(handle)
    finally:
        os.close(handle)


def remove_abandoned(folder: Path | str, only: Collection[Path] | None = None) -> tuple[Path, ...]:
    """Removes from ``folder`` what killed processes left of files that they were writing, and returns the names.

    ``only`` keeps it to drafts of these files. Those that somebody still writes are left alone.
    """
    folder, removed = Path(folder), []
    wanted = None if only is None else {(path.stem[:80], path.suffix) for path in only}
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            match = _HIDDEN.fullmatch(entry.name)
            if match is None or wanted is not None and (match[1], match[2] or "") not in wanted:
                continue
            with suppress(OSError):
                if not entry.is_file(follow_symlinks=False):
                    continue
                with _held(folder / entry.name) as free:
                    if free:
                        os.unlink(folder / entry.name)
                        removed.append(folder / entry.name)
    return tuple(sorted(removed))


def refuse_existing(path: Path | str, *, overwrite: bool) -> None:
    """Raises :class:`InputError` if ``path`` exists and may not be replaced, and if nothing can be written there: said
    before hours of work rather than after."""
    path = Path(path)
    if path.exists() and not overwrite:
        raise InputError(f"{path} exists already; add --overwrite to replace it, or choose another name")
    folder = next((each for each in path.absolute().parents if each.exists()), None)
    if folder is not None and folder.is_dir() and not os.access(folder, os.W_OK | os.X_OK):
        raise InputError(f"cannot write {path}: {folder} can't be written by you; choose another place")


def write_text(path: Path | str, text: str, *, overwrite: bool = False) -> None:
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_texts(texts: Mapping[Path | str, str], *, overwrite: bool = False) -> None:
    """Files that belong together: none has its name, or is replaced, before the bytes of all are on the disk."""
    with ExitStack() as drafts:
        for path, text in texts.items():
            draft = drafts.enter_context(whole_file(path, overwrite=overwrite))
            try:
                with open(draft, "w", encoding="utf-8", newline="\n") as stream:
                    stream.write(text)
                    stream.flush()
                    os.fsync(stream.fileno())
            except OSError as error:      # the other drafts' blocks don't know whose it is
                raise _cannot_write(Path(path), error) from None


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
TOO_LARGE = "%s: this %s has over 256 MB, which is more than any; give another file"
MOST_BYTES = 256_000_000
"""Of files that are read whole; a lattice of 129 points along each axis has 60 MB as text."""
FOLDER, NOT_ORDINARY = "a folder", "no ordinary file"


def read_bytes(path: Path | str, what: str) -> bytes:
    """The whole file; :class:`InputError` naming ``what`` was expected if it can't be read."""
    try:
        if Path(path).exists() and not Path(path).is_file():
            raise InputError(NO_FILE % (path, FOLDER if Path(path).is_dir() else NOT_ORDINARY, what))
        with open(path, "rb") as stream:
            large = os.fstat(stream.fileno()).st_size > MOST_BYTES
            data = b"" if large else stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise InputError(MISSING % (path, what)) from None
    except OSError as error:
        raise InputError(UNREADABLE % (path, what, error.strerror or error)) from None
    if large or len(data) > MOST_BYTES:
        raise InputError(TOO_LARGE % (path, what))
    return data


def read_text(path: Path | str, what: str) -> str:
    try:
        return read_bytes(path, what).decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{path}: not a {what}, for it isn't text (UTF-8); give another file") from None


def sha256(path: Path | str) -> str:
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
