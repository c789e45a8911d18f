"""A chain of operations as .cube text.

One lattice over file code values in [0, 1]; or ("shaped") a 1D table followed by a lattice, which is far more exact
where the correction works channel by channel up to the display signal, and which fewer programs read.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from huewright_kernels.ops import Operation

from huewright.colorimetry.lattice import axis_lattice, lattice_axis, reach, shaped
from huewright.errors import InputError
from huewright.reference import apply_chain

_SHAPER_ENTRIES = 16384


def cube_text(lattice: np.ndarray, title: str, comments: Sequence[str]) -> str:
    """A .cube file of one lattice; red runs fastest, as the format has it."""
    head = [f'TITLE "{title.replace(chr(34), chr(39))}"', *(f"# {line}" for line in comments)]
    return "\n".join([*head, f"LUT_3D_SIZE {lattice.shape[0]}", *_rows(_red_fastest(lattice)), ""])


def shaped_cube_text(operations: Sequence[Operation], size: int, title: str, comments: Sequence[str]) -> str:
    """A .cube file of a 1D table and a lattice; :class:`InputError` if the channels mix before the display signal."""
    split = next((at for at, operation in enumerate(operations) if not operation.separable()), len(operations))
    if not any((operation.clf() or ("",))[0] == "curve" for operation in operations[:split]):
        raise InputError("this correction mixes the channels before the display signal, which a table ahead of a "
                         "lattice can't do; export a plain .cube or a .clf")
    codes = np.repeat(np.linspace(0, 1, _SHAPER_ENTRIES)[:, None], 3, axis=1)
    axis = lattice_axis(*reach(operations[:split]), size)
    table = shaped(apply_chain(operations[:split], codes), axis)
    return "\n".join([*(f"# {line}" for line in (title, *comments)),  # this form of the format has no TITLE
                      f"LUT_1D_SIZE {_SHAPER_ENTRIES}", "LUT_1D_INPUT_RANGE 0.0 1.0",
                      f"LUT_3D_SIZE {size}", "LUT_3D_INPUT_RANGE 0.0 1.0",
                      *_rows(table), *_rows(_red_fastest(axis_lattice(operations[split:], axis))), ""])


def _red_fastest(lattice: np.ndarray) -> np.ndarray:
    return lattice.transpose(2, 1, 0, 3).reshape(-1, 3)


def _rows(colours: np.ndarray) -> list[str]:
    return [f"{r:.7g} {g:.7g} {b:.7g}" for r, g, b in colours.astype(np.float32).tolist()]
