"""The letter to the physician and the patient's instruction sheet, as data that page and PDF show alike."""

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
from service.web.pages.reasons import decision_shown, response_shown


@dataclass(frozen=True, slots=True)
class Section:
    """One part of a paper: a heading, what came out, sentences, a list, a table, reasons; whatever it has of these."""

    title: str
    outcome: str = ""
    words: tuple[str, ...] = ()
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
    readiness = [_decision("Ready for an efficacy test?", data["readiness"])]
    if data["next_step"]:
        readiness.append(_decision("Next titration step", data["next_step"]))
    response, follow_up = _tests(data, course), list[Section]()
    if data["follow_up"]:
        visits = tuple(v["sentence"] for v in data["follow_up"]["visits"])
        follow_up.append(_decision("Follow-up", data["follow_up"], visits))
    complete = [_decision("Is the referral complete?", data["referral_check"])]
    if stage in (StageName.REFERRED, StageName.ACCEPTED):
        parts = [*complete, *response, *readiness]
    elif stage in (StageName.TESTED, StageName.FOLLOW_UP):
        parts = [*response, *follow_up, *readiness]
    else:
        parts = [*readiness, *response, *follow_up]
    sections = [_asked(data), _setting(course), *_troubles(course), *parts, _rests_on(data)]
    return _paper("Letter to the physician: oral appliance therapy", held, ("physician", "dental_office"), sections)


def sheet_of(held: CaseRead) -> Paper:
    """The patient's instruction sheet: this week, when to call, every day, what comes next, then why."""
    data, course = held.data, held.course
    activities = [
        a for a in data["activities"] if not a["title"].startswith("Next: ") and a["title"] != "Nothing is due"
    ]
    week = [a for a in activities if a["title"] in _NOW]
    calls = [a for a in activities if a["title"] == "Cautions"]
    ahead = [a for a in activities if a["title"].startswith("Next visit") or a["title"] == "Efficacy test"]
    daily = [a for a in activities if a not in week and a not in calls and a not in ahead]
    call = tuple(a["instruction"] for a in calls) or (_CALL,)
    sections = [
        Section("What to do now", words=tuple(a["instruction"] for a in week) or (_NOTHING_NOW,)),
        Section("When to call", words=call, cautions=(_EMERGENCY,)),
    ]
    if daily:
        sections.append(Section("Every day", words=(_ROUTINE,), items=_told(daily)))
    if ahead:
        sections.append(Section("What comes next", items=_told(ahead)))
    sections.append(_setting(course))
    if data["next_step"]:
        sections.append(_in_sentences(_decision("Your next step, and why", data["next_step"])))
    sections.append(_in_sentences(_decision("Is it time for a sleep test with the appliance?", data["readiness"])))
    return _paper("Your instruction sheet", held, ("dental_office",), sections)


_ROUTINE = "The advice of this part is common practice, without a published source."
_NOW = ("This week", "Getting used to the appliance", "Dental office")
_NOTHING_NOW = "Nothing is to be done by you now. Your dental office tells you when that changes."
_CALL = "Call the dental office when you have a question."
_EMERGENCY = "Trouble breathing, or a swelling that makes it hard: call the emergency number of your country."
_PEOPLE = {"patient": "Patient", "physician": "Physician", "dental_office": "Dental office"}


def _paper(title: str, held: CaseRead, roles: tuple[str, ...], sections: list[Section]) -> Paper:
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
    return Paper(
        title, data["case_number"], tuple(about), _day(data["as_of"]), data["caution"], _with_reasons_last(sections)
    )


def _with_reasons_last(sections: list[Section]) -> tuple[Section, ...]:
    """How things stand on the first page, the reasons with their values and sources behind it."""
    behind = [Section(f"Reasons: {s.title}", reasons=s.reasons) for s in sections if s.reasons]
    behind[:1] = [replace(first, on_new_page=True) for first in behind[:1]]
    return (*(replace(s, reasons=()) for s in sections), *behind)


