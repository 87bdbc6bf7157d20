"""Writes the compact copies of the FHIR R4 definitions the service validates by, from the published ones.

The definitions of FHIR R4 4.0.1 (https://hl7.org/fhir/R4/downloads.html, CC0 by https://hl7.org/fhir/R4/license.html)
lie in the reference validator's libraries. To write the copies anew: `python -m tests.reference.r4_definitions`.
"""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
WRITTEN = ROOT / "service/fhir/conformance"
_JAR = "hapi-fhir-validation-resources-r4-*.jar"
_PLACES = (Path(__file__).parent / "build/lib", Path.home() / ".m2/repository")
_INSIDE = "org/hl7/fhir/r4/model"
_UNITS_JAR, _UNITS = "ucum-*.jar", "ucum-essence.xml"
_EXTENSIONS = "extension/extension-definitions.xml"
_FHIR = "{http://hl7.org/fhir}"
_CORE = "http://hl7.org/fhir/StructureDefinition/"
_REGEX = "http://hl7.org/fhir/StructureDefinition/regex"
_MAX_VALUE_SET = "http://hl7.org/fhir/StructureDefinition/elementdefinition-maxValueSet"
_SYSTEM_STRING = "http://hl7.org/fhirpath/System."
_EVERYWHERE = ("ele-1", "ext-1")
ABOUT = {
    "source": "FHIR R4 4.0.1 by HL7, https://hl7.org/fhir/R4/downloads.html, made compact",
    "licence": "CC0, https://hl7.org/fhir/R4/license.html",
}
ABOUT_UNITS = {
    "source": "UCUM essence, https://ucum.org: the unit atoms and prefixes only",
    "licence": "UCUM, Copyright Regenstrief Institute, Inc., https://ucum.org/license",
}


def jar(name: str = _JAR) -> Path | None:
    """The library that holds the definitions, if it is on this machine."""
    return next((found for place in _PLACES for found in sorted(place.rglob(name))), None)


def _archive(name: str) -> zipfile.ZipFile:
    held = jar(name)
    if held is None:
        raise FileNotFoundError(name)
    return zipfile.ZipFile(held)


def _units() -> dict[str, Any]:
    """The unit atoms of UCUM, those that take prefixes apart, and the prefixes."""
    with _archive(_UNITS_JAR) as archive:
        root = ElementTree.fromstring(archive.read(_UNITS))
    units = [*root.iter("base-unit"), *root.iter("unit")]
    metric = [u.get("Code", "") for u in units if u.get("isMetric", "yes") == "yes"]
    return {
        "about": ABOUT_UNITS,
        "prefixes": [p.get("Code", "") for p in root.iter("prefix")],
        "metric": metric,
        "others": [u.get("Code", "") for u in units if u.get("Code", "") not in metric],
    }


def texts() -> dict[str, str]:
    """What each written file must hold, by its name."""
    with _archive(_JAR) as archive:
        roots = {
            name: ElementTree.fromstring(archive.read(f"{_INSIDE}/{name}"))
            for name in (
                "profile/profiles-types.xml",
                "profile/profiles-resources.xml",
                "valueset/valuesets.xml",
                "valueset/v3-codesystems.xml",
                "valueset/v2-tables.xml",
                _EXTENSIONS,
            )
        }
    definitions = [
        d for name, root in roots.items() if name != _EXTENSIONS for d in root.iter(f"{_FHIR}StructureDefinition")
    ]
    terms = _Terms([r for name, root in roots.items() if name.startswith("valueset") for r in root])
    structure = _structure(definitions, terms)
    extensions = list(roots[_EXTENSIONS].iter(f"{_FHIR}StructureDefinition"))
    return {
        "r4.json": _lines({**structure, "extensions": _extensions(extensions, terms, structure["valueSets"])}),
        "r4_codes.json": _lines(terms.complete()),
        "ucum.json": _lines(_units()),
    }


