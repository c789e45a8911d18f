"""Tables of a LUT as .cube text.

One lattice over file code values; or a 1D table followed by a lattice, which fewer programs read. Either names the
code values that it covers where these are not 0 to 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from huewright.colorimetry.forms import Tables


def cube_text(tables: Tables, title: str, comments: Sequence[str]) -> str:
    """A .cube file of ``tables``; in a lattice red runs fastest, as the format has it."""
    low, high = tables.domain
    size = f"LUT_3D_SIZE {tables.lattice.shape[0]}"
    if tables.table is None:
        head = [f'TITLE "{title.replace(chr(34), chr(39))}"', *(f"# {line}" for line in comments), size]
        if tables.domain != (0.0, 1.0):
            head += [f"DOMAIN_MIN {low:.9g} {low:.9g} {low:.9g}", f"DOMAIN_MAX {high:.9g} {high:.9g} {high:.9g}"]
    else:
        head = [*(f"# {line}" for line in (title, *comments)),  # this form of the format has no TITLE
                f"LUT_1D_SIZE {tables.table.shape[0]}", f"LUT_1D_INPUT_RANGE {low:.9g} {high:.9g}",
                size, "LUT_3D_INPUT_RANGE 0.0 1.0", *_rows(tables.table)]
    return "\n".join([*head, *_rows(tables.lattice.transpose(2, 1, 0, 3).reshape(-1, 3)), ""])


def _rows(colours: np.ndarray) -> Iterator[str]:
    """Lines of three numbers, thousands to a text: one formatting of all is three times as fast as one of each."""
    for part in np.array_split(colours.astype(np.float32), range(4096, len(colours), 4096)):
        yield "\n".join(["%.7g %.7g %.7g"] * len(part)) % tuple(part.ravel().tolist())
