"""Plain JSON messages: the field types they share, units in their names, unknown fields refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    StringConstraints,
    ValidationError,
)
from pydantic import Field as ModelField
from pydantic.json_schema import WithJsonSchema
from pydantic_core import CoreSchema
from pydantic_core.core_schema import no_info_plain_validator_function

from service.errors import Category, Problem, Refused
from service.fhir.build import Draft
from service.fhir.dates import moment_of
from service.fhir.model_errors import problems_of
from service.fhir.reading import cannot_be
from service.fhir.referral_task import Role
from service.fhir.telephone import PATTERN as TELEPHONE
from service.rules.limits import Limit


class Plain(BaseModel):
    """A part of a plain message: unknown fields are refused, nothing is coerced."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


@dataclass(slots=True)
class Mapped:
    """What a message came to: drafts, a move of the referral if it asks for one, and what it asks to be read."""

    drafts: list[Draft]
    move: Move | None = None
    agent: str = ""
    replaces: tuple[str, tuple[str, str]] | None = None
    """The earlier referral a new one takes the place of: as a case number, or else by its own identifier."""
    reads: list[AskedRead] = field(default_factory=list)

    def untouched(self) -> Mapped:
        """A copy for one try: identities given to drafts in a try that failed must not reach the next."""
        return replace(self, drafts=[replace(draft) for draft in self.drafts])


@dataclass(frozen=True, slots=True)
class AskedRead:
    """A read or search inside a message: its place there, its address below the base, its conditions by header."""

    place: int
    url: str
    conditions: dict[str, str]


@dataclass(frozen=True, slots=True)
class Move:
    """A move of the referral to another state, by a role, with a reason where one is needed.

    `agrees` answers an open request to cancel: the move follows when it is true, and is declined when it is false.
    """

    state: str
    role: Role
    on: str
    reason: str = ""
    agrees: bool | None = None


Message = TypeVar("Message", bound=Plain)


def checked(model: type[Message], body: dict[str, Any]) -> Message:
    """The message as its model; refused with every problem and its field path."""
    try:
        return model.model_validate(body)
    except ValidationError as error:
        raise Refused(problems_of(error, forms=_FORMS)) from None


def _day_or_time(value: object) -> str:
    moment_of(value)
    return str(value)


def _plain_day(value: object) -> str:
    if moment_of(value).clock:
        raise ValueError("a date without time is needed, such as 2026-10-04")
    return str(value)


_DATE_SCHEMA = {"type": "string", "format": "date", "examples": ["2026-10-04"]}
_TIME_SCHEMA = {"type": "string", "examples": ["2026-10-04", "2026-10-04T21:30:00+02:00"]}

Day = Annotated[str, BeforeValidator(_plain_day), WithJsonSchema(_DATE_SCHEMA)]
DayOrTime = Annotated[str, BeforeValidator(_day_or_time), WithJsonSchema(_TIME_SCHEMA)]
_LINE = r"^[^\x00-\x1f]*[^\x00-\x1f\s][^\x00-\x1f]*$"
_KEY = r"^[A-Za-z0-9][A-Za-z0-9._-]*$"
CODE = r"^[A-Za-z0-9.]{1,18}$"
KIND = r"^[a-z][a-z -]{1,58}[a-z]$"
_FORMS = {
    _LINE: "One line of text is needed, without control characters.",
    _KEY: "Letters, digits, dot, hyphen and underscore are taken, with a letter or digit first.",
    CODE: "A code of 1 to 18 letters, digits and dots is needed.",
    KIND: "Three to sixty lower-case letters are needed, with spaces or hyphens between them, such as dry mouth.",
    TELEPHONE: "A telephone number of 5 to 31 digits, blanks, brackets, dots and hyphens is needed, such as +1 555 0100.",
}

Text = Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=_LINE)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=_LINE)]
Key = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=_KEY)]
Telephone = Annotated[str, StringConstraints(min_length=5, max_length=31, pattern=TELEPHONE)]


@dataclass(frozen=True, slots=True)
class Within:
    """A number inside a limit; its unit stands in the field's name. For Decimal and int fields."""

    limit: Limit

    def __get_pydantic_core_schema__(self, source: type, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The checks: no text, no true or false, inside the limit."""
        whole = source is int

        def check(value: object) -> Decimal | int:
            if isinstance(value, bool) or not isinstance(value, int if whole else int | Decimal):
                raise ValueError("a whole number is needed" if whole else "a number is needed")
            if not self.limit.low <= value <= self.limit.high:  # type: ignore[operator]
                raise ValueError(cannot_be(value, self.limit))  # type: ignore[arg-type]
            return value if whole else Decimal(value)  # type: ignore[return-value]

        return no_info_plain_validator_function(check)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Number or integer with minimum and maximum."""
        return {"type": "number", "minimum": float(self.limit.low), "maximum": float(self.limit.high)}


class Organisation(Plain):
    """An organisation with the number its partners know it by, and the telephone number patients call."""

    id: Key
    name: Name
    telephone: Telephone | None = None


class Entry(Plain):
    """One entry of a dental record: its own number, and how to correct it.

    A repeat with the same number is the same entry. A correction carries a higher `revision`, or
    `entered_in_error` to withdraw the entry for good.
    """

    entry_id: Key
    revision: Annotated[int, ModelField(ge=1, le=1000)] = 1
    entered_in_error: bool = False

    @property
    def order(self) -> int:
        """Which of two posts of the entry counts: a withdrawal beats every revision."""
        return 1_000_000 if self.entered_in_error else self.revision


def twice(name: str, entries: Sequence[Entry]) -> list[Problem]:
    """Entries of a list whose number stands in it already: which of the two holds is not the service's to guess."""
    first: dict[str, int] = {}
    found: list[Problem] = []
    for index, entry in enumerate(entries):
        before = first.setdefault(entry.entry_id, index)
        if before != index:
            sentence = f"The entry «{entry.entry_id}» stands in {name}[{before}] already; send it once."
            found.append(Problem(Category.INVALID, sentence, f"{name}[{index}].entry_id"))
    return found


FlagKind = Literal[
    "locked-jaw", "loose-tooth", "broken-appliance", "drowsy-driving", "worse-sleepiness", "worse-oximetry"
]
OfficeChoice = Literal["dentist", "physician"]
IndexChoice = Literal["AHI", "REI", "RDI"]
HypopnoeaChoice = Literal["3% or arousal", "3%", "4%", "unknown"]
