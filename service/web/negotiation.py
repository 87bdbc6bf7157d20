"""Content negotiation of the FHIR base: `_format`, Accept, the version of FHIR, `_pretty`.

https://hl7.org/fhir/R4/http.html#mime-type and #parameters
"""

from __future__ import annotations

from fastapi import Request

from service.errors import Category, refuse
from service.web.media import FHIR_VERSION, GENERIC, JSON_TYPES, parts_of

_FORMATS = {"json": "application/fhir+json", "text/json": GENERIC, **{media: media for media in JSON_TYPES}}
_ANY = ("*/*", "application/*")
_FHIR = "application/fhir+json"


async def negotiate(request: Request) -> None:
    """Settle the media type of the answer. Refused with 406 when the client takes none that is made here."""
    asked = request.query_params.get("_format")
    request.state.fhir_media = _by_format(asked) if asked else _by_accept(request.headers.get("accept", ""))


def media_of(request: Request) -> str:
    """The media type settled for the answer."""
    return f"{getattr(request.state, 'fhir_media', _FHIR)}; charset=utf-8"


def wants_pretty(request: Request) -> bool:
    """Whether the client asks for JSON with line breaks."""
    return request.query_params.get("_pretty") == "true"


def _by_format(asked: str) -> str:
    media, parameters = parts_of(asked.replace("fhir json", "fhir+json"))
    if media not in _FORMATS or parameters.get("fhirversion", FHIR_VERSION) != FHIR_VERSION:
        sentence = f"Answers are application/fhir+json of FHIR {FHIR_VERSION}; _format «{asked[:40]}» is not made here."
        raise refuse(Category.NOT_ACCEPTABLE, sentence, "_format")
    return _FORMATS[media]


def _by_accept(header: str) -> str:
    """The preferred media type of an Accept header (RFC 9110); ours when the client takes any."""
    best: tuple[float, str] = (0.0, "")
    for text in header.split(",") if header.strip() else ["*/*"]:
        media, parameters = parts_of(text)
        if parameters.get("fhirversion", FHIR_VERSION) != FHIR_VERSION:
            continue
        made = _FHIR if media in _ANY else media if media in JSON_TYPES else ""
        if made and (weight := _weight(parameters)) > best[0]:
            best = (weight, made)
    if not best[1]:
        sentence = f"Answers are application/fhir+json of FHIR {FHIR_VERSION}; «{header[:60]}» does not take that."
        raise refuse(Category.NOT_ACCEPTABLE, sentence, "Accept")
    return best[1]


def _weight(parameters: dict[str, str]) -> float:
    text = parameters.get("q", "1")
    return float(text) if text.replace(".", "", 1).isdecimal() and text.isascii() else 0.0
