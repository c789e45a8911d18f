"""The changes are those that are meant, one at a time, and the groups name what is there."""

from __future__ import annotations

from mutants.changes import changed, changes
from mutants.groups import GROUPS
from mutants.run import ROOT, drawn, path_of

SOURCE = '''
def limited(x: float = 2.0, most=4):
    """At most 4."""
    if x > most:
        return most
    return abs(x) + 1 if x and most else -x
'''


def test_every_change_is_made_alone() -> None:
    found = changes("m", SOURCE)
    kinds = sorted({change.kind for change in found})
    assert kinds == ["and or", "arithmetic", "comparison", "condition", "constant", "early exit", "function", "sign"]
    results = set()
    for change in found:
        names: dict = {}
        exec(compile(changed(SOURCE, change), "m", "exec"), names)
        limited = names["limited"]
        results.add(tuple(limited(*given) for given in ((), (5,), (4,), (-3,), (0,), (1, 0))))
    names = {}
    exec(SOURCE, names)
    assert len(results) > len(found) / 2 and all(change.line > 1 for change in found)
    early = next(change for change in found if change.kind == "early exit")
    exec(compile(changed(SOURCE, early), "m", "exec"), names)
    assert names["limited"](9) == 10


def test_groups_name_modules_and_tests_that_are_there() -> None:
    for group in GROUPS.values():
        assert all(path_of(module).exists() for module in group.modules)
        files = [test.partition("::")[0] for test in (*group.tests, *group.more) if test.startswith("tests/")]
        assert files and all((ROOT / file).exists() for file in files)
    slopes = GROUPS["slopes"]
    assert drawn(slopes, 30, 1) == drawn(slopes, 30, 1) != drawn(slopes, 30, 2)
