"""JSON whose decimals keep their digits, in both directions."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import simplejson

from service.client.failure import no_answer

Json = dict[str, Any]
"""An object of JSON; its decimals are `Decimal`."""


def loaded(text: str) -> Any:
    """JSON with its decimals as `Decimal`. RelayError when it is none."""
    try:
        return json.loads(text, parse_float=Decimal)
    except ValueError:
        pass  # the library's error holds the text, and goes no further
    raise no_answer("The answer is not JSON.")


def loaded_object(text: str) -> Json:
    """A JSON object. RelayError when it is none."""
    found = loaded(text)
    if not isinstance(found, dict):
        raise no_answer("The answer is not a JSON object.")
    return found


def dumped(body: Any) -> str:
    """JSON in which a `Decimal` has its own digits."""
    return simplejson.dumps(body, use_decimal=True, ensure_ascii=False, allow_nan=False)