def _in_sentences(section: Section) -> Section:
    """A decision for the patient: each reason as its sentence, which tells value and threshold."""
    told = ({**r, "observed": "", "thresholds": [], "needs": "", "earliest": None} for r in section.reasons)
    return replace(section, reasons=tuple(told))


def _born(text: str) -> str:
    """A birth date in words; one that is told less exactly as it stands."""
    try:
        return _day(text)
    except ValueError:
        return text


def _asked(data: dict[str, Any]) -> Section:
    """What is asked of the physician now."""
    words = [data["why"]]
    if data["whose_move"] != Party.PHYSICIAN.value:
        mover = "nobody's" if data["whose_move"] == Party.NOBODY.value else f"the {data['whose_move']}'s"
        return Section(
            "What is asked of you", "Nothing now", (*words, f"It is {mover} move since {_day(data['since'])}.")
        )
    asked = _ASKED.get(StageName(data["stage"]), "Please see the patient.")
    late = " It is urgent." if data["urgent"] else ""
    return Section(
        "What is asked of you", f"{asked}{late}", (*words, f"This has waited for you since {_day(data['since'])}.")
    )


_ASKED = {
    StageName.READY_FOR_TEST: "Please decide whether to order a sleep test with the appliance worn.",
    StageName.TESTED: "Please decide on the result of the test with the appliance worn.",
    StageName.UNDER_REVIEW: "Please review the patient before titration goes on.",
    StageName.FOLLOW_UP: "Please see the patient for follow-up.",
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


def _troubles(course: Course) -> list[Section]:
    """Open red flags and side effects."""
    told = [f"Red flag: {f.sentence}" for f in course.flags]
    told += [f"Side effect: {spoken(e.kind)}, grade {e.grade}, from {day(e.onset)}" for e in course.open_side_effects]
    return [Section("Open red flags and side effects", items=tuple(told))] if told else []


def _decision(title: str, decision: dict[str, Any], items: tuple[str, ...] = ()) -> Section:
    shown = decision_shown(decision)
    outcome = spoken(shown["outcome"])
    return Section(
        title, outcome[:1].upper() + outcome[1:], (shown["sentence"],), items, reasons=tuple(shown["reasons"])
    )


def _tests(data: dict[str, Any], course: Course) -> list[Section]:
    """The tests before and with the appliance, and the response; the baseline alone while there is no other."""
    if not data["response"]:
        return (
            [Section("Baseline test", words=(f"{day(course.baseline.day)}: {test_in_words(course.baseline)}.",))]
            if course.baseline
            else []
        )
    shown = response_shown(data["response"], course)
    outcome = spoken(shown["outcome"])
    more = [shown["disagreement"], shown["relapse"], *shown["notes"], shown["wear"]]
    found = (
        [
            Section(
                "Sleep tests before and with the appliance",
                table=(("", "Before", "With the appliance"), *shown["table"]),
            )
        ]
        if shown["table"]
        else []
    )
    found.append(
        Section(
            "Response to treatment",
            outcome[:1].upper() + outcome[1:],
            (shown["sentence"],),
            tuple(text for text in more if text),
            reasons=tuple(shown["reasons"]),
            cautions=tuple(shown["cautions"]),
        )
    )
    if shown["suggestions"]:
        found.append(Section("For you to consider", items=tuple(shown["suggestions"])))
    return found


def _rests_on(data: dict[str, Any]) -> Section:
    readiness = data["readiness"]
    rule = f"Rule {readiness['rule']}, version {readiness['rule_version']}; inputs {data['inputs_sha256'][:16]}."
    where = f"The decision with every record it was made from: CarePlan/{data['case_number']} of this service."
    return Section("What this rests on", words=(rule, where))


def _told(activities: list[dict[str, Any]]) -> tuple[str, ...]:
    return tuple(f"{a['title']}: {a['instruction']}" + (f" ({a['when']})" if a["when"] else "") for a in activities)


def _day(text: str) -> str:
    return day(day_of(text[:10]))
