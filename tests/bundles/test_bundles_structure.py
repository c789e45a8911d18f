"""The bundle of all systems as files: layout, what each binary offers, needs and holds, and the same bytes each time.

What is made for macOS is checked here only, with ``--long``: nothing of it has run on a Mac.
"""

from __future__ import annotations

import plistlib
import re
from pathlib import Path

import llvmlite.binding as llvm
import numpy as np
import pytest
from bundles import hosts
from huewright.plugin import build as building
from huewright.plugin import link
from huewright.plugin.targets import TARGETS

lief = pytest.importorskip("lief")
pytestmark = pytest.mark.slow

LINKERS = {"_mh_dylib_header", "__dso_handle"}
"""What the linker defines itself in Mach-O libraries, and lists among what they offer."""
BUILT = tuple(name if name in hosts.EVERY_RUN else pytest.param(name, marks=pytest.mark.long) for name in TARGETS)
NAMES = {"OfxGetNumberOfPlugins", "OfxGetPlugin"}


def binary(bundle: Path, folder: str) -> Path:
    return bundle / "Contents" / folder / "huewright.ofx"


def test_lies_as_the_standard_packages_it(every_bundle: Path, targets: tuple[str, ...]) -> None:
    # OpenFX reference 1.5, "Packaging OFX Plug-ins": the folders, and the keys of Info.plist
    mac = any(TARGETS[name].system == "macos" for name in targets)
    assert {path.name for path in (every_bundle / "Contents").iterdir()} == {
        "Resources", *(TARGETS[name].folder for name in targets), *(["Info.plist"] if mac else [])}
    assert {TARGETS[name].folder for name in targets} <= {"Linux-aarch64", "Linux-x86-64", "Win64", "MacOS"}
    if not mac:
        return
    record = plistlib.loads((every_bundle / "Contents" / "Info.plist").read_bytes())
    assert record["CFBundleExecutable"] == "huewright.ofx" and record["CFBundlePackageType"] == "BNDL"
    assert {"CFBundleInfoDictionaryVersion", "CFBundleVersion", "CFBundleDevelopmentRegion"} <= set(record)


def test_nothing_of_python_or_of_this_machine_is_in_it(every_bundle: Path) -> None:
    for path in (every_bundle / "Contents").rglob("*.ofx"):
        data = path.read_bytes()
        assert not re.search(rb"python|numba|llvmlite|NRT_|/home/|/root/|/tmp/|\.cache", data, re.IGNORECASE), path
        system = {b"/usr/lib/dyld", b"/usr/lib/libSystem.B.dylib"} if path.parent.name == "MacOS" else set()
        assert set(re.findall(rb"/(?:usr|opt|var|lib)/[\w./-]+", data)) <= system, path


@pytest.mark.long
def test_macos(every_bundle: Path) -> None:
    macho = lief.MachO.parse(str(binary(every_bundle, "MacOS")))
    assert [part.header.cpu_type.name for part in macho] == ["X86_64", "ARM64"]
    for part in macho:
        # Apple's loader maps whole pages: 4 KiB on Intel, 16 KiB on its own processors
        assert part.fat_offset % 16384 == 0
        assert part.header.file_type.name == "DYLIB" and not part.has_rpath
        assert {symbol.name.removeprefix("_") for symbol in part.exported_symbols} - LINKERS == NAMES
        assert [library.name for library in part.libraries] == ["huewright.ofx", "/usr/lib/libSystem.B.dylib"]
        assert part.has_uuid and part.is_pie is False
        oldest = part.build_version.minos if part.has_build_version else part.version_min.version
        assert tuple(oldest[:2]) == ((10, 13) if part.header.cpu_type.name == "X86_64" else (11, 0))
    # Apple's processors run signed code alone; the linker signs by hashes, without anyone's name ("ad hoc").
    assert macho.at(1).has_code_signature
    imported = {symbol.name.removeprefix("_") for part in macho for symbol in part.imported_symbols}
    assert not {name for name in imported if re.match(r"(exp|log|pow|sin|cos|atan)", name)}, imported


def test_windows(every_bundle: Path) -> None:
    dll = lief.PE.parse(str(binary(every_bundle, "Win64")))
    assert dll.header.machine.name == "AMD64"
    assert "DLL" in {flag.name for flag in dll.header.characteristics_list}
    assert {entry.name for entry in dll.get_export().entries} == NAMES
    assert {row.name: {entry.name for entry in row.entries} - set(link.IMPORTED[row.name]) for row in dll.imports} == {
        "ucrtbase.dll": set(), "kernel32.dll": set()}
    protections = {flag.name for flag in dll.optional_header.dll_characteristics_lists}
    assert {"DYNAMIC_BASE", "NX_COMPAT", "HIGH_ENTROPY_VA"} <= protections


