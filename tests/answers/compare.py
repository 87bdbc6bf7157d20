"""What differs between two recordings, by group: `python -m tests.answers.compare A.json.xz B.json.xz`.

Requests are held together by the name of their part and their place in it. A group is one kind of difference: where in the
answer, and from what to what, with numbers, dates and placeholders left out.
"""

from __future__ import annotations

import argparse
import difflib
import json
import re
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tests.answers.asking import Pair
from tests.answers.record import Recording, read

_VARYING = re.compile(
    r"[A-Za-z]+#\d+|\d{4}-\d\d-\d\d(T[\d:.]+Z?)?|\d+ (Jan|Feb|Mar|Apr|May|June|July|Aug|Sept?|Oct|Nov|Dec) \d{4}|\d+(\.\d+)?"
)
_NAMES = ("name", "fullUrl", "title", "reference", "id", "url", "code", "key")
"""What tells the items of a list apart, the first that all of them have."""
_ABSENT = "(absent)"


@dataclass(frozen=True)
class Difference:
    """One place in which two answers differ: the part, the request, the group, and both values."""

    part: str
    request: str
    group: str
    before: str
    after: str


class _Digits(str):
    """A decimal with its digits as they stand, equal to no text."""


def parsed(text: str) -> Any:
    """JSON with its decimals as they are written; any other text as it is."""
    try:
        return json.loads(
            text, parse_float=lambda t: _Digits(f"decimal {t}"), parse_int=lambda t: _Digits(f"number {t}")
        )
    except ValueError:
        return text


def differences(before: Recording, after: Recording) -> list[Difference]:
    """Every difference between two recordings."""
    found = [Difference(p, "", "a part is in one recording alone", "", "") for p in sorted({*before} ^ {*after})]
    for part in before:
        if part in after:
            found += _of_part(part, before[part], after[part])
    return found


def _of_part(part: str, before: list[Pair], after: list[Pair]) -> Iterator[Difference]:
    keys = [[_asked(pair) for pair in pairs] for pairs in (before, after)]
    matcher = difflib.SequenceMatcher(None, *keys, autojunk=False)
    for kind, a, b, c, d in matcher.get_opcodes():
        if kind == "equal":
            for one, other in zip(before[a:b], after[c:d], strict=True):
                yield from _of_pair(part, one, other)
            continue
        for pair in before[a:b]:
            yield Difference(part, _asked(pair), "a request was made in the first alone", str(pair["status"]), "")
        for pair in after[c:d]:
            yield Difference(part, _asked(pair), "a request was made in the second alone", "", str(pair["status"]))


def _asked(pair: Pair) -> str:
    return f"{pair['method']} {_VARYING.sub('#', pair['path'])} {pair.get('about', '')}".rstrip()


def _of_pair(part: str, before: Pair, after: Pair) -> Iterator[Difference]:
    request = f"{before['method']} {before['path']}"
    if before["status"] != after["status"]:
        group = f"status {before['status']} -> {after['status']}: {_shape(request)}"
        yield Difference(part, request, group, before["answer"][:300], after["answer"][:300])
        return
    for name in sorted({*before["answered"], *after["answered"]}):
        one, other = before["answered"].get(name, _ABSENT), after["answered"].get(name, _ABSENT)
        if one != other:
            yield Difference(part, request, f"header {name}: {_shape(one)} -> {_shape(other)}", one, other)
    if before["answer"] != after["answer"]:
        found = list(_of_values(parsed(before["answer"]), parsed(after["answer"]), ""))
        if not found:
            yield Difference(part, request, "members of an object stand in another order", "", "")
        for place, one, other in found:
            yield Difference(part, request, f"{place}: {_shape(one)} -> {_shape(other)}", one, other)


def _shape(text: str) -> str:
    return _VARYING.sub("#", text)[:110]


