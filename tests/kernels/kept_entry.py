"""What test_kernel_cache_and_threads.py has compiled and kept: one entry point that is soon compiled."""

from __future__ import annotations

from huewright_kernels.cache import entry


@entry("f8(f8)")
def doubled(value):  # type: ignore[no-untyped-def]
    return 2 * value