class _Terms:
    """The code systems and value sets, by canonical URL."""

    def __init__(self, roots: list[ElementTree.Element]) -> None:
        self.systems = {_value(s, "url"): s for root in roots for s in root.iter(f"{_FHIR}CodeSystem")}
        self.sets = {_value(s, "url"): s for root in roots for s in root.iter(f"{_FHIR}ValueSet")}

    def complete(self) -> dict[str, Any]:
        """Every code of every code system that says it is complete."""
        found: dict[str, Any] = {"": ABOUT}
        for url, system in sorted(self.systems.items()):
            if _value(system, "content") == "complete":
                codes = sorted({code for code, _ in self._codes(system)})
                if codes:
                    loose = _value(system, "caseSensitive") == "false"
                    found[url] = {"codes": codes, **({"caseSensitive": False} if loose else {})}
        return found

    def expansion(self, url: str) -> dict[str, list[str]] | None:
        """The codes of a value set by system; None when they cannot be listed."""
        held = self.sets.get(url.split("|")[0])
        compose = None if held is None else held.find(f"{_FHIR}compose")
        if compose is None:
            return None
        found: dict[str, list[str]] = {}
        for part, keep in (("include", True), ("exclude", False)):
            for include in compose.findall(f"{_FHIR}{part}"):
                listed = self._include(include)
                if listed is None:
                    return None
                for system, codes in listed.items():
                    known = found.get(system, [])
                    kept = [*known, *codes] if keep else [c for c in known if c not in codes]
                    found[system] = list(dict.fromkeys(kept))
        return found

    def _include(self, include: ElementTree.Element) -> dict[str, list[str]] | None:
        found: dict[str, list[str]] = {}
        for inner in include.findall(f"{_FHIR}valueSet"):
            listed = self.expansion(inner.get("value", ""))
            if listed is None:
                return None
            for system, codes in listed.items():
                found[system] = [*found.get(system, []), *codes]
        url = _value(include, "system")
        if not url:
            return found
        concepts = [_value(c, "code") for c in include.findall(f"{_FHIR}concept")]
        system = self.systems.get(url)
        if not concepts:
            if system is None or _value(system, "content") != "complete":
                return None
            concepts = [code for code, _ in self._codes(system)]
            for one in include.findall(f"{_FHIR}filter"):
                kept = self._filtered(system, one)
                if kept is None:
                    return None
                concepts = [code for code in concepts if code in kept]
        return {**found, url: concepts}

    def _filtered(self, system: ElementTree.Element, one: ElementTree.Element) -> set[str] | None:
        operator, wanted = _value(one, "op"), _value(one, "value")
        if operator not in ("is-a", "descendent-of"):
            return None
        found = {code for code, above in self._codes(system) if wanted in above}
        return found | {wanted} if operator == "is-a" else found

    def _codes(self, system: ElementTree.Element) -> Iterator[tuple[str, set[str]]]:
        """Each code with all the codes above it."""
        parents: dict[str, set[str]] = {}

        def walk(holder: ElementTree.Element, above: str | None) -> None:
            for concept in holder.findall(f"{_FHIR}concept"):
                code = _value(concept, "code")
                held = parents.setdefault(code, set())
                if above:
                    held.add(above)
                for known in concept.findall(f"{_FHIR}property"):
                    if _value(known, "code") == "subsumedBy":
                        held.add(_value(known, "valueCode"))
                walk(concept, code)

        walk(system, None)
        for code in parents:
            above, ahead = set(), list(parents[code])
            while ahead:
                one = ahead.pop()
                if one not in above:
                    above.add(one)
                    ahead.extend(parents.get(one, ()))
            yield code, above


def _structure(definitions: list[ElementTree.Element], terms: _Terms) -> dict[str, Any]:
    """Types and their elements, the invariants they name, and the codes of their required value sets."""
    types: dict[str, Any] = {}
    rules: dict[str, Any] = {}
    bound: set[str] = set()
    for definition in definitions:
        if _value(definition, "derivation") == "constraint" and _value(definition, "kind") != "complex-type":
            continue
        name = _value(definition, "id")
        snapshot = definition.find(f"{_FHIR}snapshot")
        assert snapshot is not None, name
        nodes: dict[str, Any] = {}
        for element in snapshot.findall(f"{_FHIR}element"):
            _add(nodes, element, rules, bound)
        base = _value(definition, "baseDefinition").removeprefix(_CORE)
        types[name] = {
            "kind": _value(definition, "kind"),
            **({"base": base} if base else {}),
            **({"profile": True} if _value(definition, "derivation") == "constraint" else {}),
            **({"abstract": True} if _value(definition, "abstract") == "true" else {}),
            "nodes": nodes,
        }
    sets = {url: terms.expansion(url) for url in sorted(bound)}
    return {"about": ABOUT, "rules": dict(sorted(rules.items())), "valueSets": sets, "types": types}


