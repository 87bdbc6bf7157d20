"""A set of thresholds from a TOML file: one table `[thresholds]` of `name = number`.

https://toml.io/en/v1.0.0
"""

from __future__ import annotations

import tomllib
from decimal import Decimal, InvalidOperation
from pathlib import Path

from service.rules.thresholds import Thresholds

_TABLE = "thresholds"


def read_thresholds(path: Path) -> Thresholds:
    """The set in the file. ValueError, in one plain line, when the file cannot be used; OSError when it cannot be read."""
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8"), parse_float=Decimal)
    except UnicodeDecodeError:
        raise ValueError("the file is not UTF-8 text") from None
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"the file is not TOML: {error}") from None
    except (RecursionError, InvalidOperation, ValueError):
        raise ValueError("the file holds a number or a nesting that cannot be read") from None
    others = sorted(set(content) - {_TABLE})
    if others:
        raise ValueError(f"only a table [{_TABLE}] is known, found {', '.join(others)}")
    table = content.get(_TABLE)
    if not isinstance(table, dict):
        raise ValueError(f"there is no table [{_TABLE}]")
    return Thresholds().with_values({name: _number(name, value) for name, value in table.items()})


def _number(name: str, value: object) -> Decimal:
    """Booleans are not numbers here, although Python counts them among the integers."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError(f"{name} is not a number")
    return Decimal(value)
