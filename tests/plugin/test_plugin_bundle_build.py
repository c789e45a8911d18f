"""The bundle as a file: layout, what it needs and offers, the same bytes each time, and what stops a build."""

from __future__ import annotations

import ctypes
import hashlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.host.bundle import find_binary
from huewright.plugin import build as building
from huewright.plugin import targets
from huewright.steps.ofx import build_bundle

pytestmark = pytest.mark.slow


def run(*command: object) -> str:
    if shutil.which(str(command[0])) is None:
        pytest.skip(f"{command[0]} is not there")
    return subprocess.run([str(part) for part in command], capture_output=True, text=True, check=True).stdout


def test_lies_as_the_standard_packages_it(bundle: Path, binary: Path) -> None:
    # OpenFX reference, "Packaging OFX Plug-ins": NAME.ofx.bundle/Contents/Linux-x86-64/NAME.ofx
    assert bundle.name == "huewright.ofx.bundle"
    assert find_binary(bundle) == find_binary(bundle.parent) == find_binary(binary) == binary
    page = (bundle / "Contents" / "Resources" / "effects.md").read_text()
    assert "org.huewright.HueSectors" in page and "| `redRotation` |" in page


GENERATED = ("constants.h", "sentences.h", "kernels.h", "steps.h")
HEADERS = ("system.h", "ofx_abi.h", "memory.h", "text.h", "card.h", "program.h", "json.h", "fields.h", "readers.h",
           "settings.h", "isolation.h", "render.h", "describe.h")
"""From the lowest up."""


def test_each_c_header_includes_lower_ones_only() -> None:
    """The system, memory, text, program, readers, settings, render, entry: a circle among them would show here."""
    found = sorted(path.name for path in building.SOURCES.glob("*.h"))
    assert found == sorted(HEADERS)
    for path in building.SOURCES.iterdir():
        known = HEADERS[:HEADERS.index(path.name)] if path.suffix == ".h" else HEADERS
        for name in re.findall(r'#include "([^"]+)"', path.read_text()):
            assert name in (*known, *GENERATED), f"{path.name} includes {name}"
    made = {unit: (building.SOURCES / unit).read_text() for unit in building.UNITS
            if unit not in ("tables.c", "card_text.c")}
    for place, (unit, text) in enumerate(made.items()):
        own = {f"{name[:-2]}.h" for name in list(made)[place + 1:]}
        assert not own & set(re.findall(r'#include "([^"]+)"', text)), unit


def test_needs_the_c_library_only(binary: Path) -> None:
    needed = set(re.findall(r"NEEDED.*\[(.*)\]", run("readelf", "-d", binary)))
    assert needed <= {"libc.so.6", "libm.so.6", "ld-linux-x86-64.so.2"}
    linked = run("ldd", binary).lower()
    assert "python" not in linked and "llvm" not in linked and "not found" not in linked


def test_needs_no_newer_c_library_than_2_28(binary: Path) -> None:
    versions = {tuple(map(int, v.split("."))) for v in re.findall(r"GLIBC_([\d.]+)", run("nm", "-D", binary))}
    assert max(versions) <= (2, 28)


def test_offers_the_two_entry_points_only(binary: Path) -> None:
    names = [line.split()[-1] for line in run("nm", "-D", "--defined-only", binary).splitlines()]
    assert sorted(names) == ["OfxGetNumberOfPlugins", "OfxGetPlugin"]


def test_the_baseline_code_uses_nothing_newer_than_sse2() -> None:
    objects = building.native_objects()
    found = {}
    for level in ("baseline", "v3", "v4"):
        code = run("objdump", "-d", "--no-show-raw-insn", objects / f"core_{level}.o")
        found[level] = {register for register in ("xmm", "ymm", "zmm") if f"%{register}" in code}
        assert not re.search(r"\bvfn?m(add|sub)\d", code), "a fused multiply-add would give other bits"
        undefined = run("nm", "--undefined-only", objects / f"core_{level}.o").split()
        assert not undefined, f"the {level} core calls {undefined}"
        if level == "baseline":
            # VEX and SSE3 to SSE4.2 arithmetic that a compiler would reach for if it were allowed to
            assert not re.search(r"\t(v\w+ps|blendv\w+|pmulld|round[ps]s|pshufb|pinsrd|popcnt)\b", code)
    assert found == {"baseline": {"xmm"}, "v3": {"xmm", "ymm"}, "v4": {"xmm", "ymm", "zmm"}}


