"""The faults: what can be changed in a module's syntax tree, and the tree with one change made."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.Gt), ast.LtE: (ast.Lt, ast.GtE), ast.Gt: (ast.GtE, ast.Lt), ast.GtE: (ast.Gt, ast.LtE),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,)}
COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd}
SWAPPED = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "any": "all", "all": "any",
           "argmin": "argmax", "argmax": "argmin", "floor": "ceil", "ceil": "floor"}
DROPPED = ("abs", "clip", "sqrt", "round", "rounded", "sorted", "clamp", "magnitude")
"""Functions whose first argument may stand in their place."""
EXITS = (ast.Return, ast.Raise, ast.Continue, ast.Break)
FACTORS = (0.7, 1.4)
WORDLESS = (ast.JoinedStr, ast.Raise, ast.Assert)
EXAMPLES = ("_examples",)
"""Words of errors, examples, and what only type checkers need, are not for these tests."""


@dataclass(frozen=True)
class Change:
    """``place`` counts the nodes of the module's tree, ``way`` the changes that a node allows."""

    module: str
    place: int
    way: int
    line: int
    kind: str
    before: str
    after: str


def _nodes(tree: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST]]:
    """(parent, field, index in it, node) of whatever computes, in a fixed order."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list") or isinstance(tree, ast.ImportFrom | ast.Import):
            continue
        for index, node in enumerate(value) if isinstance(value, list) else ((None, value),):
            if not isinstance(node, ast.AST) or isinstance(node, WORDLESS) or getattr(node, "name", "") in EXAMPLES:
                continue
            yield tree, name, index, node
            yield from _nodes(node)


def _ways(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """(kind, what stands in the node's place) for each change that it allows."""
    new = copy.deepcopy(node)
    match new:
        case ast.Compare(ops=[only]):
            for other in COMPARED.get(type(only), ()):
                new.ops = [other()]
                yield "comparison", copy.deepcopy(new)
        case ast.BinOp(op=op) if type(op) in COMPUTED:
            new.op = COMPUTED[type(op)]()
            yield "arithmetic", new
        case ast.BoolOp(op=op):
            new.op = ast.Or() if isinstance(op, ast.And) else ast.And()
            yield "and or", new
        case ast.UnaryOp(op=ast.USub(), operand=operand) if not isinstance(operand, ast.Constant):
            yield "sign", operand
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield "negation", operand
        case ast.Constant(value=bool(value)):
            yield "constant", ast.Constant(not value)
        case ast.Constant(value=int(value)):
            yield "constant", ast.Constant(value + 1)
        case ast.Constant(value=float(value)):
            for factor in FACTORS:
                yield "constant", ast.Constant(value * factor if value else factor - 1)
        case ast.If(test=test) | ast.IfExp(test=test):
            new.test = ast.UnaryOp(ast.Not(), test)
            yield "condition", new
            if isinstance(new, ast.If) and isinstance(new.body[-1], EXITS) and not new.orelse:
                yield "early exit", ast.Pass()
        case ast.Call(func=ast.Name(id=name) | ast.Attribute(attr=name), args=[first, *_]):
            if name in SWAPPED:
                setattr(new.func, "id" if isinstance(new.func, ast.Name) else "attr", SWAPPED[name])
                yield "function", new
            elif name in DROPPED:
                yield "function", first
        case ast.Call(func=ast.Attribute(attr=name)) if name in SWAPPED:
            new.func.attr = SWAPPED[name]
            yield "function", new


def changes(module: str, source: str) -> list[Change]:
    """Every change that can be made to ``source``."""
    found = []
    for place, (_, _, _, node) in enumerate(_nodes(ast.parse(source))):
        for way, (kind, new) in enumerate(_ways(node)):
            found.append(Change(module, place, way, getattr(node, "lineno", 0), kind, _short(node), _short(new)))
    return found


def _short(node: ast.AST) -> str:
    text = "if " + ast.unparse(node.test) if isinstance(node, ast.If) else ast.unparse(node)
    return text if len(text) < 160 else text[:157] + "..."


def changed(source: str, change: Change) -> ast.Module:
    """``source`` with ``change`` made, its line numbers kept."""
    tree = ast.parse(source)
    parent, field, index, node = next(item for place, item in enumerate(_nodes(tree)) if place == change.place)
    new = [new for _, new in _ways(node)][change.way]
    ast.copy_location(new, node)
    if index is None:
        setattr(parent, field, new)
    else:
        getattr(parent, field)[index] = new
    return ast.fix_missing_locations(tree)
