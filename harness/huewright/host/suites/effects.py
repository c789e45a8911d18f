"""The image effect suite: clips, images, abort, image memory."""

from __future__ import annotations

from typing import Any

from huewright.host import abi, property_sets, standard
from huewright.host.handles import Handles
from huewright.host.objects import Clip, Effect, Image, Memory, ParameterSet, PropertySet
from huewright.host.standard import ERR_BAD_HANDLE, ERR_EXISTS, ERR_UNKNOWN, FAILED, OK
from huewright.host.suites.common import Functions, put, text_of


def effect_suite(host: Handles) -> Functions:
    def get_property_set(handle: int | None, place: Any) -> int:
        effect = host.find(handle, Effect, "getPropertySet")
        return put(place, host.handle_of(effect.properties)) if effect else ERR_BAD_HANDLE

    def get_param_set(handle: int | None, place: Any) -> int:
        effect = host.find(handle, Effect, "getParamSet")
        if effect is None:
            return ERR_BAD_HANDLE
        if effect.parameter_set is None:
            effect.parameter_set = ParameterSet(effect)
        return put(place, host.handle_of(effect.parameter_set))

    def clip_define(handle: int | None, name: bytes | None, place: Any) -> int:
        effect = host.find(handle, Effect, "clipDefine")
        if effect is None:
            return ERR_BAD_HANDLE
        if effect.instance or host.journal.action != standard.DESCRIBE_IN_CONTEXT:
            host.journal.add("error", "clipDefine was called outside the describe in context action")
            return FAILED
        key = text_of(name)
        if key in effect.clips:
            host.journal.add("error", f"clip {key!r} was defined twice")
            return ERR_EXISTS
        values: dict[str, Any] = {
            "OfxPropType": "OfxTypeClip", "OfxPropName": key, "OfxPropLabel": key,
            "OfxImageEffectPropSupportsTiles": 1, "OfxImageClipPropFieldExtraction": "OfxFieldDoubled"}
        clip = Clip(key, PropertySet(f"clip {key}", property_sets.CLIP_DESCRIPTOR, values, host.journal))
        effect.clips[key] = clip
        return put(place, host.handle_of(clip.properties))

    def clip_get_handle(handle: int | None, name: bytes | None, place: Any, properties: Any) -> int:
        effect = host.find(handle, Effect, "clipGetHandle")
        if effect is None:
            return ERR_BAD_HANDLE
        if not effect.instance:
            host.journal.add("error", "clipGetHandle was called on a descriptor")
            return ERR_BAD_HANDLE
        clip = effect.clips.get(text_of(name))
        if clip is None:
            host.journal.add("note", f"clipGetHandle asked for clip {text_of(name)!r}, which was not defined here")
            return ERR_UNKNOWN
        if properties:
            properties[0] = host.handle_of(clip.properties)
        return put(place, host.handle_of(clip))

    def clip_get_property_set(handle: int | None, place: Any) -> int:
        clip = host.find(handle, Clip, "clipGetPropertySet")
        return put(place, host.handle_of(clip.properties)) if clip else ERR_BAD_HANDLE

    def clip_get_image(handle: int | None, time: float, region: Any, place: Any) -> int:
        clip = host.find(handle, Clip, "clipGetImage")
        if clip is None:
            return ERR_BAD_HANDLE
        failed = host.conditions.fail_images
        if failed is not None:
            host.counts.refused_images += 1
            return failed
        if host.journal.action not in (standard.RENDER, standard.CHANGED):
            host.journal.add("warning", "clipGetImage was called outside the render action")
        wanted = (region[0].x1, region[0].y1, region[0].x2, region[0].y2) if region else None
        picture = clip.source(time, wanted) if clip.source else FAILED
        if isinstance(picture, int):
            return picture
        return put(place, host.give_image(picture, clip, host.render_scale))

    def clip_release_image(handle: int | None) -> int:
        image = host.find(handle, Image, "clipReleaseImage")
        if image is None:
            return ERR_BAD_HANDLE
        host.release(handle or 0)
        return OK

    def clip_region(handle: int | None, _time: float, place: Any) -> int:
        clip = host.find(handle, Clip, "clipGetRegionOfDefinition")
        if clip is None:
            return ERR_BAD_HANDLE
        place[0] = abi.RectD(*clip.region)
        return OK

    def abort(handle: int | None) -> int:
        host.find(handle, Effect, "abort")
        host.counts.aborts += 1
        after = host.conditions.abort_after
        return int(after is not None and host.counts.aborts > after)

    def image_memory_alloc(handle: int | None, size: int, place: Any) -> int:
        if handle and host.find(handle, Effect, "imageMemoryAlloc") is None:
            put(place, 0)
            return ERR_BAD_HANDLE
        memory = host.allocate(size, image=True)
        if isinstance(memory, int):
            put(place, 0)
            return memory
        return put(place, host.register(memory))

    def image_memory_free(handle: int | None) -> int:
        memory = host.find(handle, Memory, "imageMemoryFree")
        if memory is None:
            return ERR_BAD_HANDLE
        host.release(handle or 0)
        return OK

    def image_memory_lock(handle: int | None, place: Any) -> int:
        memory = host.find(handle, Memory, "imageMemoryLock")
        if memory is None:
            put(place, 0)
            return ERR_BAD_HANDLE
        memory.locks += 1
        return put(place, memory.address)

    def image_memory_unlock(handle: int | None) -> int:
        memory = host.find(handle, Memory, "imageMemoryUnlock")
        if memory is None:
            return ERR_BAD_HANDLE
        memory.locks = max(0, memory.locks - 1)
        return OK

    return {"getPropertySet": get_property_set, "getParamSet": get_param_set, "clipDefine": clip_define,
            "clipGetHandle": clip_get_handle, "clipGetPropertySet": clip_get_property_set,
            "clipGetImage": clip_get_image, "clipReleaseImage": clip_release_image,
            "clipGetRegionOfDefinition": clip_region, "abort": abort, "imageMemoryAlloc": image_memory_alloc,
            "imageMemoryFree": image_memory_free, "imageMemoryLock": image_memory_lock,
            "imageMemoryUnlock": image_memory_unlock}
