"""What leads a patient with a delivered appliance back to the physician, and whether the physician knows already.

The physician oversees efficacy (AASM/AADSM 2015, doi 10.5664/jcsm.4858). What the physician has dealt
with since, by a decision, an order or a visit on a later day, is not asked again.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from service.rules.adherence import wear_falling
from service.rules.course import Course, course_on
from service.rules.decision import Criterion, Measured, Status, cautions
from service.rules.facts import CaseFacts
from service.rules.kinds import Office, RedFlagKind
from service.rules.reason import say
from service.rules.relapse import relapse
from service.rules.thresholds import Thresholds
from service.rules.words import rounded


def triggers(facts: CaseFacts, thresholds: Thresholds, course: Course) -> tuple[Criterion, ...]:
    """Each trigger: attention while it waits for the physician, met when there is none or the physician knows."""
    told = _all(thresholds, course)
    seen = physician_acted_on(course.known)
    if seen is None:
        return told
    before = course_on(facts, seen - timedelta(days=1), thresholds)
    earlier = _all(thresholds, before) if before.appliance else ()
    known = {c.name for c in earlier if c.status is Status.ATTENTION}
    again = {c.name: c for c in cautions(_weight(course, thresholds, seen))}
    return tuple(_answered(c, seen, again.get(c.name)) if c.name in known else c for c in told)


def _all(thresholds: Thresholds, course: Course) -> tuple[Criterion, ...]:
    return cautions(
        _symptoms(course, thresholds),
        _weight(course, thresholds, course.result.test.day if course.result else None),
        _in_use(course),
        wear_falling(course, thresholds),
    )


def physician_acted_on(known: CaseFacts) -> date | None:
    """The last day on which the physician decided, ordered a test or saw the patient, of the facts known by then."""
    decided = [d.moment.day for d in known.physician_decisions]
    ordered = [o.day for o in known.test_orders]
    return max([*decided, *ordered, *(v.day for v in known.visits if v.office is Office.PHYSICIAN)], default=None)


def _answered(item: Criterion, seen: date, again: Criterion | None) -> Criterion:
    """A trigger that the physician knew, unless it has gone or, judged from then on, calls for attention `again`."""
    if item.status is not Status.ATTENTION:
        return item
    if again is not None and again.status is Status.ATTENTION:
        return again
    sentence = say("trigger.dealt-with", why=item.sentence, on=seen)
    return replace(item, status=Status.MET, sentence=sentence, needs="")


def _symptoms(course: Course, thresholds: Thresholds) -> Criterion:
    name, title = "symptoms-after-good-test", "Symptoms after a good test"
    again = relapse(course, thresholds)
    if again is None:
        text = say("trigger.no-symptoms", on=course.as_of)
        return Criterion(name, title, Status.MET, text)
    return Criterion(
        name,
        title,
        Status.ATTENTION,
        again.sentence,
        thresholds=again.thresholds,
        inputs=again.inputs,
        needs="the physician reviews the symptoms",
    )


def _weight(course: Course, thresholds: Thresholds, until: date | None) -> Criterion:
    """From the last weight up to that day, that of the last efficacy test; from the first one told without it."""
    name, title, limit = "weight-change", "Change of weight", thresholds.weight_change_percent
    told = sorted(
        ((c.moment, c.weight_kg, c.told_by("weight_kg")) for c in course.all_check_ins if c.weight_kg),
        key=lambda t: (t[0], t[1], t[2]),
    )
    upto = [t for t in told if until and t[0].day <= until]
    if len(told) < 2 or (upto and upto[-1] == told[-1]):
        text = say("trigger.weight-unknown")
        inputs = tuple(s for t in told[-1:] for s in t[2])
        return Criterion(name, title, Status.UNKNOWN, text, (), (limit,), inputs, missing="a weight before and now")
    reference, last = (upto[-1] if upto else told[0]), told[-1]
    change = (last[1] - reference[1]) * 100 / reference[1]
    shown = rounded(change, "0.1")
    words = "trigger.weight-same" if shown == 0 else "trigger.weight-more" if shown > 0 else "trigger.weight-less"
    values = {"last": last[1], "on": last[0].day, "before": reference[1], "from_on": reference[0].day}
    text = say(words, **values, percent=abs(shown), limit=limit.value)
    status = Status.ATTENTION if abs(change) >= limit.value else Status.MET
    needs = "the physician reviews the change of weight" if status is Status.ATTENTION else ""
    inputs = tuple(sorted({*reference[2], *last[2]}))
    return Criterion(name, title, status, text, (Measured(shown, "%"),), (limit,), inputs, needs=needs)


def _in_use(course: Course) -> Criterion:
    name, title, appliance = "appliance-broken-or-lost", "Appliance broken or lost", course.appliance
    assert appliance
    broken = [f for f in course.flags if f.kind is RedFlagKind.BROKEN_APPLIANCE]
    needs = "the dentist repairs or replaces the appliance and the physician is told"
    if broken:
        text = say("trigger.broken", on=broken[0].since.day)
        return Criterion(name, title, Status.ATTENTION, text, inputs=broken[0].sources, needs=needs)
    if course.out_of_use:
        text = say("trigger.out-of-use", on=course.out_of_use)
        return Criterion(name, title, Status.ATTENTION, text, inputs=(appliance.source,), needs=needs)
    text = say("trigger.in-use", on=appliance.delivered_on)
    return Criterion(name, title, Status.MET, text, inputs=(appliance.source,))
