"""What a correction becomes for the programs that finish a picture: LUT files, a CDL, an edit, a configuration.

May import everything below the proof. Says nothing: what it finds are figures and codes.
"""
