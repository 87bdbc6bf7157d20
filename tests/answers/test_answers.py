"""Every request of the recording is made again in this process, and must be answered as before.

A change that means to answer otherwise writes the recording anew and reads what it changed:
`python -m tests.answers.record NEW.json.xz`, `python -m tests.answers.compare tests/answers/answers.json.xz NEW.json.xz`.
"""

from __future__ import annotations

import copy
from pathlib import Path

import pytest

from tests.answers.asking import in_process
from tests.answers.compare import differences, printed
from tests.answers.parts import PARTS
from tests.answers.record import Recording, read

FILE = Path(__file__).parent / "answers.json.xz"
AT_LEAST = 2_500


IN_EVERY_RUN = (
    "journey: From referral to closed loop",
    "plain: in order",
    "plain: bad bodies and addresses",
    "fhir: writes",
    "fhir: searches",
    "fhir: bundles",
    "access: two trios",
)
_MARKED = [name if name in IN_EVERY_RUN else pytest.param(name, marks=pytest.mark.long) for name in PARTS]


@pytest.fixture(scope="module")
def recording() -> Recording:
    return read(FILE)


@pytest.mark.parametrize("name", _MARKED)
def test_the_answers_are_those_of_the_recording(recording: Recording, name: str, tmp_path: Path) -> None:
    found = differences({name: recording[name]}, {name: PARTS[name](tmp_path, in_process)})
    assert not found, printed(found, 20)


def test_the_recording_holds_requests_of_every_kind(recording: Recording) -> None:
    pairs = [pair for part in recording.values() for pair in part]
    assert list(recording) == list(PARTS)
    assert len(pairs) >= AT_LEAST
    assert {200, 201, 204, 304, 400, 403, 404, 405, 406, 409, 412, 415, 422} <= {p["status"] for p in pairs}
    assert not [p for p in pairs if p["status"] >= 500]
    assert FILE.stat().st_size < 1_500_000


@pytest.mark.parametrize(
    ("before", "after", "group"),
    [
        ('"status":200', '"status":201', "status 200 -> 201"),
        ("6.50", "6.5", "decimal # -> decimal #"),
        ('"stage":"referred"', '"stage":"closed"', "referred -> closed"),
    ],
)
def test_what_differs_is_noticed(recording: Recording, before: str, after: str, group: str) -> None:
    name = next(iter(PARTS))
    changed = copy.deepcopy(recording[name])
    for pair in changed:
        if before.startswith('"status"'):
            pair["status"] = 201 if pair["status"] == 200 else pair["status"]
        pair["answer"] = pair["answer"].replace(before, after)
    found = differences({name: recording[name]}, {name: changed})
    assert [d for d in found if group in d.group], printed(found, 5)


def test_the_same_items_in_another_order_are_one_difference(recording: Recording) -> None:
    pair = {"method": "GET", "path": "/x", "status": 200, "answered": {}, "answer": '{"a":[{"b":1},{"b":2}]}'}
    other = {**pair, "answer": '{"a":[{"b":2},{"b":1}]}'}
    (found,) = differences({"p": [pair]}, {"p": [other]})
    assert found.group == ".a[]: the same items -> in another order"
