"""What keeps the shape: import layers, purity of the rules, file size, one place for SQL and for HTTP."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SERVICE = ROOT / "service"
FILES = sorted(SERVICE.rglob("*.py"))
MAX_LINES = 300
ENDS = {"load.py", "apply.py"}
"""The two ends of the story, which see a connection."""
PURE = {
    "__future__",
    "collections",
    "collections.abc",
    "dataclasses",
    "datetime",
    "decimal",
    "enum",
    "fractions",
    "functools",
    "itertools",
    "math",
    "typing",
}


@cache
def imports_of(file: Path) -> set[str]:
    """Modules a file imports, at whatever depth."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


def test_imports_only_point_down() -> None:
    done = subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-cache"], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout


PLANS = [f for room in ("deciding", "intake") for f in sorted((SERVICE / room).rglob("*.py")) if f.name not in ENDS]


@pytest.mark.parametrize("file", PLANS, ids=lambda f: f.relative_to(SERVICE).as_posix())
def test_a_plan_has_no_connection_no_clock_and_no_chance(file: Path) -> None:
    impure = {"time", "secrets", "random", "os", "logging", "sqlalchemy", "starlette", "fastapi", "httpx", "socket"}
    imported = {name.split(".")[0] for name in imports_of(file)}
    assert not imported & (impure - ({"logging"} if file.name == "facts_anew.py" else set()))
    assert not {name for name in imports_of(file) if name.startswith(("service.store", "service.new_id"))}
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            assert node.func.attr not in {"now", "utcnow", "today"}, f"{file.name}:{node.lineno}"


@pytest.mark.parametrize("file", sorted((SERVICE / "rules").glob("*.py")), ids=lambda f: f.name)
def test_the_rules_are_pure(file: Path) -> None:
    outside = {m for m in imports_of(file) if not m.startswith("service.rules")}
    assert outside <= PURE
    impure = {"today", "now", "utcnow", "open", "print", "input", "getenv"}
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            assert name not in impure, f"{file.name}:{node.lineno} calls {name}"
        assert not isinstance(node, ast.Global | ast.Nonlocal), f"{file.name}:{node.lineno}"


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.relative_to(SERVICE).as_posix())
def test_no_file_is_too_long(file: Path) -> None:
    assert len(file.read_text().splitlines()) <= MAX_LINES


def test_sql_stays_in_the_store_and_http_in_the_web() -> None:
    for file in FILES:
        room = file.relative_to(SERVICE).parts[0]
        roots = {m.split(".")[0] for m in imports_of(file)}
        if room not in ("store",):
            sql = {m for m in imports_of(file) if m.startswith(("sqlalchemy", "sqlmodel"))}
            # the pipeline passes the store's connection on, and serve tells a database error apart
            assert sql <= {"sqlalchemy", "sqlalchemy.exc"}, file
        if room not in ("web", "listening", "app.py", "client", "commands"):
            assert not roots & {"fastapi", "starlette", "httpx", "uvicorn"}, file
        if room not in ("outbound", "listening"):
            assert not roots & {"httpcore", "socket", "ssl"} or file.name == "play.py", file


def test_the_web_reaches_data_only_through_the_pipeline() -> None:
    for file in (SERVICE / "web").glob("*.py"):
        assert not {m for m in imports_of(file) if m.startswith("service.store")}, file


def test_the_command_line_starts_without_the_web_or_the_database() -> None:
    script = "import sys, service.__main__ as m; m._parser(); print(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    assert not {"fastapi", "sqlalchemy", "pydantic", "httpx"} & set(done.stdout.split())


def test_a_command_that_serves_nothing_does_not_load_the_web() -> None:
    script = "import sys, service.commands.client, service.commands.person; print(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=ROOT)
    assert not {"fastapi", "starlette", "jinja2", "service.web"} & set(done.stdout.split())


GUARDED = {"ResourceVersion", "CaseRow", "FactRow", "MessageRow", "SearchValue"}
GUARDED_TABLES = ("resource_version", "case_row", "fact", "message", "search_value")
BUILDER = SERVICE / "store/query.py"


def _selects_of(tree: ast.AST) -> set[str]:
    """Where a query on a guarded table begins without the builder: `select(X...)` on its columns, or SQL text."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            words = node.value.lower().replace('"', " ").split()
            if "select" in words and any(t in words for t in GUARDED_TABLES):
                found.add(f"{node.lineno}: {node.value[:60]}")
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            names = {n.id for a in node.args for n in ast.walk(a) if isinstance(n, ast.Name)}
            if (
                name in ("select", "exists")
                and names & {"VERSIONS", "VALUES", "CASES", "FACTS", "MESSAGES"} | GUARDED & names
            ):
                found.add(f"{node.lineno}: {name}")
    return found


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.relative_to(SERVICE).as_posix())
def test_every_read_of_a_case_begins_at_the_query_builder(file: Path) -> None:
    """Only the builder knows the tables of cases well enough to read them, and it always asks who reads."""
    if file == BUILDER or "migrations" in file.parts or file.name == "tables.py":
        return
    tree = ast.parse(file.read_text())
    named = {a.name for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) for a in n.names}
    assert not named & GUARDED, f"{file.name} takes a table from tables.py instead of store/query.py"
    assert not _selects_of(tree)
    held = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
    if file.parent == SERVICE / "store":
        assert "alias" not in held or "query" in named, file


def test_a_query_beside_the_builder_would_be_noticed() -> None:
    for text in (
        "select(VERSIONS).where(VERSIONS.c.id == 1)",
        "select(VALUES.c.id)",
        "exists().select_from(CASES); exists(CASES)",
        "text('SELECT body FROM resource_version')",
    ):
        assert _selects_of(ast.parse(text)), text
