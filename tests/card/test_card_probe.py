"""The probe's checks of rendering on NVIDIA GPUs, with a driver that stands in for a GPU's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from huewright.probe.checks import ON_CARDS
from huewright.probe.probe import ProbeReport
from huewright.steps.ofx import probe_bundle

pytestmark = pytest.mark.slow


def found(report: ProbeReport) -> list[str]:
    return [f"{row.check} {row.result}: {finding.message}" for row in report.results for finding in row.findings]


@pytest.mark.usefixtures("stood_in")
def test_finds_nothing_on_an_honest_plugin(copying: Callable[[str], Path]) -> None:
    report = probe_bundle(copying(""))
    assert found(report) == []
    assert {row.check for row in report.results if row.result == "passed"} >= ON_CARDS


@pytest.mark.usefixtures("stood_in")
def test_finds_nothing_on_our_bundle(bundle: Path) -> None:
    report = probe_bundle(bundle, effects=["Correction"], checks=sorted(ON_CARDS), settings={
        "org.huewright.Correction": {"source": "parameters", "decodeLog": True, "display": "bt709"}})
    assert found(report) == []
    assert {row.result for row in report.results} == {"passed"}


@pytest.mark.usefixtures("stood_in")
@pytest.mark.parametrize("check", sorted(ON_CARDS))
def test_one_fault_fails_one_check(copying: Callable[[str], Path], check: str) -> None:
    # No fault here hangs; what stands in for a GPU begins with compiled code, which a busy disk may take its time for.
    report = probe_bundle(copying(check.upper().replace("-", "_")), checks=[*sorted(ON_CARDS), "render", "window"],
                          patience_s=120.0)
    assert {row.check for row in report.results if row.result != "passed"} == {check}, found(report)
    assert {row.result for row in report.results if row.check == check} == {"failed"}, found(report)


def test_a_machine_without_a_gpu_says_so(copying: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CUDA_VISIBLE_DEVICES", "-1")
    (row,) = probe_bundle(copying(""), checks=["cuda-render"]).results
    assert row.result == "skipped" and row.reason.startswith("unprobed here: --device cuda needs")


def test_a_plugin_that_does_not_offer_it(bundle: Path) -> None:
    (row,) = probe_bundle(bundle, effects=["PatchIsolation"], checks=["cuda-render"]).results
    assert row.result == "skipped" and row.reason == "the plug-in does not render on NVIDIA's GPUs"
