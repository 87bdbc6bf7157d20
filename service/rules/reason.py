"""A reason is an id with values; its English is made in one place, `service/rules/english/`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any, cast

from service.rules.english import ENGLISH
from service.rules.words import day, listed, number


class Reason(str):
    """A sentence that knows the id and the values it was made of, so that another language can be made of them."""

    id: str
    values: Mapping[str, Any]

    def as_data(self) -> dict[str, Any]:
        """Id and values as JSON-ready data: days as ISO text, lists as lists, a reason inside as id and values too."""
        return {"id": self.id, "values": {name: _data(value) for name, value in self.values.items()}}


def say(reason_id: str, **values: Any) -> Reason:
    """The reason of that id with its values, in English. KeyError when the id or one of its values is not there."""
    made = Reason(ENGLISH[reason_id].format(**{name: _spoken(value) for name, value in values.items()}))
    made.id, made.values = reason_id, values
    return made


def reason_data(sentence: str) -> dict[str, Any] | None:
    """Id and values of a sentence that was made from them; None of one that was put together from several."""
    return sentence.as_data() if isinstance(sentence, Reason) else None


def _spoken(value: Any) -> str:
    if isinstance(value, date):
        return day(value)
    if isinstance(value, Decimal | int):
        return number(value)
    if isinstance(value, tuple):
        return listed([_spoken(item) for item in cast(tuple[Any, ...], value)])
    return str(value)


def _data(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Reason):
        return value.as_data()
    if isinstance(value, tuple):
        return [_data(item) for item in cast(tuple[Any, ...], value)]
    return value if isinstance(value, Decimal | int) else str(value)