def _add(nodes: dict[str, Any], element: ElementTree.Element, rules: dict[str, Any], bound: set[str]) -> None:
    path = _value(element, "id")
    keys = []
    for constraint in element.findall(f"{_FHIR}constraint"):
        key = _value(constraint, "key")
        said = {name: _value(constraint, name) for name in ("severity", "human", "expression")}
        if rules.setdefault(key, said)["expression"] != said["expression"]:
            key = f"{path.split('.')[0]} {key}"
            rules[key] = said
        if key not in _EVERYWHERE:
            keys.append(key)
    if "." not in path:
        nodes[path] = {"rules": keys, "elements": {}}
        return
    owner, _, name = path.rpartition(".")
    owner = ".".join(part.split(":")[0] for part in owner.split("."))
    if ":" in name:
        return
    made: dict[str, Any] = {"min": int(_value(element, "min")), "max": _value(element, "max")}
    types = [t for t in element.findall(f"{_FHIR}type") if _value(t, "code")]
    reference = _value(element, "contentReference")
    if reference:
        made["like"] = reference.removeprefix("#")
    else:
        made["types"] = {_type_code(t): _targets(t) for t in types}
    if keys:
        made["rules"] = keys
    if _value(element, "isModifier") == "true":
        made["modifier"] = True
    forms = [form for t in types for form in _forms(t)]
    if forms:
        made["form"] = forms[0]
    binding = element.find(f"{_FHIR}binding")
    if binding is not None and (url := _required(binding)):
        made["codes"] = url
        bound.add(url)
    for fixed in element:
        tag = fixed.tag.removeprefix(_FHIR)
        if tag.startswith(("fixed", "pattern")):
            made["fixed"] = fixed.get("value")
    if owner not in nodes:
        nodes[owner] = {"rules": [], "elements": {}}
    nodes[owner]["elements"][name] = made


def _required(binding: ElementTree.Element) -> str:
    """The value set a code must be of: that of a required binding, or the widest one of another binding."""
    if _value(binding, "strength") == "required":
        return _value(binding, "valueSet").split("|")[0]
    for extension in binding.findall(f"{_FHIR}extension"):
        if extension.get("url") == _MAX_VALUE_SET:
            return _value(extension, "valueCanonical").split("|")[0]
    return ""


def _type_code(element: ElementTree.Element) -> str:
    """The type, or the profile of a datatype (SimpleQuantity) where the element asks for one."""
    code, profile = _value(element, "code"), _value(element, "profile").removeprefix(_CORE)
    if code == "Quantity" and profile:
        return profile
    return "string" if code.startswith(_SYSTEM_STRING) else code


def _targets(element: ElementTree.Element) -> list[str]:
    held = [t.get("value", "").removeprefix(_CORE) for t in element.findall(f"{_FHIR}targetProfile")]
    return [] if "Resource" in held else held


def _forms(element: ElementTree.Element) -> Iterator[str]:
    for extension in element.findall(f"{_FHIR}extension"):
        if extension.get("url") == _REGEX:
            yield _value(extension, "valueString")


def _value(element: ElementTree.Element, name: str) -> str:
    """The text of a child; FHIR XML writes it in an attribute. An id is an attribute itself for elements."""
    if name == "id" and element.get("id"):
        return element.get("id", "")
    held = element.find(f"{_FHIR}{name}")
    return "" if held is None else held.get("value", "")


def _extensions(
    definitions: list[ElementTree.Element], terms: _Terms, sets: dict[str, dict[str, list[str]] | None]
) -> dict[str, Any]:
    """The extensions R4 defines: where they may stand, and the types and codes of their value."""
    found: dict[str, Any] = {}
    for definition in definitions:
        made: dict[str, Any] = {}
        for element in definition.iter(f"{_FHIR}element"):
            if _value(element, "id") == "Extension.value[x]" and _value(element, "max") != "0":
                made["types"] = sorted({_value(t, "code") for t in element.findall(f"{_FHIR}type")})
                binding = element.find(f"{_FHIR}binding")
                if binding is not None and (url := _required(binding)):
                    made["codes"] = url
                    sets.setdefault(url, terms.expansion(url))
        contexts = definition.findall(f"{_FHIR}context")
        if all(_value(c, "type") == "element" for c in contexts):
            made["contexts"] = [_value(c, "expression") for c in contexts]
        found[_value(definition, "url")] = made
    return dict(sorted(found.items()))


def _lines(value: dict[str, Any]) -> str:
    """JSON with one line for each entry of the first two levels, so that changes can be read."""
    parts = []
    for key, held in value.items():
        if isinstance(held, dict) and key in ("types", "valueSets", "rules", "extensions"):
            inner = ",\n".join(f"{json.dumps(k)}:{_compact(v)}" for k, v in held.items())
            parts.append(f"{json.dumps(key)}:{{\n{inner}\n}}")
        else:
            parts.append(f"{json.dumps(key)}:{_compact(held)}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


if __name__ == "__main__":
    for file, text in texts().items():
        (WRITTEN / file).write_text(text, encoding="utf-8")
