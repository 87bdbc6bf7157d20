"""What a site sets of its own, from a TOML file: thresholds inside their permitted ranges, its region, its telephone.

`region = "US"` (or left out), one table `[thresholds]` of `name = number`, and one table `[telephone]` with `dentist` and
`physician`: the number of the site's own office, as patients call it. https://toml.io/en/v1.0.0
"""

from __future__ import annotations

import tomllib
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from service.fhir.telephone import is_telephone
from service.rules.site import Site
from service.rules.thresholds import thresholds_from_table

_KNOWN = ("region", "telephone", "thresholds")
_REGIONS = ("", "US")
_OFFICES = ("dentist", "physician")


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
        raise ValueError(f"only region and tables [telephone] and [thresholds] are known, found {', '.join(others)}")
    region, table = content.get("region", ""), content.get("thresholds", {})
    if region not in _REGIONS:
        raise ValueError("region is US or left out")
    if not isinstance(table, dict):
        raise ValueError("thresholds is not a table [thresholds]")
    numbers = _telephone(content.get("telephone", {}))
    return Site(
        thresholds_from_table(table),
        region,
        dentist_telephone=numbers.get("dentist", ""),
        physician_telephone=numbers.get("physician", ""),
    )


def _telephone(table: Any) -> dict[str, str]:
    if not isinstance(table, dict) or not set(table) <= set(_OFFICES):
        raise ValueError("telephone is a table [telephone] with dentist, physician or both")
    for office, number in table.items():
        if not is_telephone(number):
            raise ValueError(f"{office} = {number!r}: a telephone number is asked, such as '+1 555 0100'")
    return table
