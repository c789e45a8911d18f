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

from huewright.errors import InputError
from huewright.host import standard
from huewright.host.child import Tell, serve, set_limits
from huewright.host.host import Host
from huewright.host.objects import Finding
from huewright.host.session import Binary
from huewright.host.watching import (
    LOOK_S,
    MOST_PROCESSES,
    MOST_TASKS,
    Group,
    descendants,
    die_with_parent,
    end_descendants,
    ready_and_waiting_s,
)
from huewright.probe.bench import Bench, SkipCheck
from huewright.probe.checks import CHECKS, ON_CARDS, SECTIONS

# The context that is tried first gets every check, the others those that a context can change.
PLAIN = ("description", "life", "questions", "changes", "overlay", "render")
"""Checks that do nothing unusual: what ends in one of them ends the same way in the others."""
IN_EVERY_CONTEXT = ("questions", "render", "tiles")
MOST_TURNS = 20
"""A check may take so many times the time after which an action counts as hung."""


class Progress:
    """What the forked process is at, readable from outside even after its death."""

    SIZE = 512
    CALL, CALLS = 64, 8  # the last calls into the host, in a ring behind the step; then a byte that tells of copies

    def __init__(self) -> None:
        self.memory = mmap.mmap(-1, self.SIZE + self.CALL * self.CALLS + 1)
        self.count = self.calls = 0

    def hear(self, call: str) -> None:
        """A suite's function was called. No step: a plug-in may call for ever and get nowhere."""
        self.calls += 1
        at = self.SIZE + self.calls % self.CALLS * self.CALL
        text = f"{self.calls}:{call}".encode()[: self.CALL - 1]
        self.memory[at:at + len(text) + 1] = text + b"\0"

    def last_calls(self) -> list[str]:
        found = []
        for k in range(self.CALLS):
            at = self.SIZE + k * self.CALL
            number, _, call = self.memory[at:at + self.CALL].partition(b"\0")[0].decode().partition(":")
            if number:
                found.append((int(number), call))
        return [call for _, call in sorted(found)]

    def copied(self) -> None:
        self.memory[-1] = 1

    def say(self, what: str) -> None:
        self.count += 1
        text = f"{self.count}:{what}".encode()[: self.SIZE - 1]
        self.memory[: len(text) + 1] = text + b"\0"

    def read(self) -> tuple[str, str]:
        """(number of the step, what it was)."""
        number, _, what = bytes(self.memory[:self.SIZE]).partition(b"\0")[0].decode(errors="replace").partition(":")
        return number, what


def forked(function: Callable[[Progress], Any], patience_s: float, *, roomy: bool = False) -> dict[str, Any]:
    """``function`` in a process of its own: {"answer": ...}, or {"end": ...} with one of

    crashed, hung      the action it was in as "at", the last calls into the host as "calls"
    multiplied         it started more than :data:`MOST_PROCESSES` processes
    unloadable         a sentence of why as "why"; broken: a traceback of ours

    ``patience_s`` doesn't count the time for which a busy machine had no processor for it. ``roomy``: it may have any
    number of addresses (a GPU's driver reserves many).
    """
    progress = Progress()
    reader, writer = os.pipe()
    group = Group()
    pid = os.fork()
    if pid == 0:
        group.enter()
        os.close(reader)
        os.setpgid(0, 0)
        die_with_parent()
        set_limits(addresses=not roomy)
        try:
            answer = json.dumps({"answer": function(progress)})
        except InputError as error:
            answer = json.dumps({"end": "unloadable", "why": str(error)})
        except BaseException:
            answer = json.dumps({"end": "broken", "why": traceback.format_exc()})
        with os.fdopen(writer, "w") as stream:
            stream.write(answer)
        os._exit(0)
    os.close(writer)
    chunks: list[bytes] = []
    began = moved = now = time.monotonic()
    step, starved = progress.read()[0], ready_and_waiting_s(pid)
    end = ""
    turns = 0
    while True:
        ready, _, _ = select.select([reader], [], [], LOOK_S)
        if ready:
            chunk = os.read(reader, 1 << 16)
            if not chunk:
                break
            chunks.append(chunk)
        now = time.monotonic()
        if progress.read()[0] != step:
            step, moved, starved = progress.read()[0], now, ready_and_waiting_s(pid)
        turns += 1
        if not ready and os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None:
            break  # gone, though something that it started holds the pipe
        if turns % 3 == 0 and len(descendants(os.getpid())) > MOST_PROCESSES:
            end = "multiplied"
        elif now - began > MOST_TURNS * patience_s or (
                now - moved > patience_s and now - moved - (ready_and_waiting_s(pid) - starved) > patience_s):
            end = "hung"
        if end:
            break
    if not end:  # it said all that it will; a moment to go by itself
        while now - began < MOST_TURNS * patience_s and os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) \
                is None:
            time.sleep(0.001)
            now = time.monotonic()
    end_descendants(pid)  # and all that it started, wherever that went
    group.close()
    while select.select([reader], [], [], 0)[0] and (chunk := os.read(reader, 1 << 16)):
        chunks.append(chunk)  # what it said between the last look and its end
    os.close(reader)
    _, status = os.waitpid(pid, 0)
    where: dict[str, Any] = {"at": progress.read()[1], "calls": progress.last_calls()}
    if end:
        return {"end": end, **where}
    if os.WIFSIGNALED(status):
        return {"end": "crashed", "signal": signal.Signals(os.WTERMSIG(status)).name, **where}
    try:
        outcome: dict[str, Any] = json.loads(b"".join(chunks))
    except ValueError:
        return {"end": "crashed", "signal": f"exit status {os.WEXITSTATUS(status)}", **where}
    if progress.memory[-1] and isinstance(outcome.get("answer"), dict):
        outcome["answer"]["findings"].append(vars(Finding(
            "error", f"came back from {where['at']} in a copy of the process as well: it forked", where["at"],
            "Thread management")))
    return outcome


