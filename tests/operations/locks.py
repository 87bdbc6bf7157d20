"""What pyproject.toml declares and what the locks hold, read as a packaging tool reads them."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
SERVICE_LOCK = ROOT / "service/operations/requirements.lock"
DEVELOPMENT_LOCK = ROOT / "service/operations/requirements-dev.lock"


@dataclass(frozen=True)
class Locked:
    """One version of a package in a lock: for which systems it is (`marker`), and the files it may be installed from."""

    name: str
    version: str
    requirement: Requirement
    hashes: tuple[str, ...]

    @property
    def for_this_system(self) -> bool:
        """Whether this Python on this system installs it."""
        return self.requirement.marker is None or self.requirement.marker.evaluate()


def packages_of(lock: str) -> list[Locked]:
    """The packages of a lock's text. ValueError when a line is neither an exact version nor a hash nor a comment."""
    return list(_packages(lock))


def _packages(lock: str) -> Iterator[Locked]:
    lines = [line for line in lock.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    for line in re.split(r"(?<!\\)\n", "\n".join(lines)):
        text, *hashes = (part.strip() for part in re.split(r"\\\n\s+--hash=", line))
        requirement = Requirement(text)
        exact = re.fullmatch(r"==([^*,]+)", str(requirement.specifier))
        if exact is None:
            raise ValueError(f"not one exact version: {text}")
        yield Locked(canonicalize_name(requirement.name), exact[1], requirement, tuple(hashes))


def project() -> dict[str, Any]:
    """The tables of pyproject.toml."""
    return tomllib.loads((ROOT / "pyproject.toml").read_text())


def declared(*, with_development: bool) -> list[Requirement]:
    """What pyproject.toml asks for directly."""
    table = project()["project"]
    texts = table["dependencies"] + (table["optional-dependencies"]["dev"] if with_development else [])
    return [Requirement(text) for text in texts]
