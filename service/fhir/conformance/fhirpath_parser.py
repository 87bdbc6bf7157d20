"""FHIRPath text to a function of a collection (grammar: http://hl7.org/fhirpath/N1/#appendix-b-grammar)."""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from service.fhir.conformance.base import is_resource
from service.fhir.conformance.fhirpath_functions import (
    LOGIC,
    ON_VALUE,
    PLAIN,
    VALUES,
    Items,
    NotKnown,
    State,
    of_type,
    step,
    truth,
)

Evaluate = Callable[[Items, State], Items]
_TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?)|(?P<text>'(?:[^'\\]|\\.)*')|(?P<name>[A-Za-z_][A-Za-z0-9_]*)"
    r"|(?P<special>\$this|%resource|%rootResource)|(?P<sign><=|>=|!=|[=<>|().,+&-]))"
)
_BINDING = (
    ("implies",),
    ("or", "xor"),
    ("and",),
    ("in",),
    ("=", "!="),
    ("<", ">", "<=", ">="),
    ("|",),
    ("+", "-", "&"),
)
_ESCAPES = {"n": "\n", "r": "\r", "t": "\t", "f": "\f"}


def parse(text: str) -> Evaluate:
    """The function an expression means. Raises NotKnown when there is something in it that is not translated."""
    parser = _Parser(_tokens(text))
    made = parser.binary(0)
    if parser.peek() != ("end", ""):
        raise NotKnown
    return made


def _tokens(text: str) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    at = 0
    while at < len(text.rstrip()):
        match = _TOKEN.match(text, at)
        if not match or match.lastgroup is None:
            raise NotKnown
        found.append((match.lastgroup, match[match.lastgroup]))
        at = match.end()
    return [*found, ("end", "")]


class _Parser:
    """Recursive descent; each method gives the function of what it read."""

    def __init__(self, tokens: list[tuple[str, str]]) -> None:
        self._tokens, self._at = tokens, 0

    def peek(self) -> tuple[str, str]:
        return self._tokens[self._at]

    def _next(self) -> tuple[str, str]:
        self._at += 1
        return self._tokens[self._at - 1]

    def _take(self, sign: str) -> None:
        if self._next() != ("sign", sign):
            raise NotKnown

    def binary(self, level: int) -> Evaluate:
        if level == len(_BINDING):
            return self._path()
        left = self.binary(level + 1)
        while self.peek()[1] in _BINDING[level] and self.peek()[0] in ("sign", "name"):
            operator = self._next()[1]
            left = _operation(operator, left, self.binary(level + 1))
        return left

    def _path(self) -> Evaluate:
        made = self._term()
        while self.peek() == ("sign", "."):
            self._next()
            kind, name = self._next()
            if kind != "name":
                raise NotKnown
            made = self._function(name, made) if self.peek() == ("sign", "(") else _child(made, name)
        return made

    def _term(self) -> Evaluate:
        kind, token = self._next()
        if kind == "number":
            number: Any = int(token) if token.isdigit() else Decimal(token)
            return _constant(number)
        if kind == "text":
            return _constant(_unescaped(token[1:-1]))
        if kind == "special":
            return _this if token == "$this" else _root
        if (kind, token) == ("sign", "("):
            made = self.binary(0)
            self._take(")")
            return made
        if kind != "name":
            raise NotKnown
        if token in ("true", "false"):
            return _constant(token == "true")
        if self.peek() == ("sign", "("):
            return self._function(token, _focus)
        if token[0].isupper():
            raise NotKnown
        return _child(_focus, token)

    def _function(self, name: str, focus: Evaluate) -> Evaluate:
        self._take("(")
        arguments: list[Evaluate] = []
        if name == "ofType":
            kind, type_name = self._next()
            self._take(")")
            if kind != "name" or not is_resource(type_name):
                raise NotKnown
            return lambda items, state: of_type(focus(items, state), type_name)
        while self.peek() != ("sign", ")"):
            arguments.append(self.binary(0))
            if self.peek() == ("sign", ","):
                self._next()
        self._take(")")
        return _called(name, focus, arguments)


def _called(name: str, focus: Evaluate, arguments: list[Evaluate]) -> Evaluate:
    if not arguments and name in PLAIN:
        plain = PLAIN[name]
        return lambda items, state: plain(focus(items, state))
    if len(arguments) == 1 and name in ON_VALUE:
        on_value, argument = ON_VALUE[name], arguments[0]
        # an argument is seen from where the whole expression stands, or from the item it is asked about
        return lambda items, state: on_value(focus(items, state), argument(_this([], state), state))
    if len(arguments) == 1 and name in ("where", "exists", "all", "select"):
        return _each(name, focus, arguments[0])
    if len(arguments) in (2, 3) and name == "iif":
        return _if(focus, arguments)
    if name == "trace":
        return focus
    raise NotKnown


def _each(name: str, focus: Evaluate, asked: Evaluate) -> Evaluate:
    def answers(items: Items, state: State) -> list[tuple[Any, Items]]:
        return [(item, asked([item], State(item, state.root))) for item in focus(items, state)]

    def where(items: Items, state: State) -> Items:
        return [item for item, answer in answers(items, state) if truth(answer)]

    if name == "where":
        return where
    if name == "exists":
        return lambda items, state: [bool(where(items, state))]
    if name == "all":
        return lambda items, state: [all(truth(answer) for _, answer in answers(items, state))]
    return lambda items, state: [one for _, answer in answers(items, state) for one in answer]


def _if(focus: Evaluate, arguments: list[Evaluate]) -> Evaluate:
    asked, then, otherwise = arguments[0], arguments[1], arguments[2] if len(arguments) == 3 else _nothing

    def chosen(items: Items, state: State) -> Items:
        held = focus(items, state)
        return (then if truth(asked(held, state)) else otherwise)(held, state)

    return chosen


def _operation(operator: str, left: Evaluate, right: Evaluate) -> Evaluate:
    if operator in LOGIC:
        logic = LOGIC[operator]
        return lambda items, state: logic(left(items, state), lambda: right(items, state))
    values = VALUES[operator]
    return lambda items, state: values(left(items, state), right(items, state))


def _child(made: Evaluate, name: str) -> Evaluate:
    return lambda items, state: step(made(items, state), name)


def _constant(value: Any) -> Evaluate:
    return lambda _items, _state: [value]


def _this(_items: Items, state: State) -> Items:
    return [] if state.this is None else [state.this]


def _root(_items: Items, state: State) -> Items:
    return [state.root]


def _focus(items: Items, _state: State) -> Items:
    return items


def _nothing(_items: Items, _state: State) -> Items:
    return []


def _unescaped(text: str) -> str:
    return re.sub(r"\\(.)", lambda m: _ESCAPES.get(m[1], m[1]), text)
