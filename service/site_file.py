"""What a site sets of its own, from a TOML file: thresholds inside their permitted ranges, and its region.

`region = "US"` (or left out) and one table `[thresholds]` of `name = number`. https://toml.io/en/v1.0.0
"""

from __future__ import annotations

import tomllib
from decimal import Decimal, InvalidOperation
from pathlib import Path

from service.rules.site import Site
from service.rules.thresholds import thresholds_from_table

_KNOWN = ("region", "thresholds")
_REGIONS = ("", "US")


def read_site(path: Path) -> Site:
    """The site in the file. ValueError, in plain words, when the file cannot be used; OSError when it cannot be read."""
    try:
        content = tomllib.loads(path.read_bytes().decode("utf-8"), parse_float=Decimal)
    except UnicodeDecodeError:
        raise ValueError("the file is not UTF-8 text") from None
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"the file is not TOML: {error}") from None
    except (RecursionError, InvalidOperation, ValueError):
        raise ValueError("the file holds a number or a nesting that cannot be read") from None
    others = sorted(set(content) - set(_KNOWN))
    if others:
        raise ValueError(f"only region and a table [thresholds] are known, found {', '.join(others)}")
    region, table = content.get("region", ""), content.get("thresholds", {})
    if region not in _REGIONS:
        raise ValueError("region is US or left out")
    if not isinstance(table, dict):
        raise ValueError("thresholds is not a table [thresholds]")
    return Site(thresholds_from_table(table), region)
