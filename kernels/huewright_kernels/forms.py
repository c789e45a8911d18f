"""From the formula of one pixel to the loops that run it: block forms for the executor, one-pixel forms for others.

A formula is written for one pixel and indexes its packed parameters ``q`` and nothing else. There are three shapes:

    channel(x, q, size) -> x                                       the same for R, G and B, each alone
    pixel(r, g, b, q, size) -> (r, g, b)                           where channels meet
    place(r, g, b, q, size) -> (index, ..., carried, ...)          where a table is looked up: first where, and what is
                                                                   carried on; then, with the floats that lie there,
    finish(r, g, b, rows, carried, q, size) -> (r, g, b)           the result; or, where it is the same weighted sum of
    blend(row, ..., carried, ...) -> value                         whole rows for every channel, that sum
    place(x, q, size), finish(x, rows, carried, q, size) -> x      the same where each channel has parameters and a
                                                                   table of its own, ``apart + size`` floats apart

What lies in the table is brought by a gather of a named kind (:data:`GATHERS`), which only moves data: all sums stand
in the formulas. :func:`block_form` and :func:`pixel_form` build the loops for all operations alike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from huewright_kernels.lanes import (
    as_i32,
    blended_rows,
    block,
    constants,
    formula,
    loaded_row,
    moved,
    offset,
    pairs_to_planes,
    rows_to_planes,
)
from huewright_kernels.planes import BLOCK, BLUE, GREEN, RED, SPARE

GROUP = 64
"""So many pixels of a lattice are looked up at a time: while their rows come from the second-level cache, whose pace
bounds the look-up, the processor computes the next ones' places. Their places and weights stay in few lines of the
first."""


@dataclass(frozen=True)
class Gather:
    """Which floats of a table a pixel needs: for each of ``rows`` (index number, floats behind it, how many). Every
    index is a multiple of ``aligned`` floats, and so is where a table begins."""

    rows: tuple[tuple[int, int, int], ...]
    aligned: int

    @property
    def indices(self) -> int:
        return 1 + max(index for index, _, _ in self.rows)


GATHERS = {
    "row of four": Gather(((0, 0, 4),), 2),
    "pair": Gather(((0, 0, 2),), 1),
    "path": Gather(tuple((vertex, 0, 4) for vertex in range(4)), 4),
    "cell": Gather(tuple((edge, 4 * end, 4) for end in range(2) for edge in range(4)), 4),
}
"""A row of four floats; two neighbours; the four vertices of a path through a lattice's cell; the eight of a
cell, first the near ends of its four edges, then the far ones (rows of a lattice are four floats long)."""
_MOVERS = {2: (pairs_to_planes, 4), 4: (rows_to_planes, 8)}


@dataclass(frozen=True, eq=False)
class Form:
    """One formula in one of the shapes above. ``carried`` is how many numbers ``place`` carries on, ``table`` where in
    ``q`` the table begins; with ``apart`` above 0 each channel is looked up alone. ``blend`` is plain Python, compiled
    here: for one value or for a register of them. ``place_in_pairs`` is ``place`` in a table of another layout, see
    :func:`table_of`."""

    name: str
    channel: Callable[..., Any] | None = None
    pixel: Callable[..., Any] | None = None
    place: Callable[..., Any] | None = None
    place_in_pairs: Callable[..., Any] | None = None
    finish: Callable[..., Any] | None = None
    blend: Callable[..., Any] | None = None
    gather: str = ""
    carried: int = 0
    table: int = 0
    apart: int = 0


def block_form(form: Form) -> Callable[..., None]:
    """``form`` over a block: ``block_form(planes, q, size, n)``, ``n`` a multiple of the planes' quantum."""
    if form.channel is not None:
        body = ["    for channel in range(3):",
                f"        plane = offset(planes, channel * {BLOCK})",
                "        for i in range(n):",
                "            plane[i] = channel_formula(plane[i], q, size)"]
    elif form.pixel is not None:
        body = ["    for i in range(n):",
                f"        {_there('planes')} = pixel_formula({_there('planes')}, q, size)"]
    else:
        body = _gathering_block(form)
    source = "\n".join([f"def {form.name}_block(planes, parameters, size, n):", "    q = constants(parameters)", *body])
    return block(_defined(source, f"{form.name}_block", form))


