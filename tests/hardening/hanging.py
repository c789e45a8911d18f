"""Storage that stops answering: a file system of our own, which passes on what it is asked to a folder, and hangs.

It speaks the kernel's own protocol on /dev/fuse (<linux/fuse.h>, version 7) from a process of its own and is mounted by
root. Hanging, it takes no further request from the kernel: whoever asks waits, in a way that only an end of the process
ends, as on a network's storage. Files without a name (O_TMPFILE) it has none, as most of these.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import select
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

_IN, _OUT = struct.Struct("IIQQIIIHH"), struct.Struct("IiQ")
_NAMES = {1: "lookup", 2: "forget", 3: "getattr", 4: "setattr", 9: "mkdir", 10: "unlink", 11: "rmdir", 12: "rename",
          13: "link", 14: "open", 15: "read", 16: "write", 17: "statfs", 18: "release", 20: "fsync", 26: "init",
          27: "opendir", 28: "readdir", 29: "releasedir", 35: "create", 36: "interrupt", 42: "forget", 45: "rename2"}
_SILENT = ("forget", "interrupt")
_MOST = 1 << 17
_NO_FLUSH = 1 << 5
"""Files are closed without asking: that the kernel waits for even where the process is killed."""


class Storage:
    """The test's side: ``place`` is where it is mounted."""

    def __init__(self, place: Path, server: subprocess.Popen[str]) -> None:
        self.place, self._server = place, server

    def hang_after(self, done: str, path: str, count: int = 1) -> None:
        """From the ``count``-th answer on to a request ``done`` about a path in which ``path`` is found, none comes."""
        self._tell(f"hang {done} {count} {path}")

    def wait_until_it_hangs(self, patience_s: float = 120.0) -> None:
        assert self._server.stdout is not None
        assert select.select([self._server.stdout], [], [], patience_s)[0], "nobody asked for that"
        assert self._server.stdout.readline() == "hangs\n"

    def come_back(self) -> None:
        self._tell("back")

    def _tell(self, line: str) -> None:
        assert self._server.stdin is not None and self._server.stdout is not None
        self._server.stdin.write(line + "\n")
        self._server.stdin.flush()
        assert self._server.stdout.readline() == "understood\n"


@contextmanager
def storage(place: Path, behind: Path) -> Iterator[Storage]:
    """``behind`` seen at ``place``, through storage that can be made to hang; skips where that can't be mounted."""
    import pytest

    for folder in (place, behind):
        folder.mkdir(parents=True, exist_ok=True)
    server = subprocess.Popen([sys.executable, __file__, place, behind], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                              text=True)
    assert server.stdin is not None and server.stdout is not None
    said = server.stdout.readline().strip()
    try:
        if said != "mounted":
            pytest.skip(f"no file system of our own may be mounted here ({said})")
        yield Storage(place, server)
    finally:
        server.stdin.close()      # it answers what waits, and ends
        subprocess.run(["umount", "-l", place], check=False, capture_output=True)
        server.wait(60)
        server.stdout.close()


