"""The driver's functions by their own names, as cuda-bindings gives them: a status, then the results.

The library is the one that the variable STAND_IN_DRIVER names. Kernels that walk are computed by the processor's core.
"""

from __future__ import annotations

import ctypes
import enum
import os
from ctypes import POINTER, byref, c_char_p, c_int, c_int64, c_size_t, c_uint, c_uint64, c_void_p
from typing import Any

import numpy as np

# Global, so that a plug-in which opens libcuda.so.1 gets this one.
library = ctypes.CDLL(os.environ["STAND_IN_DRIVER"], mode=ctypes.RTLD_GLOBAL)


class CUresult(enum.IntEnum):
    CUDA_SUCCESS = 0
    CUDA_ERROR_INVALID_VALUE = 1
    CUDA_ERROR_OUT_OF_MEMORY = 2
    CUDA_ERROR_NOT_INITIALIZED = 3
    CUDA_ERROR_NO_DEVICE = 100
    CUDA_ERROR_INVALID_DEVICE = 101
    CUDA_ERROR_INVALID_CONTEXT = 201
    CUDA_ERROR_INVALID_PTX = 218
    CUDA_ERROR_INVALID_HANDLE = 400
    CUDA_ERROR_NOT_FOUND = 500
    CUDA_ERROR_NOT_READY = 600
    CUDA_ERROR_ILLEGAL_ADDRESS = 700


class Walk(ctypes.Structure):
    _fields_ = [("source", c_uint64), ("source_row", c_int64), ("target", c_uint64), ("target_row", c_int64),
                ("width", c_int), ("encoding", c_int), ("channels", c_int), ("premultiplied", c_int),
                ("count", c_int), ("instructions", c_uint64), ("data", c_uint64), ("rows", c_int)]


def _walk(place: Any) -> None:
    from huewright_kernels.executor import run_core
    from huewright_kernels.planes import SCRATCH_FLOATS

    w = place.contents
    size = (4, 2, 1, 2)[w.encoding] * w.channels
    job = np.array([w.source, w.encoding, w.source_row, size, w.channels, w.target, w.encoding, w.target_row, size,
                    w.channels, w.instructions, w.count, w.data, w.premultiplied, 0, 0, 1, 0], np.int64)
    scratch = np.zeros(SCRATCH_FLOATS + 16, np.float32)
    run_core.compiled()(job.ctypes.data, 0, 0, w.width, w.rows, scratch.ctypes.data + -scratch.ctypes.data % 64)


_walker = ctypes.CFUNCTYPE(None, POINTER(Walk))(_walk)
library.fake_walker(_walker)
library.fake_said.restype = c_char_p
library.fake_held.restype = c_uint64


def _function(name: str, *kinds: Any, results: tuple[Any, ...] = (), symbol: str = "") -> Any:
    inner = getattr(library, symbol or name)

    def call(*arguments: Any) -> tuple[Any, ...]:
        places = [kind() for kind in results]
        given = [kind(int(value) if kind is not c_char_p else value)
                 for kind, value in zip(kinds, arguments, strict=True)]
        status = CUresult(inner(*map(byref, places), *given))
        return (status, *(place.value or 0 for place in places))
    return call


cuInit = _function("cuInit", c_uint)  # noqa: N816
cuDeviceGetCount = _function("cuDeviceGetCount", results=(c_int,))  # noqa: N816
cuDeviceGet = _function("cuDeviceGet", c_int, results=(c_int,))  # noqa: N816
cuDevicePrimaryCtxRetain = _function("cuDevicePrimaryCtxRetain", c_int, results=(c_void_p,))  # noqa: N816
cuCtxSetCurrent = _function("cuCtxSetCurrent", c_void_p)  # noqa: N816
cuCtxSynchronize = _function("cuCtxSynchronize")  # noqa: N816
cuMemAlloc = _function("cuMemAlloc", c_size_t, results=(c_uint64,), symbol="cuMemAlloc_v2")  # noqa: N816
cuMemFree = _function("cuMemFree", c_uint64, symbol="cuMemFree_v2")  # noqa: N816
cuMemGetInfo = _function("cuMemGetInfo", results=(c_size_t, c_size_t), symbol="cuMemGetInfo_v2")  # noqa: N816
cuMemcpyHtoD = _function("cuMemcpyHtoD", c_uint64, c_void_p, c_size_t, symbol="cuMemcpyHtoD_v2")  # noqa: N816
cuMemcpyDtoH = _function("cuMemcpyDtoH", c_void_p, c_uint64, c_size_t, symbol="cuMemcpyDtoH_v2")  # noqa: N816
cuStreamCreate = _function("cuStreamCreate", c_uint, results=(c_void_p,))  # noqa: N816
cuStreamDestroy = _function("cuStreamDestroy", c_void_p, symbol="cuStreamDestroy_v2")  # noqa: N816
cuStreamSynchronize = _function("cuStreamSynchronize", c_void_p)  # noqa: N816
cuStreamWaitValue32 = _function("cuStreamWaitValue32", c_void_p, c_uint64, c_uint, c_uint,  # noqa: N816
                                symbol="cuStreamWaitValue32_v2")
cuGetErrorString = _function("cuGetErrorString", c_int, results=(c_char_p,))  # noqa: N816