def pixel_form(form: Form, *, tables_apart: bool = False, wide: bool = False) -> Callable[..., Any]:
    """``form`` of one pixel, with plain loads: ``pixel_form(r, g, b, q, size) -> (r, g, b)``. The same bits.

    ``wide``: rows of the table are read in pieces as wide as they are aligned; ``q`` is at a multiple of 64 bytes.
    ``tables_apart``: ``pixel_form(r, g, b, q, table, size)``, where ``q`` holds :func:`header_of` what was packed and
    ``table`` its :func:`table_of`, at a multiple of 16 bytes and read wide."""
    if form.channel is not None:
        body = ["    return channel_formula(r, q, size), channel_formula(g, q, size), channel_formula(b, q, size)"]
    elif form.pixel is not None:
        body = ["    return pixel_formula(r, g, b, q, size)"]
    else:
        body = _looking_up(form, tables_apart, wide or tables_apart)
    arguments = "parameters, rows, size" if tables_apart else "parameters, size"
    start = ["    q = constants(parameters)", *(["    tables = constants(rows)"] if tables_apart else [])]
    source = "\n".join([f"def {form.name}_pixel(r, g, b, {arguments}):", *start, *body])
    return block(_defined(source, f"{form.name}_pixel", form, tables_apart))


def header_of(form: Form, packed: np.ndarray, size: int) -> np.ndarray:
    """What stands in an operation's parameters before its table, of each channel where each has its own; all of them
    where there is no table."""
    if form.place is None:
        return packed
    if not form.apart:
        return packed[:form.table]
    return np.concatenate([packed[k * (form.apart + size):][:form.apart] for k in range(3)])


def table_of(form: Form, packed: np.ndarray, size: int) -> np.ndarray:
    """The rest: the table, of one channel after the other where each has its own; and in pairs, each row of four
    followed by the next one, where the form has a place for that: two neighbours then lie in one line."""
    if form.place is None:
        return packed[:0]
    if form.apart:
        return np.concatenate([packed[k * (form.apart + size) + form.table:][:size] for k in range(3)])
    table = packed[form.table:]
    if form.place_in_pairs is None:
        return table
    rows = table.reshape(-1, 4)
    return np.concatenate([rows, np.concatenate([rows[1:], rows[-1:]])], axis=1).reshape(-1)


def _looking_up(form: Form, tables_apart: bool, wide: bool) -> list[str]:
    gather = GATHERS[form.gather]
    indices, carried = _names("index", gather.indices), _names("carried", form.carried)
    rows = _names("row", len(gather.rows))
    if wide:
        found = [f"row_of_{count}(table, index_{index} + {behind})" for index, behind, count in gather.rows]
    else:
        found = ["(" + ", ".join(f"table[index_{index} + {behind + k}]" for k in range(count)) + ")"
                 for index, behind, count in gather.rows]
    load = [f"    {row} = {what}" for row, what in zip(rows, found, strict=True)]
    if form.apart:
        body, results = [], []
        for k, channel in enumerate("rgb"):
            body += [f"    own = moved(q, {k} * {form.apart})" if tables_apart else
                     f"    own = moved(q, {k} * ({form.apart} + size))",
                     f"    table = moved(tables, {k} * size)" if tables_apart else
                     f"    table = moved(own, {form.table})",
                     f"    {', '.join([*indices, *carried])} = place_formula({channel}, own, size)", *load,
                     f"    result_{k} = finish_formula({channel}, ({', '.join(rows)},), ({', '.join(carried)},), own, "
                     "size)"]
            results.append(f"result_{k}")
        return [*body, f"    return {', '.join(results)}"]
    body = [f"    {', '.join([*indices, *carried])} = place_formula(r, g, b, q, size)",
            "    table = tables" if tables_apart else f"    table = moved(q, {form.table})", *load]
    if form.blend is None:
        return [*body, f"    return finish_formula(r, g, b, ({', '.join(rows)},), ({', '.join(carried)},), q, size)"]
    channels = [", ".join([*(f"{row}[{k}]" for row in rows), *carried]) for k in range(3)]
    return [*body, "    return " + ", ".join(f"blend_formula({values})" for values in channels)]


