"""Plain JSON messages: the field types they share, units in their names, unknown fields refused."""

from __future__ import annotations

from dataclasses import dataclass, field
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

from service.errors import Refused
from service.fhir.build import Draft
from service.fhir.dates import moment_of
from service.fhir.model_errors import problems_of
from service.rules.limits import Limit
from service.rules.words import number


class Plain(BaseModel):
    """A part of a plain message: unknown fields are refused, nothing is coerced."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


@dataclass(slots=True)
class Mapped:
    """What a message came to: drafts, and a move of the referral if it asks for one."""

    drafts: list[Draft]
    move: Move | None = None
    agent: str = ""
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Move:
    """A move of the referral to another state, by a role, with a reason where one is needed."""

    state: str
    role: str
    on: str
    reason: str = ""


Message = TypeVar("Message", bound=Plain)


def checked(model: type[Message], body: dict[str, Any]) -> Message:
    """The message as its model; refused with every problem and its field path."""
    try:
        return model.model_validate(body)
    except ValidationError as error:
        raise Refused(problems_of(error)) from None


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
Text = Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=r"^[^\x00-\x1f]*$")]
Name = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f]*\S[^\x00-\x1f]*$")]
Key = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
CaseNumber = Annotated[str, StringConstraints(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9.-]+$")]


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
                low, high = number(self.limit.low), number(self.limit.high)
                raise ValueError(f"{value} {self.limit.unit} cannot be: {low} to {high} ({self.limit.why})")
            return value if whole else Decimal(value)  # type: ignore[return-value]

        return no_info_plain_validator_function(check)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Number or integer with minimum and maximum."""
        return {"type": "number", "minimum": float(self.limit.low), "maximum": float(self.limit.high)}


class Organisation(Plain):
    """An organisation with the number its partners know it by."""

    id: Key
    name: Name


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


IndexChoice = Literal["AHI", "REI", "RDI"]
HypopnoeaChoice = Literal["3% or arousal", "4%", "unknown"]
