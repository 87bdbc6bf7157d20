"""Codes: form of published ones by their check digits, provenance of each, our own terms complete and distinct."""

from __future__ import annotations

import json
import re
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages

import pytest

from service.fhir import codes
from service.fhir.codes import ICD10CM, LOCAL, LOINC, PUBLISHED, SNOMED, Code, Provenance, all_local, is_local, local

SERVICE = Path(codes.__file__).parents[1]
CONSTANTS = {name: held for name, held in vars(codes).items() if isinstance(held, Code)}
_TIMES = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9),
    (1, 2, 3, 4, 0, 6, 7, 8, 9, 5),
    (2, 3, 4, 0, 1, 7, 8, 9, 5, 6),
    (3, 4, 0, 1, 2, 8, 9, 5, 6, 7),
    (4, 0, 1, 2, 3, 9, 5, 6, 7, 8),
    (5, 9, 8, 7, 6, 0, 4, 3, 2, 1),
    (6, 5, 9, 8, 7, 1, 0, 4, 3, 2),
    (7, 6, 5, 9, 8, 2, 1, 0, 4, 3),
    (8, 7, 6, 5, 9, 3, 2, 1, 0, 4),
    (9, 8, 7, 6, 5, 4, 3, 2, 1, 0),
)
DICOM = "http://dicom.nema.org/resources/ontology/DCM"
_FIRST_TURN = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def mod_10(number: str) -> bool:
    """The check digit of a LOINC code, after the hyphen."""
    body, check = number.split("-")
    total = 0
    for place, digit in enumerate(reversed(body)):
        doubled = int(digit) * (2 if place % 2 == 0 else 1)
        total += doubled // 10 + doubled % 10
    return (10 - total % 10) % 10 == int(check)


def verhoeff(number: str) -> bool:
    """The check digit of a SNOMED CT identifier, its last."""
    held = 0
    for place, digit in enumerate(reversed(number)):
        turned = int(digit)
        for _ in range(place % 8):
            turned = _FIRST_TURN[turned]
        held = _TIMES[held][turned]
    return held == 0


def test_the_check_digits_are_computed_rightly() -> None:
    assert mod_10("2339-0")
    assert not mod_10("2339-1")
    assert verhoeff("236")
    assert verhoeff("73211009")
    assert not verhoeff("73211008")
    assert not verhoeff("73211090")


@pytest.mark.parametrize("name", CONSTANTS)
def test_a_constant_has_provenance_and_the_form_of_its_system(name: str) -> None:
    code = CONSTANTS[name]
    assert isinstance(code.provenance, Provenance)
    assert code.display.strip()
    if code.system == LOINC:
        assert mod_10(code.code)
        assert code.provenance is Provenance.SEEN or code is codes.OBSTRUCTIVE_INDEX, "what is read was seen"
    elif code.system == SNOMED:
        assert verhoeff(code.code)
        assert code.provenance in (Provenance.SEEN, Provenance.PUBLIC_REPOSITORIES)
    elif code.system == ICD10CM:
        assert re.fullmatch(r"[A-Z]\d[0-9A-Z](\.[0-9A-Z]{1,4})?", code.code)
    else:
        assert code.provenance is Provenance.STANDARD


def test_every_published_code_is_listed() -> None:
    assert set(PUBLISHED) == {c for c in CONSTANTS.values() if c.provenance is not Provenance.STANDARD}


def test_no_licensed_procedure_codes_are_used() -> None:
    """CPT codes have five digits, CDT codes a D and four; their texts are licensed."""
    for code in (*CONSTANTS.values(), *all_local()):
        assert not re.fullmatch(r"\d{5}|D\d{4}|\d{4}[FT]", code.code)
        assert "ama-assn" not in code.system
        assert "ada.org" not in code.system
    for file in SERVICE.rglob("*.py"):
        assert not re.search(r"\bD[0-9]{4}\b|\bCPT\b|\bCDT\b", file.read_text()), file


def test_local_codes_are_distinct_with_distinct_displays() -> None:
    displays = [c.display for c in all_local()]
    assert len(displays) == len(set(displays))
    for code in all_local():
        assert code.system == LOCAL
        assert code.provenance is Provenance.LOCAL
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code.code)
        assert code.display[0].isupper() or code.display[0].isdigit()


@pytest.mark.parametrize("file", sorted(SERVICE.rglob("*.py")), ids=lambda f: str(f.relative_to(SERVICE)))
def test_every_local_code_named_in_the_source_is_defined(file: Path) -> None:
    for name in re.findall(r'\blocal\(\s*"([^"]+)"', file.read_text()):
        assert is_local(name), name


def test_a_code_that_is_not_defined_cannot_be_made() -> None:
    with pytest.raises(KeyError):
        local("nonsense")


def test_a_code_made_anywhere_in_the_service_has_provenance() -> None:
    """Constants of every module, also those that hold codes in lists and tables."""
    found = {code for name in _modules() for held in vars(import_module(name)).values() for code in _codes_in(held)}
    assert {code.code for code in CONSTANTS.values()} <= {code.code for code in found}
    assert [code for code in found if not isinstance(code.provenance, Provenance)] == []


def test_every_published_code_in_the_source_is_one_with_provenance() -> None:
    """Whatever has the form of a LOINC or SNOMED CT code stands in the table that says where its meaning was seen.

    Codes of DICOM, which R4 binds in AuditEvent, stand beside their system in the file that writes AuditEvents.
    """
    listed = {code.code for code in PUBLISHED}
    dicom = set(json.loads((SERVICE / "fhir/conformance/r4_codes.json").read_text())[DICOM]["codes"])
    for file in SERVICE.rglob("*.py"):
        quoted = re.findall(r'"(\d{3,5}-\d|\d{6,18})"', file.read_text())
        assert set(quoted) <= (listed | dicom if file.name == "audit_event.py" else listed), file


def _modules() -> list[str]:
    """All but those that run something when they are imported."""
    names = [m.name for m in walk_packages([str(SERVICE)], "service.")]
    return [n for n in names if not n.endswith("__main__") and ".migrations" not in n]


def _codes_in(held: object) -> list[Code]:
    if isinstance(held, Code):
        return [held]
    if isinstance(held, dict):
        return [code for value in held.values() for code in _codes_in(value)]
    return [code for value in held for code in _codes_in(value)] if isinstance(held, list | tuple | frozenset) else []
