"""The conformance probe, seen from outside: starts the process that may be broken, and reads what it says."""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from huewright.errors import InputError
from huewright.host.child import talk
from huewright.host.objects import Finding

FORMAT = "huewright-ofx-probe-1"
RESULTS = ("passed", "noted", "warned", "failed", "crashed", "hung", "skipped")


@dataclass(frozen=True)
class CheckResult:
    """One row of the conformance table. ``result`` is one of :data:`RESULTS`; ``skipped`` says why in ``reason``."""

    plugin: str
    context: str
    check: str
    what: str
    result: str
    findings: tuple[Finding, ...] = ()
    reason: str = ""
    seconds: float = 0.0

    @property
    def bad(self) -> bool:
        return self.result in ("failed", "crashed", "hung")


@dataclass(frozen=True)
class ProbeReport:
    """``plugins`` as they describe themselves; ``results`` the table; ``trouble`` if the binary itself failed."""

    path: str
    plugins: tuple[dict[str, Any], ...]
    results: tuple[CheckResult, ...]
    trouble: str = ""

    @property
    def clean(self) -> bool:
        """Nothing against the standard, nothing worth a warning."""
        return not self.trouble and not any(row.bad or row.result == "warned" for row in self.results)

    def worst(self, plugin: str) -> str:
        order = ("crashed", "hung", "failed", "warned", "noted", "passed", "skipped")
        found = {row.result for row in self.results if row.plugin == plugin}
        return next((result for result in order if result in found), "skipped")

    def to_dict(self) -> dict[str, Any]:
        return {"format": FORMAT, "path": self.path, "clean": self.clean, "trouble": self.trouble,
                "plugins": list(self.plugins), "results": [asdict(row) for row in self.results]}


def probe_binary(path: Path, *, settings: dict[str, dict[str, Any]] | None = None, pictures: list[Path] | None = None,
                 effects: list[str] | None = None, checks: list[str] | None = None, patience_s: float = 10.0,
                 told: Any = None) -> ProbeReport:
    """Probes the ``.ofx`` at ``path``.

    settings    parameter values by effect identifier, over the probe's own
    pictures    .npy files (h, w, c), top row first, to render instead of the generated picture
    patience_s  an action that takes longer counts as hung
    told        called with each :class:`CheckResult` as it comes, and how many there will be
    """
    # The child works in a folder of its own.
    request = {"path": os.path.abspath(path), "settings": settings or {}, "effects": effects, "folder": os.getcwd(),
               "pictures": [os.path.abspath(p) for p in pictures or ()], "checks": checks, "patience_s": patience_s}
    plugins: tuple[dict[str, Any], ...] = ()
    trouble = ""
    results = []
    total = 0
    for answer in talk("huewright.probe.child", request):
        if "plugins" in answer:
            plugins, total = tuple(answer["plugins"]), answer["jobs"]
            if answer.get("end") == "unloadable":
                raise InputError(answer["why"])
            if "end" in answer:
                trouble = _ending(answer)
            continue
        row = _row(answer)
        results.append(row)
        if told is not None:
            told(row, total)
    return ProbeReport(os.fspath(path), plugins, tuple(results), trouble)


def _row(answer: dict[str, Any]) -> CheckResult:
    head = (answer["plugin"], answer["context"], answer["check"], answer["what"])
    if "end" in answer:
        finding = Finding("error", _ending(answer), answer.get("at", ""), f"Actions passed to an image effect, "
                          f"{answer.get('at', '')}: a status is returned")
        result = {"hung": "hung", "crashed": "crashed", "multiplied": "hung"}.get(answer["end"], "failed")
        return CheckResult(*head, result, (finding,), "", answer["seconds"])
    found = tuple(Finding(**row) for row in answer["answer"]["findings"])
    levels = {finding.level for finding in found}
    result = "failed" if "error" in levels else "warned" if "warning" in levels else "skipped" \
        if answer["answer"]["skipped"] else "noted" if "note" in levels else "passed"
    return CheckResult(*head, result, found, answer["answer"]["skipped"], answer["seconds"])


def _ending(answer: dict[str, Any]) -> str:
    calls = f"; its last calls: {', '.join(answer['calls'])}" if answer.get("calls") else ""
    if answer["end"] == "hung":
        return f"did not come back from {answer['at']}{calls}"
    if answer["end"] == "multiplied":
        return f"started process after process in {answer['at']}{calls}"
    if answer["end"] == "crashed":
        return f"crashed ({answer['signal']}) in {answer['at']}{_GUARDS.get(answer.get('check', ''), '')}{calls}"
    return "the probe itself failed: " + str(answer.get("why", "")).strip().splitlines()[-1]


# In these checks the memory around a picture is closed off, and plain rendering is tried by another check.
_GUARDS = {"source-guard": ": it reads outside the source's bounds, or writes to the source",
           "output-guard": ": it writes outside the output's memory",
           "origin": ": it touches memory outside a picture whose bounds do not begin at 0, 0, or are not its source's"}
