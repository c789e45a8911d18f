"""Damaged picture files, made from whole ones by a seeded generator, and what reading each comes to.

Run it for many: ``python tests/testset/damage.py --count 20000 --seed 1``. Each file is read in a process of its own,
which may take 2 GiB of memory and 20 s; what isn't a picture or one sentence is printed and kept.
"""

from __future__ import annotations

import argparse
import os
import resource
import signal
import struct
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import OpenImageIO as oiio  # noqa: N813
from huewright.errors import InputError
from huewright.frames.picture import Frame, read_frame, read_header, write_frame

MEMORY_BYTES, SECONDS = 2 << 30, 20
NOT_UTF8 = b"\xff\xfe\xc3\x28\x80 na\xefve"


def whole_files(folder: Path) -> dict[str, bytes]:
    """One small whole file of each kind that is read, by name."""
    rng = np.random.default_rng(3)
    folder.mkdir(parents=True, exist_ok=True)
    half = rng.normal(0.4, 0.3, (24, 40, 3)).astype(np.float16)
    for name, compression in (("zip", "zip"), ("piz", "piz"), ("none", "none"), ("b44", "b44"), ("dwaa", "dwaa")):
        spec = oiio.ImageSpec()
        spec.attribute("reelName", "an invented reel with a longer name")
        spec.attribute("owner", "nobody in particular")
        write_frame(folder / f"{name}.exr", Frame(half), compression=compression)
    tiled = oiio.ImageSpec(40, 24, 3, "float")
    tiled.tile_width = tiled.tile_height = 16
    output = oiio.ImageOutput.create(str(folder / "tiled.exr"))
    output.open(str(folder / "tiled.exr"), tiled)
    output.write_image(half.astype(np.float32))
    output.close()
    codes = rng.integers(0, 65536, (24, 40, 3)).astype(np.uint16)
    for bits in (8, 10, 12, 16):
        frame = Frame((codes >> 8).astype(np.uint8) if bits == 8 else codes, bits=bits)
        write_frame(folder / f"d{bits}.dpx", frame)
    for name, compression in (("lzw", "lzw"), ("zip", "zip"), ("plain", "none")):
        write_frame(folder / f"{name}.tif", Frame(codes), compression=compression)
    write_frame(folder / "a.png", Frame(codes))
    write_frame(folder / "b.png", Frame((codes >> 8).astype(np.uint8)))
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def damaged(whole: dict[str, bytes], count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """(name, bytes) of ``count`` damaged files: the same for the same ``seed``."""
    rng = np.random.default_rng(seed)
    names = sorted(whole)
    for k in range(count):
        name = names[int(rng.integers(len(names)))]
        raw = bytearray(whole[name])
        way = int(rng.integers(7))
        head = min(len(raw), 2048 if name.endswith(".dpx") else 700)
        if way == 0:                                             # cut short
            del raw[int(rng.integers(len(raw))):]
        elif way == 1:                                           # single bits anywhere
            for at in rng.integers(len(raw), size=int(rng.integers(1, 20))):
                raw[at] ^= 1 << int(rng.integers(8))
        elif way == 2:                                           # bytes of the header
            for at in rng.integers(head, size=int(rng.integers(1, 8))):
                raw[at] = int(rng.integers(256))
        elif way == 3:                                           # lies: sizes, offsets and counts in the header
            at = int(rng.integers(head // 4)) * 4
            lie = (0, 1, 0xFFFFFFFF, 0x7FFFFFFF, 0x80000000, 65536, 1 << 20)[int(rng.integers(7))]
            raw[at:at + 4] = struct.pack("<>"[int(rng.integers(2))] + "I", lie)
        elif way == 4:                                           # text that is no UTF-8
            at = int(rng.integers(head))
            raw[at:at + len(NOT_UTF8)] = NOT_UTF8
        elif way == 5:                                           # a stretch lost or doubled
            at, length = int(rng.integers(len(raw))), int(rng.integers(1, 400))
            raw[at:at + length] = b"" if rng.integers(2) else raw[at:at + length] * 2
        else:                                                    # half of it zero
            at = int(rng.integers(len(raw)))
            raw[at:] = bytes(len(raw) - at)
        yield f"{k:05d}-{way}-{name}", bytes(raw)


def outcome(path: Path) -> str:
    """What reading ``path`` comes to: "picture", "sentence", or what went wrong."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        told = "nothing"
        try:
            signal.alarm(SECONDS)
            used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
            resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY_BYTES, used + MEMORY_BYTES))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            read_header(path)
            frame = read_frame(path)
            frame.metadata.attributes()
            told = "picture"
        except InputError as error:
            said = str(error)
            good = said.startswith(str(path)) and said.isprintable() and len(said) < 1000
            told = "sentence" if good else f"no sentence: {said!r}"
        except BaseException:
            told = traceback.format_exc()
        os.write(writer, told.encode("utf-8", "backslashreplace")[-3000:])
        os._exit(0)
    os.close(writer)
    told = b""
    while part := os.read(reader, 4096):
        told += part
    os.close(reader)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return "hang" if number == signal.SIGALRM else f"killed by signal {number}"
    return told.decode()


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=1000)
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    tally: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        whole = whole_files(Path(folder) / "whole")
        for name, raw in damaged(whole, asked.count, asked.seed):
            path = Path(folder) / name
            path.write_bytes(raw)
            result = outcome(path)
            kind = result if result in ("picture", "sentence", "hang") else "fault"
            tally[f"{path.suffix} {kind}"] += 1
            if kind in ("fault", "hang"):
                kept = Path(tempfile.gettempdir()) / f"damaged-{asked.seed}-{name}"
                kept.write_bytes(raw)
                print(f"{kept}: {result.strip().splitlines()[-1] if result else 'ended without a word'}", flush=True)
            path.unlink()
    print(dict(sorted(tally.items())))
    return 1 if any("fault" in kind or "hang" in kind for kind in tally) else 0


if __name__ == "__main__":
    sys.exit(main())
