"""Facts as JSON text and back: decimals keep their digits, and equal facts give equal text.

A text is read by the types of this release only; `facts_shape` of its case says whether this release wrote it.
"""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from service.fhir.facts.fact import Fact

_ENCODER = msgspec.json.Encoder(decimal_format="number")
_DECODER: msgspec.json.Decoder[list[Fact]] = msgspec.json.Decoder(list[Fact])


def fact_text(fact: Fact) -> str:
    """A fact as compact JSON text: `kind` first, then the fields that were reported, in the order of its type."""
    return _ENCODER.encode(fact).decode()


def facts_from(texts: Iterable[str]) -> list[Fact]:
    """The facts of texts of this release, in their order. `msgspec.ValidationError` for a text of no kind known here."""
    return _DECODER.decode(f"[{','.join(texts)}]")
