"""Papers as data that page and PDF show alike, and the letter to the physician; the patient's own is in `sheet.py`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from service.fhir.dates import day_of
from service.pipeline.page_reads import CaseRead, name_of
from service.rules.course import Course
from service.rules.decision import Party
from service.rules.room import percent_of_range
from service.rules.stage import StageName
from service.rules.words import day, number, rounded, sides, spoken
from service.web.pages.course_table import check_in_in_words, test_in_words
from service.web.pages.flags import flags_shown
from service.web.pages.patient_lines import PatientLine
from service.web.pages.reasons import decision_shown
from service.web.pages.response_part import questions_shown, response_shown


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a paper: a heading, what came out, sentences, a list, a table, reasons; whatever it has of these.

    `main` and `lines` are for a patient: the message in large letters, and what stands below it.
    """

    title: str
    outcome: str = ""
    words: tuple[str, ...] = ()
    main: tuple[PatientLine, ...] = ()
    lines: tuple[PatientLine, ...] = ()
    items: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    reasons: tuple[dict[str, Any], ...] = ()
    cautions: tuple[str, ...] = ()
    on_new_page: bool = False


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper: its title, whom and what it is about, the day it speaks of, the caution, its parts."""

    title: str
    case_number: str
    about: tuple[tuple[str, str], ...]
    as_of: str
    caution: str
    sections: tuple[Section, ...]


def letter_of(held: CaseRead) -> Paper:
    """The letter to the physician: what is asked and how things stand first, then every reason behind it."""
    data, course = held.data, held.course
    stage = StageName(data["stage"])
    readiness = [_decision("Ready for an efficacy test?", data["readiness"], data["why"])]
    if data["next_step"]:
        readiness.append(_decision("Next titration step", data["next_step"], data["why"]))
    response, follow_up = _tests(data, course), list[Section]()
    if data["follow_up"]:
        visits = tuple(v["sentence"] for v in data["follow_up"]["visits"])
        follow_up.append(_decision("Follow-up", data["follow_up"], data["why"], visits))
    complete = [_decision("Is the referral complete?", data["referral_check"], data["why"])]
    if stage in (StageName.REFERRED, StageName.ACCEPTED):
        parts = [*complete, *response, *readiness]
    elif stage in (StageName.TESTED, StageName.FOLLOW_UP):
        parts = [*response, *follow_up, *readiness]
    else:
        parts = [*readiness, *response, *follow_up]
    asked = [Section(title, items=tuple(sentences)) for title, sentences in questions_shown(data["questions"])]
    sections = [_asked(data), *_troubles(data, course), _setting(course), *parts, *asked, _rests_on(data)]
    title = "Letter to the physician: oral appliance therapy"
    return paper_of(title, held, ("physician", "dental_office"), sections, data["caution"])


_PEOPLE = {"patient": "Patient", "physician": "Physician", "dental_office": "Dental office"}


def paper_of(title: str, held: CaseRead, roles: tuple[str, ...], sections: list[Section], caution: str) -> Paper:
    """A paper about the patient of a case."""
    data, people = held.data, held.people
    patient = people.get(data["resources"]["patient"], {})
    about = [("Patient", name_of(patient) or "not named")]
    if patient.get("birthDate"):
        about.append(("Born", _born(str(patient["birthDate"]))))
    for role in roles:
        name = name_of(people.get(data["resources"].get(role, ""), {}))
        if name:
            about.append((_PEOPLE[role], name))
    about.append(("Case", data["case_number"]))
    return Paper(title, data["case_number"], tuple(about), _day(data["as_of"]), caution, _with_reasons_last(sections))


def _with_reasons_last(sections: list[Section]) -> tuple[Section, ...]:
    """How things stand on the first page, the reasons with their values and sources behind it."""
    behind = [Section(f"Reasons: {s.title}", reasons=s.reasons) for s in sections if s.reasons]
    behind[:1] = [replace(first, on_new_page=True) for first in behind[:1]]
    return (*(replace(s, reasons=()) for s in sections), *behind)


def _born(text: str) -> str:
    """A birth date in words; one that is told less exactly as it stands."""
    try:
        return _day(text)
    except ValueError:
        return text


def _asked(data: dict[str, Any]) -> Section:
    """What is asked of the physician now: one sentence, then why."""
    words = [data["why"]]
    if data["whose_move"] != Party.PHYSICIAN.value:
        mover = "nobody's" if data["whose_move"] == Party.NOBODY.value else f"the {data['whose_move']}'s"
        return Section(
            "What is asked of you", "Nothing now", (*words, f"It is {mover} move since {_day(data['since'])}.")
        )
    asked = _ASKED.get(StageName(data["stage"]), "Please see the patient")
    by = f" by {_day(data['due'])}" if data["due"] else ""
    late = " It is urgent." if data["urgent"] else ""
    return Section(
        "What is asked of you", f"{asked}{by}.{late}", (*words, f"This has waited for you since {_day(data['since'])}.")
    )


_ASKED = {
    StageName.READY_FOR_TEST: "Please decide whether to order a sleep test with the appliance worn",
    StageName.TESTED: "Please decide on the result of the test with the appliance worn",
    StageName.UNDER_REVIEW: "Please review the patient before titration goes on",
    StageName.TITRATING: "Please decide how treatment goes on",
    StageName.FOLLOW_UP: "Please see the patient for follow-up",
}


def _setting(course: Course) -> Section:
    if course.setting is None or course.onset is None:
        return Section("Setting", words=("No setting is recorded yet.",))
    words = [f"{sides(*course.setting.pair)} from the starting position, since {day(course.onset)}."]
    share = percent_of_range(course, max(course.setting.pair))
    if share is not None:
        words.append(f"The further side is at {number(rounded(share, '0.1'))} % of the protrusive range.")
    if course.appliance:
        words.append(f"Appliance delivered on {day(course.appliance.delivered_on)}.")
    if course.check_ins:
        last = course.check_ins[-1]
        words.append(f"Last check-in, {day(last.moment.day)}: {check_in_in_words(last)}.")
    return Section("Setting", words=tuple(words))


def _troubles(data: dict[str, Any], course: Course) -> list[Section]:
    """Open red flags, each with why, since when, until when and who closes it, and side effects."""
    told = [
        f"{f['title']}, {f['due']}. {f['sentence']} It is closed by {f['closes']}."
        for f in flags_shown(data["red_flags"], data["as_of"])
    ]
    told += [f"Side effect: {spoken(e.kind)}, grade {e.grade}, from {day(e.onset)}" for e in course.open_side_effects]
    return [Section("Open red flags and side effects", items=tuple(told))] if told else []


def _decision(title: str, decision: dict[str, Any], why: str, items: tuple[str, ...] = ()) -> Section:
    """A decision; its sentence is left out where the letter began with it."""
    shown = decision_shown(decision)
    outcome = spoken(shown["outcome"])
    words = () if shown["sentence"] in why else (shown["sentence"],)
    return Section(title, outcome[:1].upper() + outcome[1:], words, items=items, reasons=tuple(shown["reasons"]))


def _tests(data: dict[str, Any], course: Course) -> list[Section]:
    """The tests before and with the appliance, and the response; the baseline alone while there is no other."""
    if not data["response"]:
        return (
            [Section("Baseline test", words=(f"{day(course.baseline.day)}: {test_in_words(course.baseline)}.",))]
            if course.baseline
            else []
        )
    shown = response_shown(data["response"], course, data["questions"])
    found: list[Section] = []
    if shown["table"]:
        table = (("", "Before", "With the appliance"), *shown["table"])
        found.append(Section("Sleep tests before and with the appliance", table=table))
    more = [*(_with_who(f) for f in shown["findings"]), *shown["differences"], shown["disagreement"], shown["relapse"]]
    words = [f"{shown['outcome']}: {shown['why']}" if shown["why"] else "", shown["sentence"], shown["own_reading"]]
    found.append(
        Section(
            "Response to treatment",
            "" if shown["why"] else shown["outcome"],
            tuple(text for text in words if text and text not in data["why"]),
            items=tuple(text for text in (*more, *shown["notes"]) if text),
            reasons=tuple(shown["reasons"]),
            cautions=tuple(shown["cautions"]),
        )
    )
    if shown["suggestions"]:
        found.append(Section("For you to consider", items=tuple(_with_who(s) for s in shown["suggestions"])))
    return found


def _with_who(item: dict[str, Any]) -> str:
    """A sentence, and who acts by when."""
    return f"{item['sentence']} ({item['who']})" if item["who"] else item["sentence"]


def _rests_on(data: dict[str, Any]) -> Section:
    readiness = data["readiness"]
    response = data["response"] or {}
    sources = [f"Source of a caution: {source}." for source in response.get("cites", [])]
    rule = f"Rule {readiness['rule']}, version {readiness['rule_version']}; inputs {data['inputs_sha256'][:16]}."
    where = f"The decision with every record it was made from: CarePlan/{data['case_number']} of this service."
    return Section("What this rests on", words=(rule, where, *sources))


def _day(text: str) -> str:
    return day(day_of(text[:10]))
