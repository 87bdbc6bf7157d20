# pyright: standard
# the library and its parser carry no types
"""FHIRPath by the fhirpathpy library, for what is not translated: slower, and it knows the types of R4."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache
from typing import Any

import fhirpathpy
from antlr4 import CommonTokenStream, InputStream, Token
from antlr4.error.ErrorListener import ErrorListener
from fhirpathpy.engine.invocations import invocation_registry
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

from service.fhir.codes import UCUM
from service.fhir.conformance.fhirpath_functions import NoAnswer
from service.fhir.json_parts import is_list

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


_BUILT_IN = frozenset((*invocation_registry, *_OPTIONS["userInvocationTable"]))
_CALL = re.compile(r"\b([A-Za-z_]\w*)\s*\(")
_TEXT = re.compile(r"'(?:[^'\\]|\\.)*'|`[^`]*`")
_OPERATORS = frozenset(("and", "or", "xor", "implies", "in", "contains", "div", "mod", "is", "as"))


class _Strict(ErrorListener):
    """The library's own parser mends what it cannot read; an invariant that is mended is another one."""

    def syntaxError(self, recognizer: Any, offendingSymbol: Any, line: int, column: int, msg: str, e: Any) -> None:
        raise NoAnswer("not FHIRPath")


@cache
def _parsed(text: str) -> Callable[..., list[Any]]:
    _check(text)
    try:
        return fhirpathpy.compile(text, _MODEL, _OPTIONS)
    except Exception as error:
        raise NoAnswer(f"not FHIRPath: {text[:80]}") from error


def _check(text: str) -> None:
    lexer = FHIRPathLexer(InputStream(text))
    parser = FHIRPathParser(CommonTokenStream(lexer))
    for part in (lexer, parser):
        part.removeErrorListeners()
        part.addErrorListener(_Strict())
    parser.expression()
    rest = parser.getCurrentToken()
    unknown = set(_CALL.findall(_TEXT.sub("", text))) - _BUILT_IN - _OPERATORS
    if rest is None or rest.type != Token.EOF or unknown:
        raise NoAnswer(f"not FHIRPath: {text[:80]}")


def prepare(text: str) -> None:
    """Parse an expression. Raises NoAnswer when it is none, or uses a function that is not known."""
    _parsed(text)


def evaluate(text: str, value: Any, root: dict[str, Any], type_path: str) -> list[Any]:
    """The answer of an expression on an element of `root` of a type of R4. Raises NoAnswer."""
    held: Any = ResourceNode.create_node(value, type_path) if type_path and value is not None else value
    variables = {"resource": root, "rootResource": root, "context": value, "ucum": UCUM}
    try:
        answer = _parsed(text)(held, variables)
    except NoAnswer:
        raise
    except Exception as error:
        raise NoAnswer(type(error).__name__) from error
    return answer if is_list(answer) else [answer]