@pytest.mark.long
def test_the_same_sources_give_the_same_bytes(binary: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    again = build_bundle(Path("some/where/else"))
    (made,) = again.binaries
    assert made.sha256 == hashlib.sha256(binary.read_bytes()).hexdigest()
    assert made.bytes == binary.stat().st_size
    assert str(tmp_path).encode() not in made.path.read_bytes()


@pytest.mark.long
def test_another_emission_gives_the_same_objects(tmp_path: Path) -> None:
    """In a fresh process with another hash seed; without the core, which would take a quarter of a minute."""
    script = ("import sys, pathlib; from huewright_kernels import native\n"
              "from huewright.plugin.exported import exported\n"
              "everything = native.exported(); native.exported = lambda: {'mask_row': everything['mask_row']}\n"
              "made = native.compile_for(['linux-x86-64'], native.lower(exported()))\n"
              "[pathlib.Path(sys.argv[1], n).write_bytes(d) for (_, n), d in made.items()]")
    environment = os.environ | building.native.ENVIRONMENT | {"PYTHONHASHSEED": "7", "NUMBA_CACHE_DIR": str(tmp_path)}
    subprocess.run([sys.executable, "-c", script, tmp_path], env=environment, check=True)
    made = sorted(tmp_path.glob("*.o"))
    assert len(made) > 8
    for path in made:
        assert path.read_bytes() == (building.native_objects() / path.name).read_bytes()


def test_an_existing_bundle_is_not_replaced_unasked(bundle: Path) -> None:
    before = find_binary(bundle).stat()
    with pytest.raises(InputError, match="exists already; add --overwrite"):
        build_bundle(bundle.parent)
    assert find_binary(bundle).stat() == before
    assert sorted(p.name for p in bundle.parent.iterdir()) == ["huewright.ofx.bundle"]


def test_no_compiler_is_said_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(building.link.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="needs a C compiler, and there is none"):
        build_bundle(tmp_path / "out")
    assert not (tmp_path / "out").exists()
    monkeypatch.setenv("CC", "no-such-compiler -m64")
    with pytest.raises(InputError, match="'no-such-compiler', which is not there"):
        build_bundle(tmp_path / "out")


def test_a_failing_compiler_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", "false")
    with pytest.raises(InputError, match="the C compiler 'false' failed"):
        build_bundle(tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_another_system_is_said_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(targets.platform, "machine", lambda: "riscv64")
    with pytest.raises(InputError, match="not built for .* riscv64; name what it is to be built for with --for: linux"):
        build_bundle(tmp_path)


def test_an_unknown_target_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not built for 'amiga'; there are linux-x86-64, "):
        build_bundle(tmp_path, targets=["linux-x86-64", "amiga"])
    with pytest.raises(InputError, match="--for names nothing"):
        build_bundle(tmp_path, targets=[])


def test_what_another_target_needs_is_said_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(building.link.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="for windows-x86-64 on this machine needs the ziglang package; `pip install "):
        build_bundle(tmp_path / "out", targets=["windows-x86-64"])
    assert not (tmp_path / "out").exists()


def test_out_of_range_plugin_numbers_give_null(binary: Path) -> None:
    library = ctypes.CDLL(str(binary))
    library.OfxGetPlugin.restype = ctypes.c_void_p
    assert library.OfxGetPlugin(-1) is None and library.OfxGetPlugin(99) is None
    assert library.OfxGetPlugin(0) is not None
