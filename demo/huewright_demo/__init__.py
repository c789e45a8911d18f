"""The invented shoot that the demo generates: nothing in it is real, and it says so."""