@pytest.mark.long
def test_linux_on_arm64(every_bundle: Path) -> None:
    elf = lief.ELF.parse(str(binary(every_bundle, "Linux-aarch64")))
    assert elf.header.machine_type.name == "AARCH64"
    assert {symbol.name for symbol in elf.exported_symbols} == NAMES
    assert set(elf.libraries) <= {"libc.so.6", "libm.so.6", "ld-linux-aarch64.so.1"}
    versions = {tuple(map(int, v.split("."))) for v in re.findall(rb"GLIBC_([\d.]+)".decode(), str(
        [need.name for row in elf.symbols_version_requirement for need in row.get_auxiliary_symbols()]))}
    assert versions and max(versions) <= (2, 28)


# --- what the emitted objects call and fuse ----------------------------------------------------------------------
FUSED = (  # Arm Architecture Reference Manual, A64: mask and value of the encodings that multiply and add at once
    (0xFF000000, 0x1F000000),  # FMADD, FMSUB, FNMADD, FNMSUB
    (0xBF20FC00, 0x0E20CC00),  # FMLA, FMLS of vectors (bit 23 tells them apart)
    (0xBF80B400, 0x0F801000))  # FMLA, FMLS by an element (bit 14 tells them apart)


def fused(code: bytes) -> int:
    words = np.frombuffer(code[:len(code) // 4 * 4], "<u4")
    return int(sum(np.count_nonzero((words & mask) == value) for mask, value in FUSED))


def code_of(path: Path) -> bytes:
    parsed = lief.parse(str(path))
    sections = [section for section in parsed.sections if section.name.lstrip("_.").startswith("text")]
    return b"".join(bytes(section.content) for section in sections)


@pytest.mark.long
@pytest.mark.parametrize("target", ["linux-arm64", "macos-arm64"])
def test_nothing_is_fused_on_arm64(every_bundle: Path, target: str) -> None:
    objects = sorted(building.native_objects(target).glob("*.o"))
    assert len(objects) > 40 and all(len(code_of(path)) > 0 for path in objects)
    assert [path.name for path in objects if fused(code_of(path))] == []
    assert fused(code_of(binary(every_bundle, "Linux-aarch64"))) == 0


def test_what_is_fused_would_be_seen() -> None:
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    for kind in ("float", "double", "<4 x float>", "<2 x double>"):
        mangled = {"float": "f32", "double": "f64", "<4 x float>": "v4f32", "<2 x double>": "v2f64"}[kind]
        module = llvm.parse_assembly(
            f"declare {kind} @llvm.fma.{mangled}({kind}, {kind}, {kind})\n"
            f"define {kind} @f({kind} %a, {kind} %b, {kind} %c) {{\n"
            f"  %r = call {kind} @llvm.fma.{mangled}({kind} %a, {kind} %b, {kind} %c)\n  ret {kind} %r\n}}")
        target = llvm.Target.from_triple("aarch64-unknown-linux-gnu").create_target_machine(reloc="pic")
        assert fused(target.emit_object(module)) == 1, kind


@pytest.mark.parametrize("target", BUILT)
def test_the_cores_call_nothing(every_bundle: Path, target: str) -> None:
    for path in building.native_objects(target).glob("core_*.o"):
        parsed = lief.parse(str(path)) or lief.COFF.parse(str(path))
        if isinstance(parsed, lief.ELF.Binary):
            called = {s.name for s in parsed.symbols if s.shndx == 0 and s.name}
        elif isinstance(parsed, lief.MachO.Binary):
            called = {s.name for s in parsed.symbols if s.raw_type & 0x0E == 0}
        else:
            called = {s.name for s in parsed.symbols if s.section_idx == 0 and s.name}
        assert any(f"huewright_{path.stem}" in str(s.name) for s in parsed.symbols)
        # Windows grows a stack by touching each page of it first, once at the start of a function.
        assert called <= ({"___chkstk_ms"} if target == "windows-x86-64" else set()), (path.name, called)


def test_the_same_sources_give_the_same_bytes(every_bundle: Path, tmp_path: Path, targets: tuple[str, ...],
                                              monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    again = building.build(Path("some/where/else"), targets=[name for name in targets if name != "linux-x86-64"])
    for path in sorted(again.rglob("*")):
        if path.is_file():
            assert path.read_bytes() == (every_bundle / path.relative_to(again)).read_bytes(), path.name
