"""`profiles/modifiers.md`, written from the table of the modifier contract."""

from __future__ import annotations

from service.fhir.modifier_rows import ROWS, Row
from service.fhir.modifiers import ModifierEffect

_HEAD = """# Elements that change the meaning of a resource

R4 marks some elements as modifiers (https://hl7.org/fhir/R4/conformance-rules.html#isModifier): who does not know them must
not use the resource. This page says what each of them does here, in every type that is accepted. It is written from
`service/fhir/modifier_rows.py`; `tests/fhir/test_modifiers.py` holds both against R4's own definitions.

What is refused is answered with 422 and its FHIRPath; nothing of the message is stored. What is kept and not counted is
listed by each case as `not_counted`, and named in the decisions on readiness, response and follow-up, in the CarePlan and on the
page of the case. A preliminary result that becomes final is counted from then on, and the case is decided anew.
"""


def page() -> str:
    """The page as it is to be published."""
    lines = [_HEAD, "| element | for | values | what they do | why |", "|---|---|---|---|---|"]
    for row in ROWS:
        lines += [_line(row, effect, values) for effect, values in _by_effect(row).items()]
    return "\n".join(lines) + "\n"


def _by_effect(row: Row) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for value, effect in row.effects.items():
        found.setdefault(effect, []).append(value)
    return found


def _line(row: Row, effect: str, values: list[str]) -> str:
    shown = ", ".join("any" if value == "*" else f"`{value}`" for value in values)
    own = [f"`{value}`: {row.reasons[value]}" for value in values if value in row.reasons]
    said = " ".join(own) if own else row.says
    return f"| `{row.path}` | {', '.join(row.of) or 'all others'} | {shown} | {ModifierEffect[effect].value} | {said} |"
