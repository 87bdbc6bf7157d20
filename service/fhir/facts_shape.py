"""The number of the shape of a case's facts: facts stored under another one are read anew from the resources.

Rows of a case bear the number under which its facts were written. Facts of another number are never parsed.
"""

from __future__ import annotations

FACTS_SCHEMA = 4
"""To be raised when a field of a fact, of the rules' facts or of the view of a case changes, and when a resource is read,
or a case is decided, in another way although no field changed. `tests/fhir/test_facts_shape.py` notices a field that changed.

Numbers up to 3 were followed by a digest of the fields.
"""


def facts_shape() -> str:
    """The number as case rows bear it."""
    return str(FACTS_SCHEMA)