def _gathering_block(form: Form) -> list[str]:
    gather, group = GATHERS[form.gather], BLOCK if form.blend is None else GROUP
    indices, carried = _names("index", gather.indices), _names("carried", form.carried)
    placed = [f"indices[{k * group} + i]" for k in range(gather.indices)]
    kept = [f"carried[{k * group} + i]" for k in range(form.carried)]
    here = "group[i]" if form.apart else _there("group")
    if form.apart:
        start = ["    for channel in range(3):",
                 f"        q = moved(constants(parameters), channel * ({form.apart} + size))",
                 f"        group = offset(planes, channel * {BLOCK})"]
    else:
        # Scratch is counted from the group, so that the distances are known while compiling.
        start = [f"    for first in range(0, n, {group}):", "        group = offset(planes, first)"]
    start += [
        f"        table = moved(q, {form.table})",
        f"        indices = as_i32(offset(group, {SPARE}))",
        f"        carried = offset(group, {SPARE + gather.indices * group})",
        # A group is always computed whole, which a block has room for.
        f"        for i in range({group}):",
        f"            {', '.join([*indices, *carried])} = place_formula({here}, q, size)",
        f"            {', '.join([*placed, *kept])} = {', '.join([*indices, *carried])}"]
    if form.blend is not None:
        return [*start, f"        for i in range(0, {group}, 8):",
                f"            blended(table, indices, carried, {group}, i, group, {BLOCK})"]
    moves, rows, plane = [], [], 0
    for index, behind, count in gather.rows:
        moves.append(f"mover(moved(table, {behind}), offset(indices, {index * group}), i, "
                     f"offset(gathered, {plane * group}), {group})")
        rows.append("(" + ", ".join(f"gathered[{(plane + k) * group} + i]" for k in range(count)) + ")")
        plane += count
    return [
        *start,
        f"        gathered = offset(group, {SPARE + (gather.indices + form.carried) * group})",
        f"        for i in range(0, {group}, {_MOVERS[gather.rows[0][2]][1]}):",
        *(f"            {move}" for move in moves),
        f"        for i in range({group}):",
        f"            {here} = finish_formula({here}, ({', '.join(rows)},), ({', '.join(kept)},), q, size)"]


def _names(word: str, count: int) -> list[str]:
    return [f"{word}_{k}" for k in range(count)]


def _there(planes: str) -> str:
    return ", ".join(f"{planes}[{start} + i]" for start in (RED, GREEN, BLUE))


def _defined(source: str, name: str, form: Form, tables_apart: bool = False) -> Callable[..., Any]:
    place = form.place_in_pairs if tables_apart and form.place_in_pairs is not None else form.place
    names: dict[str, Any] = {
        "__name__": __name__, "as_i32": as_i32, "constants": constants, "moved": moved, "offset": offset,
        "channel_formula": form.channel,
        "pixel_formula": form.pixel, "place_formula": place, "finish_formula": form.finish}
    if form.gather:
        gather = GATHERS[form.gather]
        names |= {f"row_of_{count}": loaded_row(count, gather.aligned) for _, _, count in gather.rows}
    if form.blend is not None:
        names["blend_formula"] = formula(form.blend)
        names["blended"] = blended_rows(tuple(row[:2] for row in GATHERS[form.gather].rows), form.carried, form.blend)
    elif form.gather:
        names["mover"] = _MOVERS[GATHERS[form.gather].rows[0][2]][0]
    exec(source, names)
    return names[name]
