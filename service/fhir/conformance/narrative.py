"""The XHTML of a narrative: only what txt-1 and txt-2 allow (https://hl7.org/fhir/R4/narrative.html#xhtml)."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any
from xml.parsers import expat

from service.fhir.conformance.narrative_safety import is_changed_by_cleaning, link_faults
from service.fhir.json_text import TURNS

_NAMESPACE = "http://www.w3.org/1999/xhtml"
_TAGS = frozenset(
    [
        "a",
        "abbr",
        "acronym",
        "b",
        "big",
        "blockquote",
        "br",
        "caption",
        "cite",
        "code",
        "col",
        "colgroup",
        "dd",
        "del",
        "dfn",
        "div",
        "dl",
        "dt",
        "em",
        "h1",
        "h2",
        "h3",
        "h4",
        "h5",
        "h6",
        "hr",
        "i",
        "img",
        "ins",
        "li",
        "ol",
        "p",
        "pre",
        "q",
        "samp",
        "small",
        "span",
        "strong",
        "sub",
        "sup",
        "table",
        "tbody",
        "td",
        "tfoot",
        "th",
        "thead",
        "tr",
        "tt",
        "ul",
        "var",
    ]
)
_ATTRIBUTES = frozenset(
    [
        "title",
        "style",
        "class",
        "id",
        "lang",
        "xml:lang",
        "dir",
        "accesskey",
        "tabindex",
        "span",
        "width",
        "align",
        "valign",
    ]
)
_OF_TAG = {
    "a": frozenset(["href", "name", "type", "hreflang", "charset", "rel", "rev", "shape", "coords"]),
    "img": frozenset(["src", "alt", "longdesc", "height", "width", "usemap", "ismap"]),
    "table": frozenset(["border", "summary", "rules", "frame", "cellspacing", "cellpadding", "width"]),
    "td": frozenset(
        ["abbr", "axis", "headers", "scope", "rowspan", "colspan", "char", "charoff", "nowrap", "bgcolor", "height"]
    ),
    "th": frozenset(
        ["abbr", "axis", "headers", "scope", "rowspan", "colspan", "char", "charoff", "nowrap", "bgcolor", "height"]
    ),
    "q": frozenset(("cite",)),
    "blockquote": frozenset(("cite",)),
    "ins": frozenset(("cite", "datetime")),
    "del": frozenset(("cite", "datetime")),
}
_ALLOWED = {"*": _ATTRIBUTES | {"xmlns"}, **_OF_TAG}
_NESTED = 100
_LONGEST_KEPT = 20_000
_WHITE = " \t\r\n"


class _Refused(Exception):
    pass


@lru_cache(maxsize=256)
def _faults(text: str) -> tuple[str, ...]:
    """The sentences about a narrative's XHTML; none when it may stand. No entity is ever expanded."""
    try:
        return tuple(dict.fromkeys(_read(text)))
    except (expat.ExpatError, _Refused, ValueError):
        return ("The narrative is not well-formed XHTML without entities, document types or CDATA of its own.",)


def faults_of(text: Any) -> tuple[str, ...]:
    """What is wrong with the content of `Narrative.div`."""
    if not isinstance(text, str):
        return ("Text is needed.",)
    if len(text) > _LONGEST_KEPT:
        return _faults.__wrapped__(text)  # long texts of strangers would fill the memory
    return _faults(text)


def _read(text: str) -> Iterator[str]:
    found: list[str] = []
    depth, words = 0, False
    parser = expat.ParserCreate(encoding="utf-8")

    def refuse(*_: Any) -> None:
        raise _Refused

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth, words
        if depth == 0:
            if tag != "div":
                found.append("The narrative must be one <div>.")
            if attributes.get("xmlns") != _NAMESPACE:
                found.append(f"The <div> must name the namespace {_NAMESPACE}.")
        depth += 1
        if depth > _NESTED:
            raise _Refused
        words = words or tag == "img"
        found.extend(_tag_faults(tag, attributes, depth == 1))

    def end(_: str) -> None:
        nonlocal depth
        depth -= 1

    def characters(data: str) -> None:
        nonlocal words
        if TURNS.search(data):
            found.append("The narrative holds characters that turn the direction of text unseen.")
        words = words or bool(data.strip(_WHITE))

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.ProcessingInstructionHandler = refuse
    parser.StartCdataSectionHandler = refuse  # text here, and markup to whoever reads it as HTML
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = characters
    parser.Parse(text.encode("utf-8"), True)
    if not found and is_changed_by_cleaning(text, _TAGS, _ALLOWED):
        found.append(
            "The narrative holds something that a browser would read as a script or as content from elsewhere."
        )
    if not words:
        found.append("The narrative holds no words and no picture.")
    yield from found


def _tag_faults(tag: str, attributes: dict[str, str], outermost: bool) -> Iterator[str]:
    if tag not in _TAGS:
        yield f"The narrative may not hold <{tag[:40]}>."
        return
    for name, value in attributes.items():
        if TURNS.search(value):
            yield "The narrative holds characters that turn the direction of text unseen."
        if name == "xmlns":
            if value != _NAMESPACE and not outermost:
                yield "The narrative may hold XHTML only."
        elif name not in _ATTRIBUTES and name not in _OF_TAG.get(tag, ()):
            yield f"In the narrative <{tag}> may not have «{name[:40]}»."
        else:
            yield from link_faults(name, value)
