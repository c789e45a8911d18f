"""The conformance probe: what is tried on a plug-in and how it is judged; imports ``host`` and ``errors`` only."""
