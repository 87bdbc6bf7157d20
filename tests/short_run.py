"""What the usual run leaves to the long one: `python -m pytest -m long`, which `.ci/run` makes after it.

`long`: a proof that the usual run leaves out.
`sampled("table", "kind")`: of the items that agree in these parameters the usual run takes one, always the same; with no
name, one of all.
`at_length`: both runs make it, the usual one with the smaller number of `times`.
"""

from __future__ import annotations

from collections import defaultdict
from zlib import crc32

import pytest

_run = {"is_long": False}


def times(full: int, short: int) -> int:
    """How often: `full` in the long run, else `short`."""
    return full if _run["is_long"] else short


def is_long() -> bool:
    """Whether this is the long run."""
    return _run["is_long"]


def make_long() -> None:
    """For a run that no conftest takes the length of."""
    _run["is_long"] = True


def set_length(config: pytest.Config) -> None:
    """Take the length of the run from `-m`, before any test is imported."""
    _run["is_long"] = config.option.markexpr == "long"


def share_out(items: list[pytest.Item]) -> None:
    """Mark as `long` what only the long run takes, and what both do when this is the long one."""
    groups: dict[tuple[object, ...], list[pytest.Item]] = defaultdict(list)
    for item in items:
        if _run["is_long"] and item.get_closest_marker("at_length"):
            item.add_marker(pytest.mark.long)
        if sampled := item.get_closest_marker("sampled"):
            groups[_group(item, sampled.args)].append(item)
    for group in groups.values():
        for item in sorted(group, key=lambda one: crc32(one.nodeid.encode()))[1:]:
            item.add_marker(pytest.mark.long)


def _group(item: pytest.Item, names: tuple[str, ...]) -> tuple[object, ...]:
    assert isinstance(item, pytest.Function), item
    params = item.callspec.params
    return (item.path, item.originalname, *(repr(params[name]) for name in names))
