"""The data that flows: card, footage, reading, survey, correction, proof, job, demo; frozen, with a text form; and the
codes that they hold.

Imports the kernels' operations, and files for the text; no pictures.
"""
