"""The functions of the suites that the headless host offers, in the standard's names (OpenFX 1.5.1, suite chapters)."""

from __future__ import annotations

import ctypes

from huewright.host import abi, standard
from huewright.host.handles import Handles
from huewright.host.suites.common import Functions
from huewright.host.suites.effects import effect_suite
from huewright.host.suites.interacts import draw_suite, interact_suite
from huewright.host.suites.parameters import parameter_suite
from huewright.host.suites.parametric import parametric_suite
from huewright.host.suites.progress import dialog_suite, progress_suite
from huewright.host.suites.properties import property_suite
from huewright.host.suites.services import formatted, memory_suite, message_suite, thread_suite, time_line_suite


def tables(host: Handles) -> list[tuple[str, int, type[ctypes.Structure], Functions]]:
    """(name, version, structure, functions) of every suite. Version 1 of the message suite is a prefix of 2."""
    message = message_suite(host)
    return [(standard.SUITE_PROPERTY, 1, abi.PropertySuite, property_suite(host)),
            (standard.SUITE_EFFECT, 1, abi.ImageEffectSuite, effect_suite(host)),
            (standard.SUITE_PARAMETER, 1, abi.ParameterSuite, parameter_suite(host)),
            (standard.SUITE_MEMORY, 1, abi.MemorySuite, memory_suite(host)),
            (standard.SUITE_THREAD, 1, abi.MultiThreadSuite, thread_suite(host)),
            (standard.SUITE_MESSAGE, 1, abi.MessageSuite, message),
            (standard.SUITE_MESSAGE, 2, abi.MessageSuite, message),
            (standard.SUITE_TIMELINE, 1, abi.TimeLineSuite, time_line_suite(host)),
            (standard.SUITE_PROGRESS, 1, abi.ProgressSuite1, progress_suite(host)),
            (standard.SUITE_PROGRESS, 2, abi.ProgressSuite2, progress_suite(host)),
            (standard.SUITE_DIALOG, 1, abi.DialogSuite, dialog_suite(host)),
            (standard.SUITE_PARAMETRIC, 1, abi.ParametricSuite, parametric_suite(host)),
            (standard.SUITE_INTERACT, 1, abi.InteractSuite, interact_suite(host)),
            (standard.SUITE_DRAW, 1, abi.DrawSuite, draw_suite(host))]


__all__ = ["formatted", "tables"]
