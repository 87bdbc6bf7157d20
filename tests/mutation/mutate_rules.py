"""Changes the clinical rules in small ways and counts how many changes the rule tests notice.

    python -m tests.mutation.mutate_rules --sample 300          # a seeded sample
    python -m tests.mutation.mutate_rules --only visits.py      # every change of some files

Each change ("mutant") alters one comparison, boundary, number, sum, `and`/`or`, `not`, `True`/`False` or
returned value (a returned constant is altered as a constant). Text of sentences is not changed. A run first records which tests reach which line; a mutant
is then shown to the tests that reach its line, the quick ones first, and is killed by the first that fails.
The last line printed is killed/total; before it stand the survivors with file, line and change.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import importlib
import importlib.abc
import importlib.util
import io
import multiprocessing
import multiprocessing.pool
import os
import random
import signal
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
RULES = ROOT / "service" / "rules"
TESTS = "tests/rules"
SLOW = ("test_properties.py", "test_sentences.py")
UNTRACED = {"statistics.py": "test_statistics.py"}
QUIET = ["-q", "-x", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-p", "no:warnings", "--hypothesis-seed=0"]
SECONDS_FOR_A_MUTANT = 90

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


def mutants_of(file: Path) -> list[Mutant]:
    """Every mutant of one file of the rules."""
    places = _Places(ast.parse(file.read_text()))
    return [
        Mutant(file.name, getattr(node, "lineno", 0), i, kind, what)
        for i, (node, kind, what) in enumerate(places.nodes)
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


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module of the rules from its changed tree, the others as they are."""

    def __init__(self, mutant: Mutant) -> None:
        self.name = f"service.rules.{mutant.file.removesuffix('.py')}"
        self.path = RULES / mutant.file
        self.tree = changed(self.path.read_text(), mutant)

    def find_spec(self, fullname: str, path: Any = None, target: Any = None) -> Any:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_loader(fullname, self, origin=str(self.path))

    def exec_module(self, module: Any) -> None:
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


class _Reach:
    """Which quick tests run which lines of the rules; imports count for every test."""

    def __init__(self) -> None:
        self.tests_of: dict[tuple[str, int], set[str]] = defaultdict(set)
        self.current: str | None = None

    def trace(self, frame: FrameType, event: str, argument: Any) -> Any:
        file = frame.f_code.co_filename
        if not file.startswith(str(RULES)) or os.path.basename(file) in UNTRACED:
            return None
        if event == "line" and self.current:
            self.tests_of[(os.path.basename(file), frame.f_lineno)].add(self.current)
        return self.trace

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        self.current = item.nodeid
        sys.settrace(self.trace)
        yield
        sys.settrace(None)
        self.current = None


def _quick_arguments() -> list[str]:
    return [TESTS, *(f"--ignore={TESTS}/{name}" for name in SLOW)]


def _run(arguments: list[str], *plugins: object) -> int:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return int(pytest.main(arguments, plugins=list(plugins)))


def _reach_in_a_child(pipe: Any) -> None:
    reach = _Reach()
    code = _run([*QUIET, *_quick_arguments()], reach)
    pipe.send((code, dict(reach.tests_of)))


def _tests_for(mutant: Mutant, reach: dict[tuple[str, int], set[str]]) -> list[str]:
    own = UNTRACED.get(mutant.file)
    return [f"{TESTS}/{own}"] if own else sorted(reach.get((mutant.file, mutant.line), set()))


def _judge(mutant: Mutant, tests: list[str], pipe: Any) -> None:
    """In a process of its own: report whether the change is noticed."""
    signal.alarm(SECONDS_FOR_A_MUTANT)
    sys.meta_path.insert(0, _Changed(mutant))
    whole = _quick_arguments()
    quick = [t for t in tests if t] or whole
    noticed = _run([*QUIET, *(quick if len(quick) <= 400 else whole)]) != 0
    if not noticed:
        noticed = _run([*QUIET, *(f"{TESTS}/{name}" for name in SLOW)]) != 0
    pipe.send(noticed)


def _in_a_child(target: Any, *arguments: Any) -> Any:
    """What `target` sends; None when it died first, as a mutant that never ends or breaks the import does."""
    context = multiprocessing.get_context("fork")
    mine, its = context.Pipe(duplex=False)
    child = context.Process(target=target, args=(*arguments, its))
    child.start()
    its.close()
    try:
        return mine.recv()
    except EOFError:
        return None
    finally:
        child.join()


def _work(job: tuple[Mutant, list[str]]) -> tuple[Mutant, bool]:
    noticed = _in_a_child(_judge, *job)
    return job[0], noticed is not False


def main() -> int:
    """Run the mutants asked for; 0 when at least 95 % are killed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--sample", type=int, help="how many mutants, drawn by the seed; all without it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=[], help="file names inside service/rules")
    asked = parser.parse_args()
    os.chdir(ROOT)
    files = sorted(p for p in RULES.glob("*.py") if not asked.only or p.name in asked.only)
    mutants = [m for file in files for m in mutants_of(file)]
    if asked.sample and asked.sample < len(mutants):
        mutants = sorted(random.Random(asked.seed).sample(mutants, asked.sample), key=lambda m: (m.file, m.place))
    answer = _in_a_child(_reach_in_a_child)
    if answer is None or answer[0] != 0:
        print("the tests fail without any change; nothing was measured")
        return 2
    for heavy in ("hypothesis", "hypothesis.strategies", "scipy.stats"):
        importlib.import_module(heavy)
    reach: dict[tuple[str, int], set[str]] = answer[1]
    jobs = [(m, _tests_for(m, reach)) for m in mutants]
    survivors: list[Mutant] = []
    with multiprocessing.pool.ThreadPool(asked.jobs) as pool:
        for mutant, killed in pool.imap_unordered(_work, jobs):
            if not killed:
                survivors.append(mutant)
    for one in sorted(survivors, key=lambda m: (m.file, m.line, m.place)):
        print(f"survived: {one.file}:{one.line} {one.what}")
    killed = len(mutants) - len(survivors)
    print(f"killed {killed}/{len(mutants)} ({100 * killed / max(len(mutants), 1):.1f} %)")
    return 0 if killed >= 0.95 * len(mutants) else 1


if __name__ == "__main__":
    sys.exit(main())
