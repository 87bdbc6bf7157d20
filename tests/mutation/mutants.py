"""Small changes of a module: every place that can be changed, and the module with one of them changed."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_SUMS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitOr: ast.BitAnd,
}


@dataclass(frozen=True)
class Mutant:
    """One change: the file, where in it, and what becomes of the node there."""

    file: str
    line: int
    place: int
    kind: str
    what: str


class _Places(ast.NodeVisitor):
    """Every place of a module that can be changed, numbered in the order of the walk."""

    def __init__(self, tree: ast.Module) -> None:
        self.nodes: list[tuple[ast.AST, str, str]] = []
        self.visit(tree)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """Sentences are not changed."""

    def visit_arguments(self, node: ast.arguments) -> None:
        """Annotations are not changed; defaults are."""
        for default in (*node.defaults, *(d for d in node.kw_defaults if d)):
            self.visit(default)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self.visit(node.args)
        for statement in node.body:
            self.visit(statement)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for statement in node.body:
            self.visit(statement)

    def visit_Assert(self, node: ast.Assert) -> None:
        """An assert only tells the type checker what holds already."""

    def visit_Compare(self, node: ast.Compare) -> None:
        for i, operator in enumerate(node.ops):
            if type(operator) in _COMPARISONS:
                other = _COMPARISONS[type(operator)].__name__
                self.nodes.append((node, f"compare:{i}", f"{type(operator).__name__} becomes {other}"))
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        if type(node.op) in _SUMS:
            self.nodes.append((node, "sum", f"{type(node.op).__name__} becomes {_SUMS[type(node.op)].__name__}"))
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        self.nodes.append((node, "bool", "and becomes or" if isinstance(node.op, ast.And) else "or becomes and"))
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not):
            self.nodes.append((node, "not", "not removed"))
        elif isinstance(node.op, ast.USub):
            self.nodes.append((node, "minus", "minus removed"))
        self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        if not (isinstance(node.body, ast.JoinedStr | ast.Constant) and isinstance(node.orelse, ast.JoinedStr)):
            self.nodes.append((node, "ifexp", "condition turned round"))
        self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> None:
        if node.value is not None and not isinstance(node.value, ast.Constant):
            self.nodes.append((node, "return", "return becomes None"))
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool):
            self.nodes.append((node, "constant", f"{value} becomes {not value}"))
        elif isinstance(value, int | float):
            self.nodes.append((node, "constant", f"{value} becomes {value + 1}"))
        elif isinstance(value, str) and _is_number(value):
            self.nodes.append((node, "constant", f"{value!r} becomes {_next(value)!r}"))


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return text.replace(".", "").replace("-", "").isdigit()


def _next(text: str) -> str:
    """The number after it; for a pattern of places such as `0.1`, one place fewer."""
    if text.startswith("0.") and text.strip("0.") == "1":
        return str((Decimal(text) * 10).normalize())
    return str(float(text) + 1) if "." in text else str(int(text) + 1)


def mutants_of(file: Path, name: str) -> list[Mutant]:
    """Every mutant of one file of the rules; `name` is its path below them."""
    places = _Places(ast.parse(file.read_text()))
    return [
        Mutant(name, getattr(node, "lineno", 0), i, kind, what) for i, (node, kind, what) in enumerate(places.nodes)
    ]


def changed(source: str, mutant: Mutant) -> ast.Module:
    """The module with that one change."""
    tree = ast.parse(source)
    node: Any = _Places(tree).nodes[mutant.place][0]
    kind, _, which = mutant.kind.partition(":")
    if kind == "compare":
        node.ops[int(which)] = _COMPARISONS[type(node.ops[int(which)])]()
    elif kind == "sum":
        node.op = _SUMS[type(node.op)]()
    elif kind == "bool":
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif kind in ("not", "minus"):
        node.op = ast.UAdd() if kind == "minus" else ast.Not()
        if kind == "not":
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
    elif kind == "ifexp":
        node.body, node.orelse = node.orelse, node.body
    elif kind == "return":
        node.value = ast.Constant(None)
    elif isinstance(node.value, bool):
        node.value = not node.value
    elif isinstance(node.value, str):
        node.value = _next(node.value)
    else:
        node.value += 1
    return ast.fix_missing_locations(tree)