def _of_values(before: Any, after: Any, place: str) -> Iterator[tuple[str, str, str]]:
    if type(before) is type(after) and isinstance(before, dict):
        for name in [*before, *(n for n in after if n not in before)]:
            yield from _of_values(before.get(name, _ABSENT), after.get(name, _ABSENT), f"{place}.{name}")
    elif type(before) is type(after) and isinstance(before, list):
        yield from _of_lists(before, after, place)
    elif before != after or type(before) is not type(after):
        if isinstance(before, str) and isinstance(after, str) and "<" in before[:40]:
            yield from _of_pages(before, after, place)
        else:
            yield place, _text(before), _text(after)


def _known_by(items: list[Any]) -> list[str] | None:
    """What the items of a list are known by, when each has a name of its own."""
    for name in _NAMES:
        known = [item[name] for item in items if isinstance(item, dict) and isinstance(item.get(name), str)]
        if items and len(set(known)) == len(items):
            return known
    return None


def _of_named(before: dict[str, Any], after: dict[str, Any], place: str) -> Iterator[tuple[str, str, str]]:
    for name in [*before, *(n for n in after if n not in before)]:
        yield from _of_values(before.get(name, _ABSENT), after.get(name, _ABSENT), f"{place}[{_shape(name)}]")
    both = [[n for n in one if n in other] for one, other in ((before, after), (after, before))]
    if both[0] != both[1]:
        yield f"{place}[]", "the same items", "in another order"


def _of_lists(before: list[Any], after: list[Any], place: str) -> Iterator[tuple[str, str, str]]:
    keys = [[_text(item) for item in items] for items in (before, after)]
    if keys[0] != keys[1] and sorted(keys[0]) == sorted(keys[1]):
        yield f"{place}[]", "the same items", "in another order"
        return
    known = _known_by(before), _known_by(after)
    if known[0] and known[1]:
        yield from _of_named(dict(zip(known[0], before, strict=True)), dict(zip(known[1], after, strict=True)), place)
        return
    place = f"{place}[]"
    for kind, a, b, c, d in difflib.SequenceMatcher(None, *keys, autojunk=False).get_opcodes():
        if kind == "equal":
            continue
        paired = min(b - a, d - c)
        for one, other in zip(before[a : a + paired], after[c : c + paired], strict=True):
            yield from _of_values(one, other, place)
        for item in before[a + paired : b]:
            yield place, _text(item), _ABSENT
        for item in after[c + paired : d]:
            yield place, _ABSENT, _text(item)


def _of_pages(before: str, after: str, place: str) -> Iterator[tuple[str, str, str]]:
    """Two pages, part by part between their tags."""
    one, other = (re.split(r"(?=<)", text) for text in (before, after))
    for kind, a, b, c, d in difflib.SequenceMatcher(None, one, other, autojunk=False).get_opcodes():
        if kind != "equal":
            yield f"{place} (page)", "".join(one[a:b]), "".join(other[c:d])


def _text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)


def _place_alone(group: str) -> str:
    return group if group.startswith(("status", "a ")) else group.split(": ")[0]


def printed(found: list[Difference], most: int) -> str:
    """The differences by group, those of most requests first, each with an example."""
    groups: dict[str, list[Difference]] = defaultdict(list)
    for difference in found:
        groups[difference.group].append(difference)
    lines = [f"{len(found)} differences in {len(groups)} groups"]
    for group, held in sorted(groups.items(), key=lambda item: -len(item[1]))[:most]:
        first = held[0]
        lines += [f"\n{len(held):5} x {group}", f"        {first.part}: {first.request}"]
        lines += [f"        - {first.before[:400]}", f"        + {first.after[:400]}"]
    if len(groups) > most:
        lines.append(f"\n… and {len(groups) - most} more groups")
    return "\n".join(lines)


def main() -> int:
    """Print the differences; 1 when there are any."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("before", type=Path)
    asked.add_argument("after", type=Path)
    asked.add_argument("--most", type=int, default=80, help="groups to print")
    asked.add_argument("--by-place", action="store_true", help="a group is a place in the answer, whatever it held")
    options = asked.parse_args()
    found = differences(read(options.before), read(options.after))
    if options.by_place:
        found = [replace(d, group=_place_alone(d.group)) for d in found]
    print(printed(found, options.most))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
