"""The tables of the native plug-in: the effects' descriptions and the kernels' packed constants, as C."""

from __future__ import annotations

import json
import math
from typing import Any

from huewright_kernels.ops import Transfer

from huewright.plugin.effects import DISPLAYS, EFFECTS, GROUPING, LUMA, VERSION


def _c(value: Any) -> str:
    """A C literal. Doubles in hexadecimal, so that they arrive to the last bit."""
    if isinstance(value, float):
        return "HUGE_VAL" if value == math.inf else "-HUGE_VAL" if value == -math.inf else value.hex()
    if isinstance(value, (tuple, list)):
        return "{" + ", ".join(_c(float(v)) for v in value) + "}"
    return str(value) if isinstance(value, int) else json.dumps(value, ensure_ascii=True)


def native_tables() -> str:
    """C definitions of the effects (``tables.h``), to be included after the plug-in's ``plugin.h``."""
    lines = ["/* Generated from huewright.plugin.effects: do not edit. */",
             "#define TABLE static const __attribute__((unused))"]
    for kind, item in enumerate(EFFECTS):
        short = item.identifier.rpartition(".")[2]
        enum = [f"    {short}_{p.name}" for p in item.parameters]
        lines += ["enum {", ",\n".join([*enum, f"    {short}_count"]), "};", ""]
        for p in item.parameters:
            if p.options:
                options = ", ".join(_c(option) for option in p.options)
                lines.append(f"TABLE char *const options_{short}_{p.name}[] = {{{options}, NULL}};")
        lines.append(f"TABLE Parameter parameters_{short}[] = {{")
        for p in item.parameters:
            numbers = p.default if isinstance(p.default, tuple) else (p.default,)
            default = _c(tuple(0.0 if isinstance(v, str) or v is None else float(v) for v in numbers))
            options = f"options_{short}_{p.name}" if p.options else "NULL"
            lines.append(
                f"    {{{_c(p.name)}, {_c('OfxParamType' + p.type)}, {_c(p.label)}, {_c(p.hint)}, {_c(p.group)}, "
                f"{_c(p.subtype)}, {options}, {p.values}, {int(p.animates)}, {p.digits}, {default}, "
                f"{_c(float(p.minimum))}, {_c(float(p.maximum))}, {_c(float(p.shown_minimum))}, "
                f"{_c(float(p.shown_maximum))}}},")
        lines += ["};", "", f"#define KIND_{short} {kind}"]
    lines.append("TABLE Effect effects_table[] = {")
    for item in EFFECTS:
        short = item.identifier.rpartition(".")[2]
        lines.append(f"    {{{_c(item.identifier)}, {_c(item.label)}, {_c(item.description)}, parameters_{short}, "
                     f"{short}_count}},")
    lines += ["};", f"#define EFFECT_COUNT {len(EFFECTS)}", f"#define VERSION_MAJOR {VERSION[0]}",
              f"#define VERSION_MINOR {VERSION[1]}", f"#define GROUPING {_c(GROUPING)}"]
    luma = ", ".join(_c(pair) for pair in LUMA.values())
    lines.append(f"TABLE double luma_table[][2] = {{{luma}}};")
    lines.append(_native_operations())
    return "\n".join(lines) + "\n"


def _native_operations() -> str:
    """Codes of the block forms, and the transfer functions ready packed."""
    from huewright_kernels.executor import _CODE_OF, JOB_FIELDS, STREAMED_BYTES
    from huewright_kernels.ops import hue, log, lut, matrix, tone
    from huewright_kernels.ops.transfer import CURVES, DIRECTIONS
    from huewright_kernels.planes import HEADER, SCRATCH_FLOATS

    codes = {"LOG_DECODE": log.log_decode_block, "LOG_ENCODE": log.log_encode_block, "MATRIX": matrix.matrix_block,
             "HUE": hue.hue_block, "LUT_1D": lut.lut_1d_block, "TETRAHEDRAL": lut.tetrahedral_block,
             "TRILINEAR": lut.trilinear_block}
    lines = [f"#define CODE_{name} {_CODE_OF[form]}" for name, form in codes.items()]
    segments = ", ".join(f"{{{count}, {_CODE_OF[tone._BLOCKS[count]]}}}" for count in tone.SEGMENTS)
    lines += [f"TABLE int tone_segments[][2] = {{{segments}}};",
              f"#define TONE_FLOATS {HEADER + 5 * tone.SEGMENTS[-1]}", f"#define HEADER_FLOATS {HEADER}",
              f"#define LUT_HEADER_FLOATS {lut.LUT_HEADER}",
              f"#define SCRATCH_FLOATS {SCRATCH_FLOATS}", f"#define JOB_FIELDS {len(JOB_FIELDS)}",
              f"#define STREAMED_BYTES {STREAMED_BYTES}",
              f"#define HUE_SMALLEST {hue.SMALLEST_TABLE}", f"#define HUE_LARGEST {hue.LARGEST_TABLE}",
              f"#define HUE_BOUND_DEG {hue.HUE_BOUND_DEG.hex()}", f"#define GAIN_BOUND {hue.GAIN_BOUND.hex()}",
              "TABLE PackedTransfer transfers[] = {"]
    for curve in CURVES:
        for direction in DIRECTIONS:
            packed = Transfer(curve, direction).pack()
            code = -1 if packed is None else _CODE_OF[packed.block_form]
            values = [0.0] * HEADER if packed is None else [float(v) for v in packed.parameters]
            lines.append(f"    {{{_c(curve)}, {_c(direction)}, {code}, {_c(tuple(values))}}},")
    names = ", ".join(_c(name) for name in DISPLAYS)
    lines += ["};", f"TABLE char *const display_table[] = {{{names}}};"]
    return "\n".join(lines)
