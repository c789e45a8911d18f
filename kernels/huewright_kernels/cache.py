"""Compiled code on disk: one folder for each set of kernel sources, library versions and processor.

Numba's own cache notices only changes of the file that holds an entry point, not of the files it calls, so the
folder's name carries a hash of everything that the machine code depends on. Writing is numba's: to a temporary
file, then renamed, so that processes may start at once; one compiles, the others wait and load that. Where the
user's cache folder cannot be written, a private folder under the system's temporary one serves; it begins with
what the user's folder holds, so that a warm folder is of use though it is read-only. Where nothing can be
written, code is compiled for the process.
"""

from __future__ import annotations

import hashlib
import os
import platform
import shutil
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any

import llvmlite
import llvmlite.binding
import numba
import numba.core.config
import numpy

try:
    import fcntl
except ImportError:
    fcntl = None  # type: ignore[assignment]

_SHARED = ("cache", "cubic", "elementary", "executor", "formats", "forms", "lanes", "masks", "planes")
"""Modules whose functions compiled code may hold, beside the operations and its own module (numba watches that)."""
KEPT = 4
"""How many other folders (older sources, other processors) stay beside the one in use."""
PATIENCE_S = 300.0
"""How long a process waits for another that compiles the same, which takes a busy machine minutes; then it compiles for
itself. One that ends lets go at once."""


def key() -> str:
    """Changes with the kernels' sources, the versions of what compiles them, and the processor."""
    digest = hashlib.sha256()
    for part in (sys.version, numba.__version__, llvmlite.__version__, numpy.__version__, platform.machine(),
                 llvmlite.binding.get_host_cpu_name(), llvmlite.binding.get_host_cpu_features().flatten(),
                 numba.core.config.CPU_NAME or "", numba.core.config.CPU_FEATURES or ""):
        digest.update(part.encode() + b"\0")
    folder = Path(__file__).parent
    for source in sorted([*(folder / "ops").glob("*.py"), *(folder / f"{name}.py" for name in _SHARED)]):
        digest.update(source.relative_to(folder).as_posix().encode() + b"\0" + source.read_bytes() + b"\0")
    return digest.hexdigest()[:24]


def folder() -> Path | None:
    """Where compiled code goes; made if need be. None where no folder can be written."""
    global _folder, _searched
    if not _searched:
        name = key()
        read_only = []
        for path in (base / name for base in _bases()):
            if _usable(path):
                _folder = path
                break
            read_only.append(path)
        if _folder is None:
            try:
                _folder = Path(tempfile.mkdtemp(prefix="huewright-")) / "kernels" / name
                _folder.mkdir(parents=True, mode=0o700)
            except OSError:
                _folder = None
        if _folder is not None:
            for path in read_only:
                _take_over(path, _folder)
            _prune(_folder)
        _searched = True
    return _folder


_folder: Path | None = None
_searched = False
_LOCK = threading.RLock()


def _bases() -> Iterator[Path]:
    home = os.environ.get("XDG_CACHE_HOME")
    yield (Path(home) if home and os.path.isabs(home) else Path.home() / ".cache") / "huewright" / "kernels"
    yield Path(tempfile.gettempdir()) / f"huewright-{os.getuid() if hasattr(os, 'getuid') else 'user'}" / "kernels"


def _usable(path: Path) -> bool:
    """True if ``path`` is ours alone to write (machine code and pickles are loaded from it) and can be written."""
    try:
        for owned in (path.parent.parent, path.parent, path):
            owned.mkdir(parents=owned == path.parent.parent, exist_ok=True, mode=0o700)
            if hasattr(os, "getuid") and (owned.stat().st_uid != os.getuid() or _others_may_write(owned)):
                return False
        if any(_replaceable(above) for above in path.parent.parent.resolve().parents):
            return False
        if hasattr(os, "getuid"):
            # Files in it may be as open as the umask leaves them: nobody else comes that far.
            path.chmod(path.stat().st_mode & 0o700)
        probe, name = tempfile.mkstemp(dir=path)
        os.close(probe)
        os.unlink(name)
    except (OSError, RuntimeError):
        return False
    return True


def _others_may_write(path: Path) -> bool:
    return bool(path.stat().st_mode & (stat.S_IWOTH | stat.S_IWGRP))


def _replaceable(folder: Path) -> bool:
    """Whether others may put another folder of theirs in place of one that lies in ``folder``."""
    status = folder.stat()
    return hasattr(os, "getuid") and (status.st_uid not in (0, os.getuid())
                                      or _others_may_write(folder) and not status.st_mode & stat.S_ISVTX)


def _take_over(shelf: Path, into: Path) -> None:
    """Copies compiled code from a folder that may be read only, if nobody but us and the system's owner could have
    put it there. Indices come last, so that none points to what isn't there yet."""
    try:
        held = sorted((path for path in shelf.rglob("*.nb[ci]") if path.is_file()), key=lambda path: path.suffix)
        if not all(_trusted(path) for path in {*held, *(path.parent for path in held), shelf, *shelf.parents[:2]}):
            return
        for path in held:
            place = into / path.relative_to(shelf)
            if place.exists():
                continue
            place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            handle, temporary = tempfile.mkstemp(dir=place.parent)
            with os.fdopen(handle, "wb") as stream:
                stream.write(path.read_bytes())
            os.replace(temporary, place)
    except OSError:
        return


