"""How well a reading knows the light behind its code values, as a share of that light itself.

What is small in code values may be much of a dark channel's light, and a chip's hue follows its darkest channel.
"""

from __future__ import annotations

import numpy as np
from huewright_kernels.ops import Transfer

from huewright.models.footage import Footage
from huewright.models.reading import Reading
from huewright.models.survey import LightKnown
from huewright.reference import apply_chain
from huewright.solver.results import INTERVAL

# What a reading should be known to (common practice, no source), and in how many standard errors that is told: 99 % of
# a normal spread. Readings are picked out here for their small intervals, and a patch for three at once.
WITHIN, SURE = 0.01, 2.576


def light_known(reading: Reading, footage: Footage) -> tuple[LightKnown, ...]:
    """Of every patch that isn't excluded."""
    known = []
    for patch, share in zip(reading.patches, share_unsure(reading, footage), strict=True):
        if not patch.excluded:
            percent = [round(float(100 * value), 3) if np.isfinite(value) else None for value in share]
            within = share * SURE / INTERVAL <= WITHIN
            known.append(LightKnown(patch.name, (percent[0], percent[1], percent[2]),
                                    (bool(within[0]), bool(within[1]), bool(within[2]))))
    return tuple(known)


def share_unsure(reading: Reading, footage: Footage) -> np.ndarray:
    """(p, 3) half of the 95 % interval of each patch's linear light over that light, by channel; infinite where the
    light is none. A display picture goes back to light through BT.709's OETF (ITU-R BT.709-6, item 1.2)."""
    chain = footage.to_linear()
    if footage.encoding == "display":
        chain = (*chain, Transfer(curve="bt709", direction="decode"))
    mean = np.array([patch.mean for patch in reading.patches], dtype=np.float64).reshape(-1, 3)
    half = INTERVAL * np.array([patch.standard_error for patch in reading.patches]).reshape(-1, 3)
    light = apply_chain(chain, mean) if chain else mean
    share = np.empty_like(mean)
    for channel in range(3):
        step = half * (np.arange(3) == channel)
        low, high = ((apply_chain(chain, mean + side * step) if chain else mean + side * step)[:, channel]
                     for side in (-1, 1))
        with np.errstate(divide="ignore", invalid="ignore"):
            share[:, channel] = np.where(light[:, channel] > 0, (high - low) / 2 / light[:, channel], np.inf)
    return share
