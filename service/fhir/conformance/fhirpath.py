"""Invariants written in FHIRPath, parsed once (http://hl7.org/fhirpath/N1/ and https://hl7.org/fhir/R4/fhirpath.html).

The expressions profiles are written in are translated to plain functions, since they are evaluated for every
message; what the translation does not know is left to the fhirpathpy library. Tests prove both equal.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from service.fhir.conformance.fhirpath_functions import NoAnswer, NotKnown, State
from service.fhir.conformance.fhirpath_parser import Evaluate, parse


class Expression:
    """One parsed expression."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.translated: Evaluate | None
        try:
            self.translated = parse(text)
        except NotKnown:
            self.translated = None
            _library().prepare(text)

    @property
    def is_translated(self) -> bool:
        """Whether the library is not needed, as far as can be told before a value is seen."""
        return self.translated is not None

    def holds(self, value: Any, root: dict[str, Any], type_path: str = "") -> bool:
        """Whether an invariant on `value` holds, an element of `root`; None if only extensions speak of it.

        `type_path` is the element's type in R4, or its path where it has none of its own; empty for `root` itself.
        Raises NoAnswer when it cannot be evaluated, or gives something else than true or false.
        """
        if self.translated is not None:
            try:
                return _truth(self.translated([] if value is None else [value], State(value, root)))
            except NotKnown:
                pass
        return _truth(_library().evaluate(self.text, value, root, type_path))


@cache
def compiled(text: str) -> Expression:
    """The expression, parsed once. Raises NoAnswer when it cannot be parsed."""
    return Expression(text)


def _truth(answer: list[Any]) -> bool:
    """An empty answer is no yes."""
    if not answer:
        return False
    if len(answer) > 1:
        raise NoAnswer("more than one answer")
    return answer[0] is not False


def _library() -> Any:
    """The library; it is slow to import, so only what needs it pays for it."""
    from service.fhir.conformance import fhirpath_library

    return fhirpath_library


__all__ = ["Expression", "NoAnswer", "compiled"]
