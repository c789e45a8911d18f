"""The probe on our bundle, on an honest plug-in, and on ones with one fault each."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from huewright.errors import InputError
from huewright.frames.frame import Frame
from huewright.frames.picture import write_frame
from huewright.frames.sequence import parse_sequence
from huewright.probe.checks import CHECKS, ON_CARDS
from huewright.probe.probe import ProbeReport
from huewright.steps.ofx import list_plugins, probe_bundle

pytestmark = pytest.mark.slow

CORRECTION = "org.huewright.Correction"


def found(report: ProbeReport) -> str:
    return "\n".join(f"{row.check} {row.result} {finding.level}: {finding.message}"
                     for row in report.results for finding in row.findings)


# Each takes seconds: every run tries the effect with the most parameters with every check, and the one that draws masks
# with those of where and what it draws.
DRAWN = ("render", "window", "tiles", "origin", "scale", "row-bytes")


@pytest.mark.parametrize("effect", ["Correction", "PatchIsolation",
                                    *(pytest.param(name, marks=pytest.mark.long) for name in ("Lut", "HueSectors"))])
def test_finds_nothing_on_our_bundle(bundle: Path, tmp_path: Path, request: pytest.FixtureRequest, effect: str) -> None:
    lut = tmp_path / "invented.cube"
    rows = np.random.default_rng(0).random((5**3, 3))
    lut.write_text("LUT_3D_SIZE 5\n" + "\n".join(" ".join(f"{v:.6f}" for v in row) for row in rows) + "\n")
    settings: dict[str, dict[str, object]] = {
        "org.huewright.Lut": {"lutFile": str(lut)},
        "org.huewright.PatchIsolation": {"topLeft": (5.5, 30.25), "topRight": (45, 33), "bottomRight": (40, 4),
                                         "bottomLeft": (8, 6), "columns": 3, "rows": 2, "inset": 0.2, "feather": 1.5},
        CORRECTION: {"source": "parameters", "decodeLog": True, "linearPart": True, "display": "bt709"}}
    name = f"org.huewright.{effect}"
    some = None if effect == "Correction" or request.config.getoption("--long") else DRAWN
    report = probe_bundle(bundle, effects=[effect], settings={name: settings.get(name, {})}, checks=some)
    assert found(report) == "" and report.clean
    assert {row.result for row in report.results} <= {"passed", "skipped"}
    assert len(report.plugins) == 4 and {row.plugin for row in report.results} == {name}
    for plugin in (one for one in report.plugins if one["identifier"] == name):
        assert plugin["thread_safety"] == "OfxImageEffectRenderFullySafe"
        assert len(plugin["depths"]) == 4 and len(plugin["contexts"]) == 2
        ran = {row.check for row in report.results if row.plugin == plugin["identifier"] and row.result == "passed"}
        # Nothing is passed by being skipped, but for animation where there is nothing to animate; none has an overlay.
        # GPUs are probed where there is one (tests/card has a driver that stands in for it).
        if some:
            assert ran == set(some)
            continue
        still = {"animation"} if plugin["identifier"].endswith("Lut") else set()
        assert set(CHECKS) - ran <= {"overlay"} | ON_CARDS | still
    json.dumps(report.to_dict(), allow_nan=False)


def test_finds_nothing_on_an_honest_plugin(broken: Callable[[str], Path]) -> None:
    report = probe_bundle(broken(""))
    assert found(report) == "" and report.clean
    passed = {row.check for row in report.results if row.result == "passed"}
    assert passed >= {check for check, _, _ in FAULTS.values()}     # none of those is passed by being skipped


# fault -> (a check that must fail, how, what it must say)
FAULTS = {
    "WINDOW": ("window", "failed", "bytes outside the render window"),
    "LEAK_IMAGE": ("render", "failed", "clipReleaseImage was not called"),
    "LEAK_MEMORY": ("render", "failed", "4096 bytes allocated in OfxImageEffectActionRender were never freed"),
    "TYPE": ("description", "failed", "as string: it is int"),
    "CRASH": ("render", "crashed", "SIGSEGV"),
    "HANG": ("render", "hung", "did not come back from OfxImageEffectActionRender"),
    "THREAD_SAFETY": ("thread-safety", "failed", "declares OfxImageEffectRenderInstanceSafe, but"),
    "ONE_INSTANCE_AT_ONCE": ("one-instance-at-once", "failed", "frames of one instance rendered at once give other"),
    "READ": ("source-guard", "crashed", "reads outside the source's bounds"),
    "SOURCE": ("source-kept", "failed", "the source was written to"),
    "TILES": ("tiles", "failed", "tiles of 16 x 16 give other bytes"),
    "CLIP": ("description", "failed", "clip 'Source' is mandated"),
    "STATUS": ("life", "failed", "returned kOfxStatReplyNo, which this action may not"),
    "MEMORY": ("memory", "crashed", "SIGSEGV"),
    "ABORT": ("abort", "hung", "did not come back from OfxImageEffectActionRender"),
    "SUITES": ("without-PropertySuite", "crashed", "SIGSEGV"),
}


# The same plug-in fails the same check below, and spins until nobody waits for it any longer.
@pytest.mark.parametrize("fault", [pytest.param(fault, marks=pytest.mark.long) if fault == "ABORT" else fault
                                   for fault in FAULTS])
def test_finds_each_fault(broken: Callable[[str], Path], fault: str) -> None:
    check, result, words = FAULTS[fault]
    quick = {"checks": [check], "patience_s": 3.0} if result == "hung" else {"checks": [check]}
    (row,) = probe_bundle(broken(fault), **quick).results
    assert row.result == result and row.bad
    assert any(words in finding.message for finding in row.findings), row.findings


SUITES = ("MessageSuite", "MultiThreadSuite", "MemorySuite", "TimeLineSuite", "ParameterSuite", "ImageEffectSuite",
          "PropertySuite")
# The check that a plug-in with one fault fails, and no other.
ALONE: dict[str, tuple[str, str]] = {
    "description": ("CLIP", ""), "life": ("LIFE", ""), "questions": ("QUESTIONS", ""),
    "overlay": ("OVERLAY", ""), "changes": ("CHANGES", ""), "render": ("RENDER", ""),
    "window": ("WINDOW", ""), "output-guard": ("OUTPUT_GUARD", ""),
    "source-guard": ("SOURCE_GUARD", ""), "source-kept": ("SOURCE", ""),
    "tiles": ("TILES", ""), "origin": ("ORIGIN", ""), "scale": ("SCALE", ""),
    "row-bytes": ("ROW_BYTES", ""), "parameters": ("PARAMETERS", ""),
    "animation": ("ANIMATION", ""), "threads": ("THREADS", ""),
    "thread-safety": ("THREAD_SAFETY", ""), "one-instance-at-once": ("ONE_INSTANCE_AT_ONCE", ""),
    "abort": ("ABORT", ""), "memory": ("MEMORY", ""),
    "no-source": ("NO_SOURCE", ""), "leaks": ("LEAKS", ""),
    **{f"without-{name}": ("WITHOUT", f"Ofx{name}") for name in SUITES},
}


def test_every_check_has_its_plugin() -> None:
    assert set(ALONE) == set(CHECKS) - ON_CARDS     # these have theirs in tests/card


# Suites are taken away by the same few lines, whichever it is: every run tries one whose lack is found where it is used
# and one without which nothing works.
ALIKE = {f"without-{name}" for name in SUITES} - {"without-MultiThreadSuite", "without-PropertySuite"}


ORDER = list(ALONE)


@pytest.mark.parametrize("check", [pytest.param(check, marks=pytest.mark.long) if check in ALIKE else check
                                   for check in ALONE])
def test_one_fault_fails_one_check(broken: Callable[..., Path], request: pytest.FixtureRequest, check: str) -> None:
    """With ``--long`` of all checks, else of its own and the four listed around it: so every check is asked about
    several faults that are not its own."""
    at = ORDER.index(check)
    asked = None if request.config.getoption("--long") else [ORDER[(at + k) % len(ORDER)] for k in (-2, -1, 0, 1, 2)]
    fault, text = ALONE[check]
    report = probe_bundle(broken(fault, text), checks=asked, patience_s=3.0)
    if asked:
        assert {row.check for row in report.results} == set(asked)
    bad = {row.check for row in report.results if row.bad or row.result == "warned"}
    assert bad == {check}, found(report)
    assert all(finding.section for row in report.results for finding in row.findings if finding.level == "error")


def test_a_fault_everywhere_is_told_once(broken: Callable[..., Path]) -> None:
    report = probe_bundle(broken("CRASH"))
    (row,) = (row for row in report.results if row.bad)
    assert row.check == "render" and "its last calls: " in row.findings[0].message
    reached = [row for row in report.results if "not reached: it crashed in" in row.reason]
    assert len(reached) > 10 and {row.result for row in reached} == {"skipped"}


def test_a_leak_everywhere_is_told_once(broken: Callable[..., Path]) -> None:
    report = probe_bundle(broken("LEAK_IMAGE"))
    (row,) = (row for row in report.results if row.bad)
    assert row.check == "render" and [finding.level for finding in row.findings] == ["error"]
    again = [row for row in report.results if row.result == "noted"]
    assert len(again) > 10
    assert all(finding.message.startswith("as in check render: kept an image of clip Source")
               for row in again for finding in row.findings)


def test_processes_that_a_plugin_starts_are_ended(broken: Callable[..., Path]) -> None:
    report = probe_bundle(broken("FORK"), checks=["description"])
    assert any("it forked" in finding.message for row in report.results for finding in row.findings)
    report = probe_bundle(broken("MULTIPLY"), checks=["description"], patience_s=8.0)
    assert "started process after process in OfxActionLoad" in report.trouble
    mine = [path for path in Path("/proc").glob("[0-9]*/maps") if "MULTIPLY.ofx" in _text(path)]
    assert mine == []


def _text(path: Path) -> str:
    try:
        return path.read_text()
    except OSError:
        return ""


def test_a_crash_does_not_stop_the_probe(broken: Callable[[str], Path]) -> None:
    report = probe_bundle(broken("CRASH"), checks=["description", "render", "questions"])
    assert [row.result for row in report.results] == ["passed", "passed", "crashed"]
    assert report.worst("test.huewright.Half") == "crashed" and not report.clean


def test_one_effect_by_its_short_name(binary: Path) -> None:
    report = probe_bundle(binary, effects=["Lut"], checks=["life"])
    assert [(row.plugin, row.result) for row in report.results] == [("org.huewright.Lut", "passed")]


def test_takes_the_persons_frames(broken: Callable[[str], Path], tmp_path: Path) -> None:
    write_frame(tmp_path / "a.0001.exr", Frame(np.random.default_rng(0).random((20, 31, 3)).astype(np.float32)))
    frames = parse_sequence(f"{tmp_path}/a.####.exr")
    assert probe_bundle(broken(""), frames, checks=["render", "tiles", "source-guard"]).clean


def test_what_is_no_plugin_is_said_in_a_sentence(binary: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such plug-in"):
        probe_bundle(tmp_path / "missing.ofx")
    with pytest.raises(InputError, match="no Contents/Linux-"):
        probe_bundle(tmp_path)
    text = tmp_path / "text.ofx"
    text.write_text("not a library")
    with pytest.raises(InputError, match="cannot be loaded as an OpenFX binary"):
        probe_bundle(text)
    with pytest.raises(InputError, match="cannot be loaded"):
        list_plugins(text)
    with pytest.raises(InputError, match="no effect 'Blur' in it"):
        probe_bundle(binary, effects=["Blur"])
    with pytest.raises(InputError, match="no check 'nonsense'"):
        probe_bundle(text, checks=["nonsense"])
