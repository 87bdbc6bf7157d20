"""Reading values out of resources: each value checked for form, unit and plausibility, problems collected."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import TypeVar

from service.errors import Category, Problem
from service.fhir.build import Resource, unit_words
from service.fhir.codes import UCUM, Code, has_code, local_code_of
from service.fhir.dates import moment_of
from service.fhir.json_parts import list_in, object_in
from service.rules.limits import Limit
from service.rules.source import Moment
from service.rules.words import number

_LONGEST_TEXT = 500
_Word = TypeVar("_Word", bound=StrEnum)


@dataclass(slots=True)
class Reading:
    """One resource being read; `problems` grows as values turn out wrong."""

    resource: Resource
    path: str
    problems: list[Problem] = field(default_factory=list[Problem])

    def wrong(self, where: str, message: str) -> None:
        """Record a problem at `where`, relative to the resource."""
        self.problems.append(Problem(Category.INVALID, message, f"{self.path}.{where}" if where else self.path))

    def patient(self) -> None:
        """A problem when it is not said of whom the resource speaks."""
        if not reference_of(self.resource.get("subject")):
            self.wrong("subject", "A reference to the patient is needed.")

    def moment(self, key: str) -> Moment | None:
        """The moment of a date or dateTime element; a problem when it is missing or coarser than a day."""
        try:
            return moment_of(self.resource.get(key))
        except ValueError as error:
            self.wrong(key, f"{str(error)[0].upper()}{str(error)[1:]}.")
            return None

    def day_in(self, holder: Resource, key: str, where: str) -> date | None:
        """The day of an optional date element of a part."""
        if key not in holder:
            return None
        try:
            return moment_of(holder[key]).day
        except ValueError as error:
            self.wrong(f"{where}.{key}" if where else key, f"{str(error)[0].upper()}{str(error)[1:]}.")
            return None

    def quantity(self, holder: Resource, where: str, limit: Limit, key: str = "valueQuantity") -> Decimal | None:
        """The value of a Quantity in exactly the limit's unit and inside its bounds."""
        given = object_in(holder.get(key))
        value = given.get("value") if given else None
        spot = f"{where}.{key}" if where else key
        if "dataAbsentReason" in holder and holder.get(key) is not None:
            self.wrong(spot, "A value is told, or why there is none; not both.")
            return None
        if given is None or not isinstance(value, int | Decimal):
            self.wrong(spot, f"A quantity in {limit.unit} is needed.")
            return None
        if given.get("code") != limit.unit:
            unit = f"not «{given['code']}»" if given.get("code") else "which is missing"
            self.wrong(f"{spot}.code", f"The unit must be the UCUM unit «{limit.unit}», {unit}.")
            return None
        if given.get("system") != UCUM:
            self.wrong(f"{spot}.system", f"The unit «{limit.unit}» needs the system {UCUM}.")
            return None
        if "comparator" in given:
            self.wrong(f"{spot}.comparator", "An exact value is needed, without comparator.")
            return None
        return self.within(Decimal(value), f"{spot}.value", limit)

    def whole(self, holder: Resource, where: str, limit: Limit) -> int | None:
        """A whole number inside bounds from `valueInteger`."""
        given = holder.get("valueInteger")
        if not isinstance(given, int) or isinstance(given, bool):
            self.wrong(f"{where}.valueInteger" if where else "valueInteger", "A whole number is needed.")
            return None
        checked = self.within(Decimal(given), f"{where}.valueInteger" if where else "valueInteger", limit)
        return None if checked is None else given

    def flag(self, holder: Resource, where: str) -> bool | None:
        """A `valueBoolean`."""
        given = holder.get("valueBoolean")
        if not isinstance(given, bool):
            self.wrong(f"{where}.valueBoolean", "Either true or false is needed.")
            return None
        return given

    def within(self, value: Decimal, where: str, limit: Limit) -> Decimal | None:
        """`value` when it lies inside the bounds of what can be at all."""
        if limit.low <= value <= limit.high:
            return value
        self.wrong(where, f"{cannot_be(value, limit)}.")
        return None

    def components(self, code: Code) -> list[tuple[Resource, str]]:
        """Components with a code, each with its path relative to the resource."""
        return [
            (part, f"component[{index}]")
            for index, item in enumerate(list_in(self.resource.get("component")))
            if (part := object_in(item)) is not None and has_code(part.get("code"), code)
        ]

    def part(self, code: Code) -> tuple[Resource, str] | None:
        """The component with a code; a problem when it stands twice."""
        found = self.components(code)
        if len(found) > 1:
            self.wrong(found[1][1], f"«{code.display}» stands twice.")
        return found[0] if found else None

    def part_quantity(self, code: Code, limit: Limit, needed: bool = False) -> Decimal | None:
        """The quantity of the component with a code."""
        found = self.part(code)
        if found is None:
            if needed:
                self.wrong("component", f"A component «{code.code}» ({code.display}) in {limit.unit} is needed.")
            return None
        return self.quantity(found[0], found[1], limit)

    def part_whole(self, code: Code, limit: Limit) -> int | None:
        """The whole number of the component with a code."""
        found = self.part(code)
        return None if found is None else self.whole(found[0], found[1], limit)

    def part_flag(self, code: Code) -> bool | None:
        """The truth value of the component with a code."""
        found = self.part(code)
        return None if found is None else self.flag(found[0], found[1])

    def part_choice(self, code: Code, kind: type[_Word], needed: bool = False) -> _Word | None:
        """The value of a closed list that the `valueCodeableConcept` of the component with a code names."""
        found = self.part(code)
        if found is None:
            if needed:
                self.wrong("component", f"A component «{code.code}» ({code.display}) is needed.")
            return None
        word = word_of(kind, local_code_of(found[0].get("valueCodeableConcept")))
        if word is None:
            self.wrong(
                f"{found[1]}.valueCodeableConcept", f"One of {', '.join(item.value for item in kind)} is needed."
            )
        return word

    def part_text(self, code: Code, needed: bool = False) -> str | None:
        """The `valueString` of the component with a code, without blanks around it."""
        found = self.part(code)
        if found is None:
            if needed:
                self.wrong("component", f"A component «{code.code}» ({code.display}) is needed.")
            return None
        text = found[0].get("valueString")
        if isinstance(text, str) and text.strip() and len(text) <= _LONGEST_TEXT:
            return text.strip()
        self.wrong(f"{found[1]}.valueString", f"Text of 1 to {_LONGEST_TEXT} characters is needed.")
        return None

    def part_day(self, code: Code) -> date | None:
        """The day of the `valueDateTime` of the component with a code."""
        found = self.part(code)
        return None if found is None else self.day_in(found[0], "valueDateTime", found[1])


def cannot_be(value: Decimal | int, limit: Limit) -> str:
    """Why a value outside its limit is refused, without a full stop."""
    unit = unit_words(limit.unit)
    shown = f"{number(Decimal(value))} {unit}" if unit else number(Decimal(value))
    return f"{shown} cannot be: {number(limit.low)} to {number(limit.high)} ({limit.why})"


def word_of(kind: type[_Word], text: object) -> _Word | None:
    """The word of a closed list that a text is; None when it is none of them."""
    return next((word for word in kind if word.value == text), None)


def organisation_of(references: object) -> str | None:
    """The first reference to an organisation in a list of References."""
    found = (reference_of(one) for one in list_in(references))
    return next((r for r in found if r and r.startswith("Organization/")), None)


def reference_of(element: object) -> str | None:
    """The literal reference of a Reference element, without a version."""
    text = (object_in(element) or {}).get("reference")
    return text.split("/_history/")[0] if isinstance(text, str) else None