def _trusted(path: Path) -> bool:
    status = path.stat()
    return not hasattr(os, "getuid") or status.st_uid in (0, os.getuid()) and not _others_may_write(path)


def _prune(current: Path) -> None:
    """Drops the longest unused folders beside ``current``."""
    try:
        os.utime(current)
        others = sorted((path for path in current.parent.iterdir() if path.is_dir() and path != current),
                        key=lambda path: path.stat().st_mtime, reverse=True)
        for path in others[KEPT:]:
            shutil.rmtree(path, ignore_errors=True)
    except OSError:
        return


@contextmanager
def _in_folder() -> Iterator[bool]:
    """Numba's cache folder is ours meanwhile; False where there is none."""
    before = numba.core.config.CACHE_DIR
    place = folder()
    if place is not None:
        numba.core.config.CACHE_DIR = str(place)
    try:
        yield place is not None
    finally:
        numba.core.config.CACHE_DIR = before


@contextmanager
def _alone(name: str) -> Iterator[None]:
    """No other process compiles ``name`` into our folder meanwhile, as far as the system can lock files there."""
    place = folder()
    handle = None
    if fcntl is not None and place is not None:
        lock = place / f".{name}.lock"
        with suppress(OSError):
            handle = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            end = time.monotonic() + PATIENCE_S
            while time.monotonic() < end:
                try:
                    fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    break
                except (BlockingIOError, PermissionError):      # what POSIX lets a system answer where another has it
                    time.sleep(0.05)
    try:
        yield
    finally:
        if handle is not None:
            with suppress(OSError):
                lock.unlink()
            os.close(handle)      # which lets the lock go; who waited finds the code on disk


def entry(signature: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Compiles a function that Python calls, with everything it inlines, on its first call; cached on disk.

    ``signature`` is numba's; the function must need no Python objects.
    """
    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        return Entry(function, signature)
    return decorate


packer = entry


class Entry:
    """A compiled function that comes into being when it is first needed."""

    def __init__(self, function: Callable[..., Any], signature: str) -> None:
        self.function, self.signature, self._compiled = function, signature, None
        self.__doc__, self.__name__ = function.__doc__, function.__name__
        _ENTRIES.append(self)

    def compiled(self) -> Any:
        """The numba dispatcher, loaded from the disk or compiled now."""
        if self._compiled is None:
            with _LOCK:
                if self._compiled is None:
                    dispatcher = self._from_folder() or self._compile(cached=False)
                    dispatcher.disable_compile()
                    self._compiled = dispatcher
        return self._compiled

    def _compile(self, *, cached: bool) -> Any:
        global _trouble
        dispatcher = numba.njit(cache=cached, error_model="numpy", nogil=True)(self.function)
        try:
            dispatcher.compile(self.signature)
        except OSError as error:
            if not dispatcher.overloads:
                raise
            _trouble = error.strerror or str(error)      # compiled, and not kept: a full disk
        return dispatcher

    def _from_folder(self) -> Any:
        """Loaded from the disk, or compiled and kept there; None where what lies there can't be read, however often it
        is made anew (a file that was cut short by a full disk or a loss of power is made anew)."""
        with _in_folder() as cached, nullcontext() if self.on_disk() else _alone(self.__name__):
            for _ in range(2) if cached else ():
                try:
                    return self._compile(cached=True)
                except Exception:      # of whatever kind: these are numba's own files, read by pickle
                    self._forget()
        return None

    def _forget(self) -> None:
        place = folder()
        for path in () if place is None else tuple(place.rglob(f"*.{self.__name__}-*.nb[ci]")):
            with suppress(OSError):
                path.unlink()

    def on_disk(self) -> bool:
        """Whether compiled code is there already."""
        place = folder()
        return place is not None and any(place.rglob(f"*.{self.__name__}-*.nbc"))

    def __call__(self, *arguments: Any) -> Any:
        return self.compiled()(*arguments)


_ENTRIES: list[Entry] = []
_trouble = ""
"""What the system said when compiled code was to be kept, and was not."""


def warm_up(notify: Callable[[str], None] | None = None) -> bool:
    """Loads all entry points known so far, compiling those that the disk lacks; returns whether it compiled.

    ``notify`` is called with one line for the person before compiling, and with one more where what was compiled can't
    be kept; not otherwise.
    """
    missing = [entry_point for entry_point in _ENTRIES if entry_point._compiled is None and not entry_point.on_disk()]
    lost = folder() is None
    if missing and notify is not None:
        notify(f"compiling the image kernels for this processor ({'each time' if lost else 'once'}, up to 20 seconds)")
    for entry_point in _ENTRIES:
        entry_point.compiled()
    if missing and notify is not None and (lost or _trouble):
        notify(f"the compiled kernels can't be kept ({_trouble or 'no folder for them can be written'}): make room, or "
               "set XDG_CACHE_HOME to a folder of yours")
    return bool(missing)
