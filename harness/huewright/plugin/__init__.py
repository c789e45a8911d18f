"""The native OpenFX plug-in: its effects, C sources, build and golden vectors; imports the kernels, ``reference``,
``models``, ``strict_json``, ``files`` and ``errors`` only."""
