"""The profiles and value sets of the folder of published definitions, compiled once in a process."""

from __future__ import annotations

import json
from collections.abc import Iterable
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from service.fhir.conformance.differential import Codes, Compiler, NotCompiled
from service.fhir.conformance.profile import Profile
from service.fhir.conformance.questionnaires import AskedAnswers, asked_by
from service.fhir.json_parts import is_list, is_object

_INSTALLED = Path(__file__).parent.parent.parent / "_profiles"
_IN_SOURCE = Path(__file__).parent.parent.parent.parent / "profiles"
_INCLUDE = frozenset(("system", "version", "concept"))


@cache
def published() -> dict[str, Profile]:
    """The profiles this service publishes, by canonical URL. Raises NotCompiled."""
    return compile_folder(_folder())


@cache
def questionnaires() -> dict[str, AskedAnswers]:
    """The questionnaires this service publishes, by canonical URL. Raises NotCompiled."""
    return questionnaires_of(_folder())


def _folder() -> Path:
    return _INSTALLED if _INSTALLED.is_dir() else _IN_SOURCE


def questionnaires_of(folder: Path) -> dict[str, AskedAnswers]:
    """The questionnaires of a folder of definitions, by canonical URL. Raises NotCompiled."""
    found: dict[str, AskedAnswers] = {}
    for file in sorted(folder.glob("Questionnaire-*.json")):
        try:
            made = asked_by(_read(file))
        except ValueError as error:
            raise NotCompiled(f"{file.name}: {error}.") from None
        found[made.url] = made
    return found


def compile_folder(folder: Path) -> dict[str, Profile]:
    """The profiles of a folder of definitions, by canonical URL. Raises NotCompiled, naming file and element."""
    value_sets = dict(_value_set(_read(file), file.name) for file in sorted(folder.glob("ValueSet-*.json")))
    definitions = [(file.name, _read(file)) for file in sorted(folder.glob("StructureDefinition-*.json"))]
    types = {str(d.get("url")): str(d.get("type")) for _, d in definitions}
    compiler = Compiler(value_sets, types)
    made = (compiler.profile(definition, name) for name, definition in definitions)
    found = {profile.url: profile for profile in made}
    if not found:
        raise NotCompiled(f"{folder}: no StructureDefinition is there.")
    return found


def _read(file: Path) -> dict[str, Any]:
    try:
        held = json.loads(file.read_text(encoding="utf-8"), parse_float=Decimal)
    except (OSError, ValueError):
        raise NotCompiled(f"{file.name}: the file: it cannot be read as JSON.") from None
    if not is_object(held):
        raise NotCompiled(f"{file.name}: the file: it is no JSON object.")
    return held


def _value_set(definition: dict[str, Any], file: str) -> tuple[str, Codes]:
    """A value set that lists its codes. Anything else is not known."""
    compose = definition.get("compose")
    include = compose.get("include") if is_object(compose) and compose.keys() == {"include"} else None
    if not is_list(include) or not isinstance(definition.get("url"), str):
        raise NotCompiled(f"{file}: ValueSet.compose: only value sets that list what they include are known.")
    codes: Codes = {}
    for system, listed in _listed(include, file):
        codes[system] = codes.get(system, frozenset()) | listed
    return definition["url"], codes


def _listed(include: list[Any], file: str) -> Iterable[tuple[str, frozenset[str]]]:
    for part in include:
        unknown = sorted(part.keys() - _INCLUDE)
        if unknown or "system" not in part or not part.get("concept"):
            what = f"«{unknown[0]}» is not known" if unknown else "a system and its concepts are needed"
            raise NotCompiled(f"{file}: ValueSet.compose.include: {what}.")
        yield part["system"], frozenset(concept["code"] for concept in part["concept"])
