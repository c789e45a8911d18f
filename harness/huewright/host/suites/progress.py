"""Progress and dialogs, for a host without a screen: kept, never shown."""

from __future__ import annotations

from typing import Any

from huewright.host.handles import Handles
from huewright.host.objects import Effect
from huewright.host.standard import ERR_BAD_HANDLE, FAILED, OK, REPLY_DEFAULT
from huewright.host.suites.common import Functions


def progress_suite(host: Handles) -> Functions:
    """Both versions: the second only names its message as well."""
    def start(handle: int | None, *_texts: Any) -> int:
        effect = host.find(handle, Effect, "progressStart")
        if effect is None:
            return ERR_BAD_HANDLE
        if effect.in_progress:
            host.journal.add("error", "progressStart was called again before progressEnd")
            return FAILED
        effect.in_progress = True
        return OK

    def running(handle: int | None, what: str) -> Effect | None:
        effect: Effect | None = host.find(handle, Effect, what)
        if effect is not None and not effect.in_progress:
            host.journal.add("error", f"{what} was called without progressStart")
        return effect

    def update(handle: int | None, share: float) -> int:
        effect = running(handle, "progressUpdate")
        if effect is None:
            return ERR_BAD_HANDLE
        if not 0.0 <= share <= 1.0:
            host.journal.add("error", f"progressUpdate was told {share:g}: progress lies between 0 and 1")
        return OK if effect.in_progress else FAILED

    def end(handle: int | None) -> int:
        effect = running(handle, "progressEnd")
        if effect is None:
            return ERR_BAD_HANDLE
        effect.in_progress, was = False, effect.in_progress
        return OK if was else FAILED

    return {"progressStart": start, "progressUpdate": update, "progressEnd": end}


def dialog_suite(host: Handles) -> Functions:
    def request(data: int | None) -> int:
        host.counts.dialogs.append(data or 0)  # the session passes the dialog action when its own action is over
        return OK

    def redraw() -> int:
        return REPLY_DEFAULT

    return {"RequestDialog": request, "NotifyRedrawPending": redraw}
