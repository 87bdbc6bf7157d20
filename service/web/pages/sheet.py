"""The patient's instruction sheet: a patient's words alone, the one act of this week in large letters."""

from __future__ import annotations

from typing import Any

from service.pipeline.page_reads import CaseRead
from service.rules.reason import say
from service.web.pages.papers import Paper, Section, paper_of
from service.web.pages.patient_lines import PatientLine, cautions, lines_of, main_message, numbers_of

_WEEK, _CALLS = "This week", "Cautions"
_NOT_FOR_PATIENTS = ("Next: ", "Nothing is due", "Dental office")
"""Titles of activities that tell the offices whose move it is."""
_AHEAD = ("Next visit", "Efficacy test")


def sheet_of(held: CaseRead) -> Paper:
    """This week, when to call and whom, every day, what comes next."""
    told = [a for a in held.data["activities"] if not a["title"].startswith(_NOT_FOR_PATIENTS)]
    week = next((a["instruction"] for a in told if a["title"] == _WEEK), say("patient.nothing"))
    now = lines_of(week, held.telephones)
    main, rest = main_message(now)
    calls = next((a["instruction"] for a in told if a["title"] == _CALLS), say("patient.question"))
    sections = [
        Section("What to do now", main=tuple(main), lines=tuple(rest)),
        Section("When to call", lines=_calls(calls, now, held), cautions=(say("patient.emergency"),)),
    ]
    ahead = [a for a in told if a["title"].startswith(_AHEAD)]
    daily = [a for a in told if a not in ahead and a["title"] not in (_WEEK, _CALLS)]
    if daily:
        sections.append(Section("Every day", items=tuple(_item(a) for a in daily)))
    if ahead:
        sections.append(Section("What comes next", items=tuple(a["instruction"] for a in ahead)))
    return paper_of("Your instruction sheet", held, ("dental_office",), sections, say("patient.caution"))


def _calls(instruction: str, now: list[PatientLine], held: CaseRead) -> tuple[PatientLine, ...]:
    """When to call whom, with the numbers; the numbers alone where the sentence names nobody."""
    lines = cautions(instruction, now, held.telephones)
    told = {line.telephone for line in lines}
    return (*lines, *(n for n in numbers_of(held.telephones) if n.telephone not in told))


def _item(activity: dict[str, Any]) -> str:
    """Something done every day; until when, where it ends."""
    until = f" ({activity['when']})" if (activity["when"] or "").startswith("until ") else ""
    return f"{activity['title']}: {activity['instruction']}{until}"
