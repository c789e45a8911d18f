"""Image kernels: numpy and numba only, no I/O."""
