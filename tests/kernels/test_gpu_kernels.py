"""Kernels for GPUs as text, without a GPU: they assemble; nothing is fused, approximated, called or in local memory.

What the text computes is compared with the processor where there is a GPU (tests/device). Instructions by the names of
NVIDIA's "Parallel Thread Execution ISA", version 8.1.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from huewright.device.translated import parts
from huewright.plugin.build import gpu_kernel
from huewright_kernels import compile_chain, ptx, walking
from huewright_kernels.executor import CODE_OF
from huewright_kernels.formats import ENCODINGS
from huewright_kernels.ops import REGISTRY, Lut1D, Matrix, ToneCurve

pytestmark = pytest.mark.slow     # translates the formulas, once for each state of the sources

RGBA = ptx.Pixels("float32", 4)
FORBIDDEN = {
    "fused": r"\bfma\.|\bmad\.\w*\.?f(32|64)", "approximate": r"\.approx|\.full\b", "flushed to zero": r"\.ftz",
    "called": r"\bcall\b|\.extern|\.func", "local memory": r"\.local|__local_depot", "64-bit floats": r"\.f64",
    "rounding left open": r"\b(add|sub|mul|div|sqrt)\.f32"}


def examples() -> dict[str, ptx.Kernel]:
    """A kernel for every form, by its name; and one for every pair of encodings, of nothing but a matrix."""
    found = {}
    for kind in REGISTRY.values():
        for example in kind.parts.examples():
            packed = example.operation.pack()
            if packed is not None:
                found.setdefault(packed.form.name,
                                 ptx.kernel_of(compile_chain([example.operation]), RGBA, RGBA)[0])
    program = compile_chain([Matrix(((1.1, 0, 0), (0, 1, 0), (0, 0, 0.9)))])
    for place, source in enumerate(ENCODINGS):
        target = ENCODINGS[(place + 4) % len(ENCODINGS)]
        channels = 3 if "uint10" in source + target else 4
        found[f"{source} to {target}"] = ptx.kernel_of(program, ptx.Pixels(source, channels),
                                                       ptx.Pixels(target, channels), premultiplied=channels == 4,
                                                       dither=True)[0]
    return found


KERNELS = examples()


def assembler() -> Path:
    spec = importlib.util.find_spec("nvidia")
    for place in spec.submodule_search_locations or () if spec is not None else ():
        for found in (Path(place) / "cuda_nvcc" / "bin" / "ptxas", Path(place) / "cu13" / "bin" / "ptxas"):
            if found.is_file():
                return found
    found = shutil.which("ptxas")
    if found is None:
        pytest.skip("no ptxas here: the package nvidia-cuda-nvcc-cu12 has it, for Linux on x86-64")
    return Path(found)


def test_every_form_and_encoding_has_its_kernel() -> None:
    assert {form.name for form in CODE_OF} <= set(KERNELS)
    for side in ("source", "target"):
        assert {getattr(kernel, side).encoding for kernel in KERNELS.values()} == set(ENCODINGS)


@pytest.mark.parametrize("name", KERNELS)
def test_the_text_is_plain_arithmetic_and_assembles(name: str, tmp_path: Path) -> None:
    text = ptx.text_of(KERNELS[name], parts())
    assert re.findall(r"\.entry (\w+)", text) == [ptx.ENTRY]
    for what, pattern in FORBIDDEN.items():
        assert not re.findall(pattern, text), what
    assert re.search(r"\.rn\.f32", text) or "float32 to" in name
    path = tmp_path / "kernel.ptx"
    path.write_text(text)
    said = subprocess.run([assembler(), "-v", "-arch=sm_90", path, "-o", tmp_path / "kernel.cubin"],
                          capture_output=True, text=True, check=True).stderr
    assert "0 bytes stack frame, 0 bytes spill stores, 0 bytes spill loads" in said


@pytest.mark.parametrize("card", ["sm_75", "sm_90"])
def test_the_kernel_that_walks_is_plain_arithmetic_and_assembles(card: str, tmp_path: Path) -> None:
    """The one that the plug-in carries: picked by code, no operation is called or spills a register."""
    text = gpu_kernel()
    assert sorted(re.findall(r"\.entry (\w+)", text)) == sorted(walking.ENTRIES.values())
    for what, pattern in FORBIDDEN.items():
        assert not re.findall(pattern, text), what
    path = tmp_path / "kernel.ptx"
    path.write_text(text)
    said = subprocess.run([assembler(), "-v", f"-arch={card}", path, "-o", tmp_path / "kernel.cubin"],
                          capture_output=True, text=True, check=True).stderr
    assert said.count("0 bytes stack frame, 0 bytes spill stores, 0 bytes spill loads") == len(walking.ENTRIES)
    most = max(int(count) for count in re.findall(r"Used (\d+) registers", said))
    assert most * walking.THREADS * 8 <= 65536     # a thousand threads at a time on a multiprocessor


def test_the_kernel_that_walks_knows_every_form_and_reads_tables_wide() -> None:
    text = gpu_kernel()
    assert re.search(r"brx\.idx", text) or len(re.findall(r"setp\.\w+\.s32", text)) > len(CODE_OF)
    looked_up = [form for form in CODE_OF if form.gather == "path"]
    assert len(re.findall(r"ld\.global\.nc\.v4\.\w+", text)) >= 4 * len(looked_up) * walking.PIXELS


def test_what_is_looked_for_would_be_found() -> None:
    lines = {"fused": "fma.rn.f32 %f1, %f2, %f3, %f4;", "approximate": "div.approx.f32 %f1, %f2, %f3;",
             "flushed to zero": "add.rn.ftz.f32 %f1, %f2, %f3;", "called": "call.uni (r), sqrtf, (p);",
             "local memory": ".local .align 4 .b8 __local_depot0[16];", "64-bit floats": "cvt.f64.f32 %fd1, %f1;",
             "rounding left open": "mul.f32 %f1, %f2, %f3;"}
    assert lines.keys() == FORBIDDEN.keys()
    for what, line in lines.items():
        assert re.search(FORBIDDEN[what], line), what
    assert not any(re.search(pattern, "mad.lo.s32 %r1, %r2, %r3, %r4; add.rn.f32 %f1, %f2, %f3;")
                   for pattern in FORBIDDEN.values())


def test_the_same_kernel_is_the_same_text() -> None:
    kernel = KERNELS["hue"]
    assert ptx.text_of(kernel, parts()) == ptx.text_of(kernel, parts())


def test_pictures_and_tables_are_moved_in_wide_pieces() -> None:
    lut = ptx.text_of(KERNELS["tetrahedral"], parts())
    assert len(re.findall(r"ld\.global\.nc\.v4\.\w+", lut)) == 4
    assert re.search(r"ld\.global\S*\.v4\.b32", lut) and re.search(r"st\.global\S*\.v4\.b32", lut)
    assert len(re.findall(r"ld\.global\.nc\.v2\.\w+", ptx.text_of(KERNELS["hue"], parts()))) == 2


def test_parameters_go_by_value_and_tables_stay_where_they_are() -> None:
    line, tone = Lut1D(np.linspace(0, 1, 100)[:, None] ** [1.0, 2.0, 3.0]), ToneCurve((0.0, 0.4, 1.0), (0.1, 0.4, 0.9))
    program = compile_chain([line, tone, Matrix()])
    kernel, header = ptx.kernel_of(program, RGBA, RGBA)
    packed = [operation.pack() for operation in (line, tone)]
    assert packed[0] is not None and packed[1] is not None
    for channel in range(3):
        assert np.array_equal(header[16 * channel:][:16], packed[0].parameters[channel * 116:][:16])
    first, second, _ = kernel.steps
    assert np.array_equal(header[second.header:][:len(packed[1].parameters)], packed[1].parameters)
    assert first.size == 100 and second.header == 48 and len(header) == kernel.header_floats
    kernel, header = ptx.kernel_of(compile_chain(()), RGBA, RGBA)
    assert kernel.steps == () and len(header) == 1


def test_a_chain_with_too_many_parameters_is_refused() -> None:
    tone = ToneCurve(tuple(np.linspace(0, 1, 16)), tuple(np.linspace(0, 1, 16)))
    with pytest.raises(ValueError, match="more than the 8000"):
        ptx.kernel_of(compile_chain([tone] * 100), RGBA, RGBA)


def test_lowering_is_refused_in_a_process_that_knows_its_processor() -> None:
    for made in (ptx.parts, walking.text):
        with pytest.raises(ValueError, match="in a process of its own"):
            made()
