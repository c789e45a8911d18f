"""The data that flows: card, footage, reading, survey, correction, proof; frozen, with a text form.

Imports the kernels' operations, and files for the text; no pictures.
"""
