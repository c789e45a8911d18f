"""The plug-in timed beside the harness: the rows, and what is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from huewright.errors import InputError
from huewright.steps.ofx_bench import CASES, bench_plugin

pytestmark = pytest.mark.slow


def test_each_case_has_its_row(binary: Path) -> None:
    result = bench_plugin(binary, threads=2, rounds=3, size=(96, 64))
    assert [(row.case, row.instances) for row in result.rows] == [(case, count) for case, count, _ in CASES]
    for row in json.loads(json.dumps(result.to_dict()))["rows"]:
        assert row["threads"] == 2 and 0 < row["low"] <= row["ratio"] <= row["high"]
        assert row["plugin_ms"] > 0 < row["harness_ms"] and row["small_ms"] > 0


def test_what_is_not_our_plugin_is_refused(broken: Callable[..., Path]) -> None:
    with pytest.raises(InputError, match=r"org\.huewright\.HueSectors"):
        bench_plugin(broken(""), rounds=1, size=(96, 64))
    with pytest.raises(InputError, match="at least one thread and one round"):
        bench_plugin(broken(""), rounds=0)
