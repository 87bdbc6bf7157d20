"""The shape of a case's facts in this release: facts stored under another one are read anew from the resources.

It changes by itself with every field of a fact or of what is worked out of them. `READING` is raised by hand when a
resource is read otherwise, or a case is told otherwise, although no field changed.
"""

from __future__ import annotations

import hashlib
from dataclasses import is_dataclass
from enum import Enum
from functools import cache
from typing import Any, get_args, get_type_hints

from service.rules.case_view import CaseView
from service.rules.facts import CaseFacts

READING = 3


@cache
def facts_shape() -> str:
    """`READING` and a digest of the fields of everything that facts and the view of a case are made of."""
    said: dict[str, list[str]] = {}
    for kind in (CaseFacts, CaseView):
        _tell(kind, said)
    return f"{READING}-{hashlib.sha256(repr(sorted(said.items())).encode()).hexdigest()[:16]}"


def _tell(kind: Any, said: dict[str, list[str]]) -> None:
    """Put what a type is made of into `said`, and that of the types in it."""
    for part in get_args(kind):
        _tell(part, said)
    if not isinstance(kind, type) or kind.__qualname__ in said:
        return
    if issubclass(kind, Enum):
        said[kind.__qualname__] = sorted(str(member.value) for member in kind)
    elif is_dataclass(kind) or (issubclass(kind, tuple) and hasattr(kind, "_fields")):
        said[kind.__qualname__] = [f"{n}: {getattr(t, '__forward_arg__', t)}" for n, t in kind.__annotations__.items()]
        for part in (*kind.__bases__, *get_type_hints(kind).values()):
            _tell(part, said)
