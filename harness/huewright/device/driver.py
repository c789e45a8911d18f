"""CUDA's driver as this program uses it: each call's answer checked, problems as sentences.

The driver comes with the card; of CUDA's toolkit nothing is needed. It is opened when the first device is asked for.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from huewright.errors import InputError

INSTALL = "pip install 'huewright[gpu]'"


@cache
def api() -> Any:
    """The driver's functions by their own names. :class:`InputError` where there is no driver, or no way to it."""
    try:
        from cuda.bindings import driver
    except ImportError:
        raise InputError(f"--device cuda needs the package cuda-bindings, which is not installed; {INSTALL}, or leave "
                         "--device out") from None
    try:
        (status,) = driver.cuInit(0)
    except RuntimeError:
        raise InputError("--device cuda needs an NVIDIA GPU with its driver, and there is no driver here; install it, "
                         "or leave --device out") from None
    if status == driver.CUresult.CUDA_ERROR_NO_DEVICE:
        raise InputError("--device cuda needs an NVIDIA GPU, and there is none here; leave --device out")
    if status != driver.CUresult.CUDA_SUCCESS:
        raise InputError(f"NVIDIA's driver does not start ({status.name}); mend that, or leave --device out")
    return driver


def call(function: str, *arguments: Any) -> Any:
    """What the driver's ``function`` gives back: nothing, one value, or a tuple. :class:`InputError` where it fails."""
    driver = api()
    status, *results = getattr(driver, function)(*arguments)
    if status != driver.CUresult.CUDA_SUCCESS:
        if status == driver.CUresult.CUDA_ERROR_OUT_OF_MEMORY:
            raise InputError("the GPU has not enough free memory for this; give fewer --threads (frames under way), or "
                             "a GPU that nobody else uses")
        raise InputError(f"the GPU failed in {function}: {_words(driver, status)}; leave --device out to render on the "
                         "processor, which gives the same bytes")
    return results[0] if len(results) == 1 else tuple(results) or None


def _words(driver: Any, status: Any) -> str:
    asked, words = driver.cuGetErrorString(status)
    said = words.decode() if asked == driver.CUresult.CUDA_SUCCESS and words else "no reason given"
    return f"{said} ({status.name})"


def named(device: str) -> list[int]:
    """The numbers of the GPUs that "cuda" or "cuda:N" names. :class:`InputError` where there is none such."""
    match = re.fullmatch(r"cuda(?::(\d{1,4}))?", device)
    if match is None:
        raise InputError(f"--device takes cpu, cuda, or cuda:N with a GPU's number, not {device!r}")
    count = call("cuDeviceGetCount")
    if count == 0:
        raise InputError("--device cuda needs an NVIDIA GPU, and there is none here; leave --device out")
    if match[1] is None:
        return list(range(count))
    if int(match[1]) >= count:
        raise InputError(f"there is no GPU {match[1]}: this machine has {count}, counted from 0")
    return [int(match[1])]
