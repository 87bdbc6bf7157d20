"""Every cell of the table of states by a plan alone, in each role: the table is the project's, written by hand."""

from __future__ import annotations

import copy
from functools import cache
from typing import Any

import pytest

from service.errors import Refused
from service.fhir.json_text import load
from service.fhir.referral_task import Role
from service.intake.sender import Sender
from tests.intake.memory import Memory
from tests.referral_grid import LETTERS, ORDER, letter
from tests.store.messages import accepted, assessed, delivered, referral

STARTS = [s for s in ORDER if s not in ("draft", "ready")]
REASON = "said on the phone"
ON = "2026-09-10"


@cache
def _made(state: str) -> Memory:
    memory = Memory()
    number = memory.post("referrals", referral()).answer.case_number
    if state in ("requested", "received", "rejected"):
        memory.post("assessments", assessed().body, number)
    if state in ("accepted", "in-progress", "on-hold", "completed", "failed"):
        memory.post("referral-state", accepted().body, number)
        memory.post("assessments", assessed().body, number)
    if state in ("in-progress", "on-hold", "completed", "failed"):
        memory.post("appliances", delivered().body, number)
    if state in ("received", "rejected", "on-hold", "completed", "failed"):
        memory.post("referral-state", {"state": state, "on": ON, "reason": REASON}, number)
    if state in ("cancelled", "entered-in-error"):
        body = {"on": ON, "reason": REASON, "entered_in_error": state == "entered-in-error"}
        memory.post("cancellation", body, number)
    return memory


def in_state(state: str) -> tuple[Memory, str]:
    """A store with one case in a state, in which the patient was examined unless it is refused at once."""
    memory = copy.deepcopy(_made(state))
    (number,) = memory.cases
    assert task_of(memory, number)["status"] == state
    return memory, number


def task_of(memory: Memory, number: str) -> dict[str, Any]:
    kind, name = memory.cases[number].task.split("/")
    return load(memory.versions[kind, name][-1].body)


@pytest.mark.sampled("start")
@pytest.mark.parametrize("role", list(Role), ids=lambda r: r.name)
@pytest.mark.parametrize("end", ORDER)
@pytest.mark.parametrize("start", STARTS)
def test_a_cell(start: str, end: str, role: Role) -> None:
    memory, number = in_state(start)
    task = task_of(memory, number)
    asked = copy.deepcopy(task)
    if start != end:
        output = {"type": {"text": "Summary"}, "valueReference": {"reference": f"CarePlan/{number}"}}
        asked |= {"status": end, "statusReason": {"text": REASON}, "output": [output]}
    which = letter(start, end)
    may = which in "FP" if role is Role.UNKNOWN else LETTERS.get(which) is role and role is not Role.SERVICE
    if which == "=":
        memory.update(asked, Sender(role))
        assert task_of(memory, number) == task
    elif may:
        memory.update(asked, Sender(role))
        assert task_of(memory, number)["status"] == end
    else:
        with pytest.raises(Refused) as refused:
            memory.update(asked, Sender(role))
        assert task_of(memory, number) == task
        if end not in ("draft", "ready"):
            sentences = " ".join(p.message for p in refused.value.problems)
            assert f"«{start}» cannot be made «{end}» by the {role}" in sentences
