"""Run as a program: tries a plug-in out, each check in a forked process that may crash or hang without harm.

Nothing but NumPy is loaded before the forks.
"""

from __future__ import annotations

import json
import mmap
import os
import select
import signal
import time
import traceback
from collections.abc import Callable
from typing import Any

import numpy as np

from huewright.host import standard
from huewright.host.child import Tell, serve
from huewright.host.host import Host
from huewright.host.session import Binary
from huewright.probe.bench import Bench, SkipCheck
from huewright.probe.checks import CHECKS

# The context that is tried first gets every check, the others those that a context can change.
IN_EVERY_CONTEXT = ("questions", "render", "tiles")
MOST_TURNS = 20
"""A check may take so many times the time after which an action counts as hung."""


class Progress:
    """What the forked process is at, readable from outside even after its death."""

    SIZE = 512

    def __init__(self) -> None:
        self.memory = mmap.mmap(-1, self.SIZE)
        self.count = 0

    def say(self, what: str) -> None:
        self.count += 1
        text = f"{self.count}:{what}".encode()[: self.SIZE - 1]
        self.memory[: len(text) + 1] = text + b"\0"

    def read(self) -> tuple[str, str]:
        """(number of the step, what it was)."""
        number, _, what = bytes(self.memory[:]).partition(b"\0")[0].decode(errors="replace").partition(":")
        return number, what


def forked(function: Callable[[Callable[[str], None]], Any], patience_s: float) -> dict[str, Any]:
    """``function`` in a process of its own: {"answer": ...}, or {"end": "crashed" | "hung" | "broken", ...}."""
    progress = Progress()
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reader)
        try:
            answer = json.dumps({"answer": function(progress.say)})
        except BaseException:
            answer = json.dumps({"end": "broken", "why": traceback.format_exc()})
        with os.fdopen(writer, "w") as stream:
            stream.write(answer)
        os._exit(0)
    os.close(writer)
    chunks: list[bytes] = []
    began = moved = time.monotonic()
    step = progress.read()[0]
    hung = False
    while True:
        ready, _, _ = select.select([reader], [], [], 0.05)
        if ready:
            chunk = os.read(reader, 1 << 16)
            if not chunk:
                break
            chunks.append(chunk)
        now = time.monotonic()
        if progress.read()[0] != step:
            step, moved = progress.read()[0], now
        if now - moved > patience_s or now - began > MOST_TURNS * patience_s:
            os.kill(pid, signal.SIGKILL)
            hung = True
            break
    os.close(reader)
    _, status = os.waitpid(pid, 0)
    at = progress.read()[1]
    if hung:
        return {"end": "hung", "at": at}
    if os.WIFSIGNALED(status):
        return {"end": "crashed", "at": at, "signal": signal.Signals(os.WTERMSIG(status)).name}
    try:
        result: dict[str, Any] = json.loads(b"".join(chunks))
        return result
    except ValueError:
        return {"end": "crashed", "at": at, "signal": f"exit status {os.WEXITSTATUS(status)}"}


def summary(path: str) -> Callable[[Callable[[str], None]], Any]:
    """Who is in the binary, as far as they describe themselves."""
    def ask(progress: Callable[[str], None]) -> Any:
        host = Host()
        progress("loading the binary")
        plugins = []
        for plugin in Binary(path, host).plugins:
            plugin.progress = progress
            row: dict[str, Any] = {"identifier": plugin.identifier, "version": list(plugin.version), "label": "",
                                   "contexts": [], "depths": [], "thread_safety": "", "parameters": []}
            plugin.set_host()
            if plugin.load() in (standard.OK, standard.REPLY_DEFAULT) and plugin.describe() == standard.OK:
                assert plugin.descriptor is not None
                held = plugin.descriptor.properties
                row |= {"label": held.get("OfxPropLabel", 0, ""),
                        "contexts": list(held.all("OfxImageEffectPropSupportedContexts")),
                        "depths": list(held.all("OfxImageEffectPropSupportedPixelDepths")),
                        "thread_safety": held.get("OfxImageEffectPluginRenderThreadSafety", 0, "")}
                for context in row["contexts"]:
                    if plugin.describe_in_context(context) == standard.OK and not row["parameters"]:
                        row["parameters"] = [{"name": p.name, "type": p.type,
                                              "default": [v.decode() if isinstance(v, bytes) else v
                                                          for v in p.default()],
                                              "hint": p.properties.get("OfxParamPropHint", 0, "")}
                                             for p in plugin.contexts[context].parameters.values() if p.held]
            plugins.append(row)
        return plugins
    return ask


def one_check(request: dict[str, Any], identifier: str, context: str, name: str
              ) -> Callable[[Callable[[str], None]], Any]:
    def run(progress: Callable[[str], None]) -> Any:
        pictures = [np.load(path) for path in request.get("pictures", [])]
        bench = Bench(request["path"], identifier, context, request.get("settings", {}).get(identifier, {}), pictures,
                      progress)
        skipped = ""
        try:
            CHECKS[name](bench)
        except SkipCheck as reason:
            skipped = str(reason)
        return {"skipped": skipped, "findings": [vars(finding) for finding in bench.host.journal.findings],
                "messages": bench.host.journal.messages[:20]}
    return run


def checks_of(plugin: dict[str, Any]) -> list[tuple[str, str]]:
    """(context, check) of everything to be tried on this plug-in."""
    offered = [c for c in (standard.FILTER, standard.GENERAL, standard.GENERATOR) if c in plugin["contexts"]]
    first = offered[0] if offered else ""
    jobs = [(first, name) for name in CHECKS]
    return jobs + [(context, name) for context in offered[1:] for name in IN_EVERY_CONTEXT]


def probe(request: dict[str, Any], tell: Tell) -> None:
    patience_s = float(request.get("patience_s", 10.0))
    wanted = request.get("checks") or list(CHECKS)
    listing = forked(summary(request["path"]), patience_s)
    chosen = request.get("effects")
    jobs = [(plugin["identifier"], context, name) for plugin in listing.get("answer", [])
            if not chosen or plugin["identifier"] in chosen
            for context, name in checks_of(plugin) if name in wanted]
    tell({"plugins": listing.get("answer", []), "jobs": len(jobs),
          **{key: value for key, value in listing.items() if key != "answer"}})
    for identifier, context, name in jobs:
        began = time.monotonic()
        outcome = forked(one_check(request, identifier, context, name), patience_s)
        tell({"plugin": identifier, "context": context, "check": name,
              "what": (CHECKS[name].__doc__ or "").strip().splitlines()[0],
              "seconds": time.monotonic() - began, **outcome})


if __name__ == "__main__":
    serve(probe)
