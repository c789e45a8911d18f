"""Memory, threads, messages and the time line."""

from __future__ import annotations

import ctypes
import re
from collections.abc import Callable
from typing import Any

from huewright.host import standard
from huewright.host.handles import Handles
from huewright.host.objects import Effect, Mutex
from huewright.host.standard import ERR_BAD_HANDLE, ERR_MEMORY, FAILED, OK
from huewright.host.suites.common import Functions, put, text_of


def memory_suite(host: Handles) -> Functions:
    def allocate(handle: int | None, size: int, place: Any) -> int:
        if handle and host.find(handle, Effect, "memoryAlloc") is None:
            return ERR_BAD_HANDLE
        memory = host.allocate(size, image=False)
        if isinstance(memory, int):
            put(place, 0)
            return ERR_MEMORY
        host.register(memory)
        host.allocations[memory.address] = memory
        return put(place, memory.address)

    def free(address: int | None) -> int:
        memory = host.allocations.pop(address or 0, None)
        if memory is None:
            host.journal.add("error", "memoryFree was given an address that memoryAlloc did not return, or twice")
            return ERR_BAD_HANDLE
        host.release(host.handle_of(memory))
        return OK

    return {"memoryAlloc": allocate, "memoryFree": free}


def thread_suite(host: Handles) -> Functions:
    def multi_thread(function: Any, count: int, argument: int | None) -> int:
        return host.spawn(function, count, argument)

    def cpus(place: Any) -> int:
        place[0] = host.conditions.cpus
        return OK

    def index(place: Any) -> int:
        place[0] = host.thread_index or 0
        return OK

    def spawned() -> int:
        return int(host.thread_index is not None)

    def create(place: Any, count: int) -> int:
        return put(place, host.register(Mutex(count)))

    def destroy(handle: int | None) -> int:
        if host.find(handle, Mutex, "mutexDestroy") is None:
            return ERR_BAD_HANDLE
        host.release(handle or 0)
        return OK

    def lock(handle: int | None) -> int:
        mutex = host.find(handle, Mutex, "mutexLock")
        if mutex is None:
            return ERR_BAD_HANDLE
        mutex.lock.acquire()
        return OK

    def unlock(handle: int | None) -> int:
        mutex = host.find(handle, Mutex, "mutexUnLock")
        if mutex is None:
            return ERR_BAD_HANDLE
        try:
            mutex.lock.release()
        except RuntimeError:
            host.journal.add("error", "mutexUnLock was called on a mutex that this thread had not locked")
            return FAILED
        return OK

    def try_lock(handle: int | None) -> int:
        mutex = host.find(handle, Mutex, "mutexTryLock")
        if mutex is None:
            return ERR_BAD_HANDLE
        return OK if mutex.lock.acquire(blocking=False) else FAILED

    return {"multiThread": multi_thread, "multiThreadNumCPUs": cpus, "multiThreadIndex": index,
            "multiThreadIsSpawnedThread": spawned, "mutexCreate": create, "mutexDestroy": destroy, "mutexLock": lock,
            "mutexUnLock": unlock, "mutexTryLock": try_lock}


_CONVERSION = re.compile(rb"%[-+ #0]*(?:\*|\d+)?(?:\.(?:\*|\d+))?(?:hh|h|ll|l|z|j|t|L)?([diouxXeEfFgGaAcspn%])")


def formatted(template: bytes, integers: list[int | None], doubles: list[float]) -> str:
    """What printf would make of ``template`` with these arguments; strings and numbers, no ``*`` widths."""
    whole, real = iter(integers), iter(doubles)

    def one(match: re.Match[bytes]) -> bytes:
        kind, spec = match.group(1), match.group(0)
        if kind == b"%":
            return b"%"
        plain = re.sub(rb"(hh|h|ll|l|z|j|t|L)(?=.$)", b"", spec)
        if kind in b"eEfFgG":
            return plain % next(real, 0.0)
        value = next(whole, 0) or 0
        if kind == b"s":
            return plain % (ctypes.string_at(value) if value else b"(null)")
        if kind == b"p":
            return b"%#x" % value
        if kind in b"di" and b"l" not in spec:
            value = ctypes.c_int(value & 0xFFFFFFFF).value
        return plain % value

    return _CONVERSION.sub(one, template).decode(errors="replace")


def message_suite(host: Handles) -> Functions:
    def post(what: str) -> Callable[..., int]:
        def take(handle: int | None, kind: bytes | None, _id: bytes | None, template: bytes | None,
                 *arguments: Any) -> int:
            if handle or what == "setPersistentMessage":
                if host.find(handle, Effect, what) is None:
                    return ERR_BAD_HANDLE
            integers = [*arguments[:2], *arguments[10:]]
            text = formatted(template or b"", integers, list(arguments[2:10]))
            host.journal.messages.append((text_of(kind), text))
            return standard.REPLY_NO if kind == b"OfxMessageQuestion" else OK
        return take

    def clear(handle: int | None) -> int:
        return OK if host.find(handle, Effect, "clearPersistentMessage") else ERR_BAD_HANDLE

    return {"message": post("message"), "setPersistentMessage": post("setPersistentMessage"),
            "clearPersistentMessage": clear}


def time_line_suite(host: Handles) -> Functions:
    def get_time(_handle: int | None, place: Any) -> int:
        place[0] = host.time
        return OK

    def go_to(_handle: int | None, time: float) -> int:
        host.time = time
        return OK

    def bounds(_handle: int | None, first: Any, last: Any) -> int:
        first[0], last[0] = host.frame_range
        return OK

    return {"getTime": get_time, "gotoTime": go_to, "getTimeBounds": bounds}
