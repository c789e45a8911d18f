"""The headless host: the suites of the standard over the objects behind the handles, every call checked."""

from __future__ import annotations

import ctypes
import random
import time
from collections.abc import Callable
from typing import Any

from huewright.host import abi, property_sets, standard, suites
from huewright.host.handles import Conditions, Handles
from huewright.host.objects import PropertySet

HOST_NAME = "org.huewright.headless"


class Host(Handles):
    """One host for one plug-in binary. ``folder`` is where relative paths in settings begin; empty: where the process
    works."""

    folder = ""

    def __init__(self, conditions: Conditions | None = None) -> None:
        super().__init__(conditions)
        self._callbacks: list[Any] = []
        self._suites: dict[tuple[str, int], ctypes.Structure] = {}
        self.properties = PropertySet("the host", property_sets.HOST, _host_values(self.conditions), self.journal)
        self.structure = abi.OfxHost(self.register(self.properties),
                                     self._callback(abi.FetchSuite, self._fetch, "Core API, OfxHost", "fetchSuite"))
        self._build_suites()

    # --- callbacks -------------------------------------------------------------------------------------------
    def _callback(self, prototype: Any, function: Callable[..., Any], section: str, name: str) -> Any:
        """``function`` as a C function; an exception in it becomes a finding and a failed status."""
        def guarded(*arguments: Any) -> Any:
            if self.conditions.dawdle_s:
                time.sleep(random.random() * self.conditions.dawdle_s)
            try:
                with self.journal.inside(section, name):
                    return function(*arguments)
            except Exception as error:  # must not travel through a plug-in's C frames
                self.journal.add("note", f"the host itself failed in {function.__name__}: {error!r}")
                return standard.FAILED if prototype._restype_ is ctypes.c_int else None
        callback = prototype(guarded)
        self._callbacks.append(callback)
        return callback

    def _build_suites(self) -> None:
        for name, version, structure, functions in suites.tables(self):
            suite = structure()
            for member in structure._fields_:
                section = f"Suites, {name.removeprefix('Ofx')} version {version}, {member[0]}"
                setattr(suite, member[0], self._callback(member[1], functions[member[0]], section, member[0]))
            self._suites[name, version] = suite

    def _fetch(self, host: int, name: bytes | None, version: int) -> int | None:
        wanted = (name or b"").decode(errors="replace")
        suite = None if wanted in self.conditions.missing else self._suites.get((wanted, version))
        self.counts.suites[f"{wanted} {version}"] = suite is not None
        return None if suite is None else ctypes.addressof(suite)


_YES = {True: "true", False: "false"}


def _host_values(conditions: Conditions) -> dict[str, Any]:
    card = conditions.card
    on_cards, streams = card is not None, card is not None and card.streams
    return {
        "OfxPropAPIVersion": [1, 5], "OfxPropType": "OfxTypeImageEffectHost", "OfxPropName": HOST_NAME,
        "OfxPropLabel": "Huewright headless host", "OfxPropVersion": [1, 0, 0], "OfxPropVersionLabel": "1.0",
        "OfxImageEffectHostPropIsBackground": 1, "OfxImageEffectPropSupportsOverlays": 1,
        "OfxImageEffectPropSupportsMultiResolution": 1, "OfxImageEffectPropSupportsTiles": 1,
        "OfxImageEffectPropTemporalClipAccess": 1, "OfxImageEffectPropMultipleClipDepths": 1,
        "OfxImageEffectPropSupportsMultipleClipPARs": 0, "OfxImageEffectPropSetableFrameRate": 0,
        "OfxImageEffectPropSetableFielding": 0, "OfxImageEffectInstancePropSequentialRender": 1,
        "OfxImageEffectPropSupportedComponents": list(standard.COMPONENTS),
        "OfxImageEffectPropSupportedContexts": list(standard.CONTEXTS),
        "OfxImageEffectPropSupportedPixelDepths": list(standard.DEPTHS),
        "OfxParamHostPropSupportsCustomInteract": 0, "OfxParamHostPropSupportsStringAnimation": 0,
        "OfxParamHostPropSupportsChoiceAnimation": 0, "OfxParamHostPropSupportsBooleanAnimation": 0,
        "OfxParamHostPropSupportsCustomAnimation": 0, "OfxParamHostPropSupportsParametricAnimation": 0,
        "OfxParamHostPropSupportsStrChoice": 1, "OfxParamHostPropSupportsStrChoiceAnimation": 0,
        "OfxParamHostPropMaxParameters": -1, "OfxParamHostPropMaxPages": 0,
        "OfxParamHostPropPageRowColumnCount": [0, 0], "OfxPropHostOSHandle": 0,
        "OfxImageEffectHostPropNativeOrigin": "kOfxImageEffectHostPropNativeOriginBottomLeft",
        "OfxImageEffectPropOpenGLRenderSupported": "false", "OfxImageEffectPropRenderQualityDraft": 0,
        "OfxImageEffectPropCudaRenderSupported": _YES[on_cards], "OfxImageEffectPropMetalRenderSupported": "false",
        "OfxImageEffectPropOpenCLRenderSupported": "false",
        "OfxImageEffectPropOpenCLSupported": "false", "OfxImageEffectPropCPURenderSupported": "true",
        "OfxImageEffectPropCudaStreamSupported": _YES[streams],
        "OfxImageEffectPropColourManagementStyle": standard.COLOUR_OCIO,
        "OfxImageEffectPropColourManagementAvailableConfigs": [standard.NATIVE_CONFIG],
    }
