"""What computes pixels: this machine's processor, or NVIDIA GPUs, opened through their driver when they are asked for.

Imports the kernels, files and errors; rendering, timing and accuracy use it.
"""
