"""FHIRPath by the fhirpathpy library, for what is not translated: slower, and it knows the types of R4."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import fhirpathpy
from fhirpathpy.models import models

from service.fhir.codes import UCUM
from service.fhir.conformance.fhirpath_functions import NoAnswer

_MODEL = models["r4"]


def _has_value(items: list[Any]) -> bool:
    held = getattr(items[0], "data", items[0]) if len(items) == 1 else None
    return held is not None and not isinstance(held, dict | list)


_OPTIONS = {
    "userInvocationTable": {
        "hasValue": {"fn": _has_value, "arity": {0: []}},
        "resolve": {"fn": lambda _items: [], "arity": {0: []}},
    },
    "traceFn": lambda _label, _items: None,
}


@cache
def _parsed(text: str, path: str) -> Callable[..., list[Any]]:
    source: Any = {"base": path, "expression": text} if path else text
    try:
        return fhirpathpy.compile(source, _MODEL, _OPTIONS)
    except Exception as error:
        raise NoAnswer(f"not FHIRPath: {text[:80]}") from error


def prepare(text: str) -> None:
    """Parse an expression. Raises NoAnswer when it is none."""
    _parsed(text, "")


def evaluate(text: str, value: Any, root: dict[str, Any], path: str) -> list[Any]:
    """The answer of an expression on an element of `root` that stands at `path` in R4. Raises NoAnswer."""
    variables = {"resource": root, "rootResource": root, "context": value, "ucum": UCUM}
    try:
        answer = _parsed(text, path)(value, variables)
    except NoAnswer:
        raise
    except Exception as error:
        raise NoAnswer(type(error).__name__) from error
    return answer if isinstance(answer, list) else [answer]
