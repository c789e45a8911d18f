"""Progress, dialog, parametric, interact and draw suites: what a host without a screen does with them.

Source: the OpenFX reference 1.5.1, "Suites": progress, parametric parameters, interacts, drawing of overlays.
"""

from __future__ import annotations

import ctypes
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from huewright.host import abi, property_sets, standard
from huewright.host.handles import Handles
from huewright.host.host import Host
from huewright.host.objects import Clip, DrawContext, Effect, Image, Parameter, PropertySet
from huewright.host.pictures import wrap
from huewright.host.session import Instance


def suite(host: Host, name: str, structure: Any, version: int = 1) -> Any:
    address = host.structure.fetchSuite(host.structure.host, name.encode(), version)
    return structure.from_address(address)


def effect_of(host: Host) -> int:
    return host.handle_of(Effect(PropertySet("an instance", property_sets.EFFECT_INSTANCE, {}, host.journal), True))


def errors(host: Host) -> list[str]:
    return [finding.message for finding in host.journal.findings if finding.level == "error"]


@pytest.mark.parametrize("version", (1, 2))
def test_progress_is_started_told_and_ended(version: int) -> None:
    host = Host()
    structure = abi.ProgressSuite1 if version == 1 else abi.ProgressSuite2
    progress, effect = suite(host, standard.SUITE_PROGRESS, structure, version), effect_of(host)
    words = (b"working",) if version == 1 else (b"working", b"id")
    assert progress.progressStart(effect, *words) == standard.OK
    assert progress.progressUpdate(effect, 0.5) == standard.OK and errors(host) == []
    assert progress.progressEnd(effect) == standard.OK
    assert progress.progressUpdate(effect, 0.7) == standard.FAILED
    assert errors(host) == ["progressUpdate was called without progressStart"]
    assert host.journal.findings[0].section == f"Suites, ProgressSuite version {version}, progressUpdate"


def test_curves_are_straight_between_their_points() -> None:
    host = Host()
    curves = suite(host, standard.SUITE_PARAMETRIC, abi.ParametricSuite)
    table = property_sets.parameter_properties("OfxParamTypeParametric")
    held = PropertySet("parameter curve", table, {"OfxParamPropParametricDimension": 2}, host.journal)
    handle = host.register(Parameter("curve", "OfxParamTypeParametric", held))
    value, count = ctypes.c_double(), ctypes.c_int()
    assert curves.parametricParamGetValue(handle, 0, 0.0, 0.3, value) == standard.OK and value.value == 0.3
    assert curves.parametricParamAddControlPoint(handle, 0, 0.0, 0.5, 1.0, False) == standard.OK
    assert curves.parametricParamGetNControlPoints(handle, 0, 0.0, count) == standard.OK and count.value == 3
    curves.parametricParamGetValue(handle, 0, 0.0, 0.25, value)
    assert value.value == 0.5
    curves.parametricParamGetValue(handle, 1, 0.0, 0.25, value)
    assert value.value == 0.25      # the other curve is its own
    assert curves.parametricParamDeleteControlPoint(handle, 0, 7) == standard.ERR_BAD_INDEX
    assert errors(host) == []
    assert curves.parametricParamGetValue(handle, 2, 0.0, 0.3, value) == standard.ERR_BAD_INDEX
    assert errors(host) == ["parametricParamGetValue: parameter 'curve' has no curve 2"]


def test_drawing_is_kept_and_checked() -> None:
    host = Host()
    drawing = suite(host, standard.SUITE_DRAW, abi.DrawSuite)
    drawn = DrawContext()
    context = host.register(drawn)
    points = (ctypes.c_double * 4)(1, 2, 3, 4)
    assert drawing.draw(context, 0, points, 2) == standard.OK and drawn.calls == [("draw", 0, 2, 1.0, 2.0, 3.0, 4.0)]
    assert drawing.draw(context, 4, points, 2) == standard.ERR_VALUE    # a polygon of two points
    assert drawing.setLineStipple(context, 5) == standard.ERR_VALUE
    host.release(context)
    assert drawing.setLineWidth(context, 1.0) == standard.FAILED        # the draw action is over
    assert len(errors(host)) == 3


def test_the_threads_of_the_pool_stay() -> None:
    from huewright.host.handles import Conditions

    host = Host(Conditions(cpus=3))
    threads = suite(host, standard.SUITE_THREAD, abi.MultiThreadSuite)
    import threading

    seen: list[set[int]] = []
    for _ in range(2):
        now: set[int] = set()
        together = threading.Barrier(3)     # all must run at once, or none gets on

        def work(index: int, _count: int, _data: Any, now: set[int] = now, together: Any = together) -> None:
            together.wait(240)
            now.add(threading.get_ident() if index else 0)

        assert threads.multiThread(abi.ThreadFunction(work), 3, None) == standard.OK
        seen.append(now)
    assert seen[0] == seen[1] and len(seen[0]) == 3


def test_pictures_are_taken_back_of_their_own_instance_alone() -> None:
    """Another instance of the host may be rendering just then."""
    host = Handles()
    clips = [Clip("Source", PropertySet("a clip", {}, {}, host.journal)) for _ in range(2)]
    picture = wrap(np.zeros((2, 2, 4), np.float32), "OfxImageComponentRGBA")
    handles = [host.give_image(picture, clip, (1.0, 1.0)) for clip in clips]
    mine: Any = SimpleNamespace(host=host, effect=SimpleNamespace(clips={"Source": clips[0]}))
    Instance.note_open_images(mine)
    assert [image.clip for image in host.open_images()] == [clips[1]]
    assert host.find(handles[1], Image, "now") is not None
    assert [finding.level for finding in host.journal.findings] == ["error"]
