"""Dependencies say the truth: declared, locked with hashes, used, and explained."""

from __future__ import annotations

import ast
import importlib.metadata
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.operations.locks import DEVELOPMENT_LOCK, ROOT, SERVICE_LOCK, Locked, declared, packages_of, project

_LOCKS = pytest.mark.parametrize(
    ("lock", "with_development"), [(SERVICE_LOCK, False), (DEVELOPMENT_LOCK, True)], ids=["service", "development"]
)


@_LOCKS
def test_the_lock_holds_every_declared_dependency_in_its_range(lock: Path, with_development: bool) -> None:
    packages = packages_of(lock.read_text())
    asked = declared(with_development=with_development)
    assert asked
    assert [text for requirement in asked for text in _unmet(requirement, packages, frozenset({""}))] == []


@_LOCKS
def test_the_lock_holds_what_its_packages_need(lock: Path, with_development: bool) -> None:
    packages = packages_of(lock.read_text())
    extras = {canonicalize_name(r.name): r.extras for r in declared(with_development=with_development)}
    walked = 0
    for package in packages:
        if package.for_this_system and _installed(package):
            walked += 1
            for text in importlib.metadata.requires(package.name) or []:
                asked = frozenset({"", *extras.get(package.name, ())})
                assert list(_unmet(Requirement(text), packages, asked)) == [], package.name
    assert walked > 30


def _installed(package: Locked) -> bool:
    try:
        return importlib.metadata.version(package.name) == package.version
    except importlib.metadata.PackageNotFoundError:
        return False


def _unmet(requirement: Requirement, packages: list[Locked], extras: frozenset[str]) -> Iterator[str]:
    """What a lock lacks of a requirement, when this system and these extras ask for it at all."""
    if requirement.marker and not any(requirement.marker.evaluate({"extra": extra}) for extra in extras):
        return
    held = [p for p in packages if p.name == canonicalize_name(requirement.name)]
    if not held:
        yield f"{requirement} is not in the lock"
    for package in held:
        if not requirement.specifier.contains(package.version, prereleases=True):
            yield f"{requirement} is locked at {package.version}"


@_LOCKS
def test_every_package_of_the_lock_has_hashes_and_no_source_is_named(lock: Path, with_development: bool) -> None:
    text = lock.read_text()
    packages = packages_of(text)
    assert packages
    assert [p.name for p in packages if not p.hashes] == []
    assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", digest) for p in packages for digest in p.hashes)
    assert not re.search(r"://|--index|--extra|--find|--trusted", text)


def test_what_runs_the_service_is_tested_in_the_same_versions() -> None:
    tested = {(p.name, p.version) for p in packages_of(DEVELOPMENT_LOCK.read_text())}
    assert {(p.name, p.version) for p in packages_of(SERVICE_LOCK.read_text())} <= tested


def test_a_stale_lock_would_be_noticed() -> None:
    packages = packages_of("httpx==0.28.1 \\\n    --hash=sha256:aa \\\n    --hash=sha256:bb\n    # via project\n")
    assert packages[0].hashes == ("sha256:aa", "sha256:bb")
    assert list(_unmet(Requirement("httpx>=0.27,<1"), packages, frozenset({""}))) == []
    assert list(_unmet(Requirement("httpx>=1"), packages, frozenset({""}))) == ["httpx>=1 is locked at 0.28.1"]
    assert list(_unmet(Requirement("h11"), packages, frozenset({""}))) == ["h11 is not in the lock"]
    with pytest.raises(ValueError, match="not one exact version"):
        packages_of("httpx>=0.28")


def test_each_dependency_is_explained_once_for_developers() -> None:
    section = (ROOT / "DEVELOPERS.md").read_text().partition("\n## Dependencies\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| `([^`]+)` \| (\S.*) \| (\S.*) \|$", section, re.MULTILINE)
    assert sorted(name for name, *_ in rows) == sorted(r.name for r in declared(with_development=True))


# tools that are declared so that their command can be run, and the command
_COMMANDS = {
    "bandit": ".venv/bin/bandit ",
    "coverage": "-m coverage combine",
    "cyclonedx-bom": ".venv/bin/cyclonedx-py ",
    "deptry": ".venv/bin/deptry ",
    "import-linter": '"lint-imports"',
    "pyright": ".venv/bin/pyright ",
    "pytest-timeout": "timeout = 300",
    "pytest-xdist": "-m pytest -n auto ",
    "ruff": ".venv/bin/ruff ",
    "uv": ".venv/bin/uv ",
}
_WHERE_COMMANDS_STAND = (".ci/run", ".ci/lock", "pyproject.toml", "README.md", "tests/test_architecture.py")


def test_what_no_import_shows_is_used_all_the_same() -> None:
    """What the check of imports passes over is loaded by its name in a test, or run as a command."""
    text = "".join((ROOT / name).read_text() for name in _WHERE_COMMANDS_STAND)
    run = {name for name, command in _COMMANDS.items() if command in text}
    assert run == set(_COMMANDS)
    passed_over = set(project()["tool"]["deptry"]["per_rule_ignores"]["DEP002"])
    assert passed_over - run <= _loaded_by_name()


def test_what_is_loaded_by_name_is_declared() -> None:
    assert {"lark", "pillow", "fhir-resources"} <= {canonicalize_name(name) for name in _loaded_by_name()}
    assert _loaded_by_name() <= {r.name for r in declared(with_development=True)}


@cache
def _loaded_by_name() -> set[str]:
    """The distributions whose modules tests load by a name in quotes."""
    owners = importlib.metadata.packages_distributions()
    modules = {module for file in (ROOT / "tests").rglob("*.py") for module in _names_in(ast.parse(file.read_text()))}
    return {owner for module in modules for owner in owners.get(module, ()) if module not in ("service", "tests")}


def _names_in(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("importorskip", "import_module")):
            for part in ast.walk(node.args[0]):
                if isinstance(part, ast.Constant) and isinstance(part.value, str):
                    yield part.value.split(".")[0]
                    break
