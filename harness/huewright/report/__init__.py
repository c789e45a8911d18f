"""What people look at: scopes, contact sheet, tables and the proof's page.

Imports the kernels, colorimetry, reference, frames, models and files.
"""
