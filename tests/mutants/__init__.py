"""Small faults put into the solver, the finder's grading and the hue sectors, one at a time: do tests notice?

``python -m mutants.run --group solver --count 70 --seed 1``, run in ``tests/``, draws so many changes from all that
:mod:`mutants.changes` can make to the group's modules, and for each runs the group's tests in a forked child that
imports the changed module in the real one's place; no file is touched. What no test noticed is printed with its place
and what was changed, to be sorted by hand: the same in every case that can occur, or a test that is missing.
"""