# --- the process that is the file system -----------------------------------------------------------------------------
class _Server:
    def __init__(self, device: int, behind: str) -> None:
        self.device, self.paths, self.known = device, {1: behind}, {behind: 1}
        self.hanging = False
        self.wanted: tuple[str, int, str] | None = None

    def serve(self) -> None:
        """Until nobody is left who gives orders."""
        orders, rest = b"", True
        while rest:
            ready = select.select([0] if self.hanging else [0, self.device], [], [])[0]
            if 0 in ready:
                part = os.read(0, 4096)
                rest = bool(part)
                orders += part
                while b"\n" in orders:
                    line, orders = orders.split(b"\n", 1)
                    self._order(line.decode())
            elif not self._answer():
                return

    def _order(self, line: str) -> None:
        if line == "back":
            self.hanging, self.wanted = False, None
        else:
            _, name, count, path = line.split(" ", 3)
            self.wanted = name, int(count), path
        _say("understood")

    def _answer(self) -> bool:
        """One request; False where the file system was taken away."""
        try:
            asked = os.read(self.device, _MOST + 4096)
        except OSError as error:
            return error.errno in (errno.ENOENT, errno.EINTR, errno.EAGAIN)      # the asker was ended meanwhile
        _, number, unique, node, *_ = _IN.unpack_from(asked)
        name, body = _NAMES.get(number, ""), asked[_IN.size:]
        about = self.paths.get(node, "")
        do: Callable[[int, bytes], bytes] | None = getattr(self, f"_{name}", None)
        code, given = -errno.ENOSYS, b""
        if do is not None:
            try:
                code, given = 0, do(node, body)
            except OSError as error:
                code = -(error.errno or errno.EIO)
        if name in _SILENT:
            return True
        try:
            os.write(self.device, _OUT.pack(_OUT.size + len(given), code, unique) + given)
        except OSError as error:
            if error.errno != errno.ENOENT:
                raise
        if name in ("lookup", "create", "unlink", "mkdir", "link", "rename", "rename2"):
            about += " " + body.rstrip(b"\0").split(b"\0")[-1].decode(errors="replace")
        if self.wanted is not None and code == 0 and name == self.wanted[0] and re.search(self.wanted[2], about):
            self.wanted = name, self.wanted[1] - 1, self.wanted[2]
            if self.wanted[1] == 0:
                self.hanging, self.wanted = True, None
                _say("hangs")
        return True

    # What is asked, by its name in the protocol: (node, what follows the head) -> what follows the answer's head.
    def _init(self, node: int, body: bytes) -> bytes:
        major, minor, ahead, _ = struct.unpack_from("IIII", body)
        big_writes = 1 << 5
        return struct.pack("IIIIHHIIHHI28x", major, min(minor, 31), ahead, big_writes, 16, 12, _MOST, 1, 32, 0, 0)

    def _path(self, node: int, name: bytes) -> str:
        return os.path.join(self.paths[node], name.split(b"\0")[0].decode())

    def _node(self, path: str) -> int:
        node = self.known.setdefault(path, len(self.paths) + 1)
        self.paths[node] = path
        return node

    @staticmethod
    def _attributes(found: os.stat_result) -> bytes:
        times = (found.st_atime_ns, found.st_mtime_ns, found.st_ctime_ns)
        return struct.pack("QQQQQQIIIIIIIIII", found.st_ino, found.st_size, found.st_blocks,
                           *(time // 10**9 for time in times), *(time % 10**9 for time in times), found.st_mode,
                           found.st_nlink, found.st_uid, found.st_gid, 0, 4096, 0)

    def _entry(self, path: str) -> bytes:
        found = os.lstat(path)
        return struct.pack("QQQQII", self._node(path), 0, 0, 0, 0, 0) + self._attributes(found)

    def _lookup(self, node: int, body: bytes) -> bytes:
        return self._entry(self._path(node, body))

    def _forget(self, node: int, body: bytes) -> bytes:
        return b""

    def _getattr(self, node: int, body: bytes) -> bytes:
        return struct.pack("QII", 0, 0, 0) + self._attributes(os.lstat(self.paths[node]))

    def _setattr(self, node: int, body: bytes) -> bytes:
        valid, _, handle, size, _, atime, mtime, _, atime_ns, mtime_ns, _, mode = struct.unpack_from("IIQQQQQQIIII",
                                                                                                       body)
        path = self.paths[node]
        if valid & 1:
            os.chmod(path, mode & 0o7777)
        if valid & 8:
            os.truncate(path, size)
        if valid & (16 | 32) and not valid & (128 | 256):
            found = os.stat(path)
            os.utime(path, ns=(atime * 10**9 + atime_ns if valid & 16 else found.st_atime_ns,
                               mtime * 10**9 + mtime_ns if valid & 32 else found.st_mtime_ns))
        return self._getattr(node, b"")

    def _mkdir(self, node: int, body: bytes) -> bytes:
        mode, mask = struct.unpack_from("II", body)
        path = self._path(node, body[8:])
        os.mkdir(path, mode & ~mask)
        return self._entry(path)

    def _unlink(self, node: int, body: bytes) -> bytes:
        os.unlink(self._path(node, body))
        return b""

    def _rmdir(self, node: int, body: bytes) -> bytes:
        os.rmdir(self._path(node, body))
        return b""

    def _moved(self, node: int, new: int, names: bytes) -> bytes:
        old_name, new_name = names.split(b"\0")[:2]
        old_path, new_path = self._path(node, old_name), self._path(new, new_name)
        os.rename(old_path, new_path)
        moved = self.known.pop(old_path, None)
        if moved is not None:
            self.known[new_path] = moved
            self.paths[moved] = new_path
        return b""

    def _rename(self, node: int, body: bytes) -> bytes:
        return self._moved(node, struct.unpack_from("Q", body)[0], body[8:])

    def _rename2(self, node: int, body: bytes) -> bytes:
        new, flags = struct.unpack_from("QI", body)
        if flags:
            raise OSError(errno.EINVAL, "flags")
        return self._moved(node, new, body[16:])

    def _link(self, node: int, body: bytes) -> bytes:
        path = self._path(node, body[8:])
        os.link(self.paths[struct.unpack_from("Q", body)[0]], path)
        return self._entry(path)

    def _open(self, node: int, body: bytes) -> bytes:
        flags, = struct.unpack_from("I", body)
        return struct.pack("QII", os.open(self.paths[node], flags & ~(os.O_CREAT | os.O_EXCL)), _NO_FLUSH, 0)

    _opendir = _open

    def _create(self, node: int, body: bytes) -> bytes:
        flags, mode, mask, _ = struct.unpack_from("IIII", body)
        path = self._path(node, body[16:])
        handle = os.open(path, flags | os.O_CREAT, mode & 0o7777 & ~mask)
        return self._entry(path) + struct.pack("QII", handle, _NO_FLUSH, 0)

    def _read(self, node: int, body: bytes) -> bytes:
        handle, offset, size = struct.unpack_from("QQI", body)
        return os.pread(handle, size, offset)

    def _write(self, node: int, body: bytes) -> bytes:
        handle, offset, size = struct.unpack_from("QQI", body)
        return struct.pack("II", os.pwrite(handle, body[40:40 + size], offset), 0)

    def _fsync(self, node: int, body: bytes) -> bytes:
        os.fsync(struct.unpack_from("Q", body)[0])
        return b""

    def _release(self, node: int, body: bytes) -> bytes:
        os.close(struct.unpack_from("Q", body)[0])
        return b""

    _releasedir = _release

    def _readdir(self, node: int, body: bytes) -> bytes:
        _, offset, size = struct.unpack_from("QQI", body)
        given = b""
        for at, name in enumerate(sorted(os.listdir(self.paths[node]))):
            raw = name.encode()
            entry = struct.pack("QQII", 1 << 40, at + 1, len(raw), 0) + raw
            entry += bytes(-len(entry) % 8)
            if at >= offset:
                if len(given) + len(entry) > size:
                    break
                given += entry
        return given

    def _statfs(self, node: int, body: bytes) -> bytes:
        found = os.statvfs(self.paths[1])
        return struct.pack("QQQQQIIII24x", found.f_blocks, found.f_bfree, found.f_bavail, found.f_files, found.f_ffree,
                           found.f_bsize, 255, found.f_frsize, 0)


def _say(line: str) -> None:
    os.write(1, line.encode() + b"\n")


def main() -> None:
    place, behind = (os.fsencode(each) for each in sys.argv[1:3])
    try:
        device = os.open("/dev/fuse", os.O_RDWR)
    except OSError as error:
        _say(f"/dev/fuse: {error.strerror}")
        return
    system = ctypes.CDLL(None, use_errno=True)
    options = f"fd={device},rootmode=40000,user_id=0,group_id=0,allow_other".encode()
    if system.mount(b"hanging", place, b"fuse", 2 | 4, options) != 0:      # MS_NOSUID, MS_NODEV
        _say(os.strerror(ctypes.get_errno()))
        return
    _say("mounted")
    _Server(device, os.fsdecode(behind)).serve()


if __name__ == "__main__":
    main()
