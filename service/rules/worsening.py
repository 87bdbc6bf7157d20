"""Sleepiness that gets worse over time: when it is asked about, and when it is a red flag.

Compared with the Epworth total before treatment, or with the first since delivery. All of it is policy; the words were
chosen so that of stable patients with weekly totals few are flagged. A sleepy driver after a near miss is warned at once
(ATS 2013, AJRCCM 187:1259).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from service.rules.check_ins import Reported, answers, last_of
from service.rules.facts import CaseFacts, CheckIn
from service.rules.kinds import Driving
from service.rules.reason import Reason, say
from service.rules.source import Source
from service.rules.thresholds import Thresholds

_FOR_WORK = (Driving.FOR_WORK, Driving.HEAVY)


@dataclass(frozen=True, slots=True)
class Totals:
    """Epworth totals since the delivery in order of time, what they are compared with, and what the patient drives."""

    told: tuple[Reported, ...]
    reference: int | None
    reference_sources: tuple[Source, ...]
    driving: Driving | None


@dataclass(frozen=True, slots=True)
class Worsened:
    """A total that is a red flag by rule: when, why, on which facts, and within how many working days (0: today)."""

    total: Reported
    sentence: Reason
    days: int
    sources: tuple[Source, ...]


def totals_of(
    check_ins: Sequence[CheckIn], before: CheckIn | None, delivered: date | None, thresholds: Thresholds
) -> Totals:
    """The totals since a delivery; `before` is the check-in that tells the one before treatment."""
    since = [c for c in check_ins if delivered and c.moment.day > delivered]
    told = tuple(answers(since, "epworth_total", thresholds))
    driving = last_of(check_ins, "driving")
    if before is not None and before.epworth_total is not None:
        reference, sources = before.epworth_total, before.told_by("epworth_total")
    else:
        reference, sources = (told[0].value, told[0].sources) if told else (None, ())
    return Totals(told, reference, sources, driving.driving if driving else None)


def worsened(totals: Totals, thresholds: Thresholds) -> tuple[Worsened, ...]:
    """Every total since the delivery that was a red flag when it was told."""
    found: list[Worsened] = []
    for index, total in enumerate(totals.told):
        earlier = totals.told[:index]
        why = _why(total, earlier, totals, thresholds)
        if why is None:
            continue
        at_work = totals.driving in _FOR_WORK and total.value >= thresholds.epworth_very_sleepy.value
        days = 0 if at_work else int(thresholds.red_flag_days.value)
        sources = tuple(sorted({*total.sources, *totals.reference_sources, *(s for t in earlier for s in t.sources)}))
        found.append(Worsened(total, why, days, sources))
    return tuple(found)


def _why(total: Reported, earlier: Sequence[Reported], totals: Totals, thresholds: Thresholds) -> Reason | None:
    value, reference = total.value, totals.reference
    sleepy, rise = thresholds.epworth_settled.value, thresholds.epworth_flag_rise.value
    assert reference is not None
    told = {"total": value, "reference": reference, "on": total.day}
    if value > sleepy and value - reference >= rise:
        return say("worsened.risen", **told)
    very_sleepy = value >= thresholds.epworth_very_sleepy.value
    if very_sleepy and value >= reference:
        return say("worsened.very-sleepy", **told)
    if very_sleepy and totals.driving in _FOR_WORK:
        return say("worsened.drives-for-work", **told)
    before_two = earlier[:-1]
    if not earlier or len(before_two) < thresholds.earlier_totals_needed.value:
        return None
    usual, last_two = _median([t.value for t in before_two]), (earlier[-1].value, value)
    if all(t > sleepy and t - usual >= rise for t in last_two):
        return say("worsened.twice", total=value, last=earlier[-1].value, on=total.day)
    return None


def _median(totals: Sequence[int]) -> Decimal:
    """The middle total, or the mean of the two in the middle."""
    ordered, half = sorted(totals), len(totals) // 2
    return Decimal(ordered[half]) if len(ordered) % 2 else Decimal(ordered[half - 1] + ordered[half]) / 2


def asked_about(totals: Totals, answered: date | None, as_of: date, thresholds: Thresholds) -> Reason | None:
    """Why a rise is asked about and holds back a step: until the next total or an office's answer, some days at most."""
    last = totals.told[-1] if totals.told else None
    if last is None or totals.reference is None or not _holds(last.day, answered, as_of, thresholds):
        return None
    above = last.value > thresholds.epworth_asked_above.value
    if not above or last.value - totals.reference < thresholds.epworth_change.value:
        return None
    return say("worsened.asked", total=last.value, reference=totals.reference, on=last.day)


def _holds(told: date, answered: date | None, as_of: date, thresholds: Thresholds) -> bool:
    """Whether a question of that day is still open: not answered since by an office, and not too old."""
    if answered is not None and answered >= told:
        return False
    return as_of - told < timedelta(days=int(thresholds.answer_days.value))


def ask_about_driving(totals: Totals, thresholds: Thresholds) -> Reason | None:
    """The question what the patient drives, when a very sleepy one has not told it."""
    last = totals.told[-1] if totals.told else None
    if last is None or totals.driving is not None or last.value < thresholds.epworth_very_sleepy.value:
        return None
    return say("worsened.ask-driving", total=last.value, on=last.day)


@dataclass(frozen=True, slots=True)
class Doubt:
    """Reports that contradict each other: on which day, in a sentence, and which records tell it."""

    day: date
    sentence: Reason
    sources: tuple[Source, ...]


def disagreement(
    check_ins: Sequence[CheckIn], answered: date | None, as_of: date, thresholds: Thresholds
) -> Doubt | None:
    """Reports that contradict each other and hold back a step, until the next check-in or an answer, some days at most.

    Of snoring and pauses the bed partner's answer simply counts; contradictions of one reporter are asked about.
    """
    for name, words in _NAMES.items():
        told = answers(check_ins, name, thresholds)
        last = told[-1] if told else None
        if last is None or not _holds(last.day, answered, as_of, thresholds):
            continue
        if last.contradicted:
            who = _REPORTERS.get(last.reporter, last.reporter)
            sentence = say("reporters.contradicted", what=words, on=last.day, reporter=_capital(who))
            return Doubt(last.day, sentence, last.sources)
        if name not in ("epworth_total", "restedness"):
            continue
        for reporter, value in last.others:
            if abs(value - last.value) >= thresholds.reporters_differ.value:
                one, other = (_REPORTERS.get(r, r) for r in (last.reporter, reporter))
                values = {"what": words, "value": last.value, "other_value": value, "on": last.day}
                sentence = say("reporters.differ", one=_capital(one), other=other, **values)
                return Doubt(last.day, sentence, last.sources)
    return None


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


_NAMES = {
    "epworth_total": "the Epworth total",
    "restedness": "restedness",
    "snoring": "snoring",
    "witnessed_pauses": "pauses in breathing",
}
_REPORTERS = {"patient": "the patient", "bed-partner": "the bed partner", "sensor": "a sensor"}


def answered_on(known: CaseFacts) -> date | None:
    """The last day on which an office answered what was reported: a visit, a decision, an order or a closed red flag."""
    days = [v.day for v in known.visits] + [o.day for o in known.test_orders]
    days += [d.moment.day for d in known.physician_decisions] + [c.moment.day for c in known.red_flag_closures]
    return max(days, default=None)