def summary(path: str) -> Callable[[Progress], Any]:
    """Who is in the binary, as far as they describe themselves."""
    def ask(progress: Progress) -> Any:
        host = Host()
        host.journal.heard, host.copied = progress.hear, progress.copied
        progress.say("loading the binary")
        plugins = []
        for plugin in Binary(path, host).plugins:
            plugin.progress = progress.say
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
                                              "default": [_shown(v, p.type)
                                                          for v in p.default()],
                                              "options": list(p.properties.all("OfxParamPropChoiceOption")),
                                              "hint": p.properties.get("OfxParamPropHint", 0, "")}
                                             for p in plugin.contexts[context].parameters.values() if p.held]
            plugins.append(row)
        return plugins
    return ask


def _shown(value: Any, kind: str) -> Any:
    """A value as text or number; bytes of the plug-in's own in hexadecimal."""
    if kind == standard.BYTES:
        return value.hex()
    return value.decode() if isinstance(value, bytes) else value


def one_check(request: dict[str, Any], identifier: str, context: str, name: str
              ) -> Callable[[Progress], Any]:
    def run(progress: Progress) -> Any:
        pictures = [np.load(path) for path in request.get("pictures", [])]
        bench = Bench(request["path"], identifier, context, request.get("settings", {}).get(identifier, {}), pictures,
                      progress.say, progress.hear, progress.copied, SECTIONS[name], request.get("folder", ""))
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
    offered = [c for c in standard.CONTEXTS_TRIED if c in plugin["contexts"]]
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
    told: dict[tuple[Any, ...], str] = {}
    for identifier, context, name in jobs:
        began = time.monotonic()
        outcome = forked(one_check(request, identifier, context, name), patience_s, roomy=name in ON_CARDS)
        cause = (identifier, context, outcome.get("end"), outcome.get("signal"), outcome.get("at"))
        if cause in told:  # said once, where it happened under the plainest conditions
            outcome = {"answer": {"findings": [], "skipped": f"not reached: {told[cause]}"}}
        elif outcome.get("end") in ("crashed", "hung", "multiplied") and name in PLAIN:
            told[cause] = f"it {outcome['end']} in {outcome['at']} already (check {name})"
        for finding in outcome.get("answer", {}).get("findings", ()):
            said = (identifier, context, finding["level"], finding["message"])
            if said in told:
                finding["level"], finding["message"] = "note", f"as in check {told[said]}: {finding['message']}"
            elif name in PLAIN and finding["level"] in ("error", "warning"):
                told[said] = name
        tell({"plugin": identifier, "context": context, "check": name,
              "what": (CHECKS[name].__doc__ or "").strip().splitlines()[0],
              "seconds": time.monotonic() - began, **outcome})


if __name__ == "__main__":
    serve(probe, 2 * MOST_TASKS)        # each check is watched by itself
