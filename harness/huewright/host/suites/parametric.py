"""The parametric parameter suite: curves by control points, straight between them, level outside."""

from __future__ import annotations

from typing import Any

from huewright.host.handles import Handles
from huewright.host.objects import Parameter
from huewright.host.standard import ERR_BAD_HANDLE, ERR_BAD_INDEX, OK
from huewright.host.suites.common import Functions, put

Points = list[tuple[float, float]]


def parametric_suite(host: Handles) -> Functions:
    def curve(handle: int | None, index: int, what: str) -> Points | int:
        parameter = host.find_parameter(handle, what)
        if parameter is None or parameter.type != "OfxParamTypeParametric":
            if parameter is not None:
                host.journal.add("error", f"{what}: parameter {parameter.name!r} is not parametric")
            return ERR_BAD_HANDLE
        if not 0 <= index < parameter.properties.get("OfxParamPropParametricDimension", 0, 1):
            host.journal.add("error", f"{what}: parameter {parameter.name!r} has no curve {index}")
            return ERR_BAD_INDEX
        return curve_of(parameter, index)

    def get_value(handle: int | None, index: int, _time: float, position: float, place: Any) -> int:
        points = curve(handle, index, "parametricParamGetValue")
        return points if isinstance(points, int) else put(place, value_at(points, position))

    def count(handle: int | None, index: int, _time: float, place: Any) -> int:
        points = curve(handle, index, "parametricParamGetNControlPoints")
        return points if isinstance(points, int) else put(place, len(points))

    def get_point(handle: int | None, index: int, _time: float, nth: int, key: Any, value: Any) -> int:
        points = curve(handle, index, "parametricParamGetNthControlPoint")
        if isinstance(points, int):
            return points
        if not 0 <= nth < len(points):
            return ERR_BAD_INDEX
        put(key, points[nth][0])
        return put(value, points[nth][1])

    def set_point(handle: int | None, index: int, _time: float, nth: int, key: float, value: float, _key: bool) -> int:
        points = curve(handle, index, "parametricParamSetNthControlPoint")
        if isinstance(points, int):
            return points
        if not 0 <= nth < len(points):
            return ERR_BAD_INDEX
        points[nth] = (key, value)
        points.sort()
        return OK

    def add_point(handle: int | None, index: int, _time: float, key: float, value: float, _animated: bool) -> int:
        points = curve(handle, index, "parametricParamAddControlPoint")
        if isinstance(points, int):
            return points
        points[:] = sorted([(k, v) for k, v in points if k != key] + [(key, value)])
        return OK

    def delete_point(handle: int | None, index: int, nth: int) -> int:
        points = curve(handle, index, "parametricParamDeleteControlPoint")
        if isinstance(points, int):
            return points
        if not 0 <= nth < len(points):
            return ERR_BAD_INDEX
        del points[nth]
        return OK

    def delete_all(handle: int | None, index: int) -> int:
        points = curve(handle, index, "parametricParamDeleteAllControlPoints")
        if isinstance(points, int):
            return points
        points.clear()
        return OK

    return {"parametricParamGetValue": get_value, "parametricParamGetNControlPoints": count,
            "parametricParamGetNthControlPoint": get_point, "parametricParamSetNthControlPoint": set_point,
            "parametricParamAddControlPoint": add_point, "parametricParamDeleteControlPoint": delete_point,
            "parametricParamDeleteAllControlPoints": delete_all}


def curve_of(parameter: Parameter, index: int) -> Points:
    """The control points of one dimension; the straight line over the parameter's range until some are set."""
    if index not in parameter.curves:
        low, high = (parameter.properties.get("OfxParamPropParametricRange", side, float(side)) for side in (0, 1))
        parameter.curves[index] = [(low, low), (high, high)]
    return parameter.curves[index]


def value_at(points: Points, position: float) -> float:
    if not points:
        return position
    if position <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in zip(points, points[1:], strict=False):
        if position <= x1:
            return y0 + (y1 - y0) * (position - x0) / (x1 - x0)
    return points[-1][1]
