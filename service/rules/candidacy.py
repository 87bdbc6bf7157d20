"""Cautions on whether an appliance suits a patient. They are shown for judgement and never block.

From the baseline test: central events, position, PAP history of a severe case. From the dental
assessment: protrusive range, teeth, TMJ (Petit 2002, doi 10.1164/rccm.2008167).
"""

from __future__ import annotations

from decimal import Decimal

from service.rules.course import Course
from service.rules.decision import Criterion, Measured, Status, cautions
from service.rules.facts import DentalAssessment
from service.rules.index_classes import is_positional
from service.rules.judging.recording import central_index, central_share
from service.rules.reason import say
from service.rules.referral_order import Referral
from service.rules.thresholds import Thresholds
from service.rules.words import percent, rounded

_PETIT = "Petit 2002, doi 10.1164/rccm.2008167"
_TRIED = ("declined", "not tolerated", "not effective", "in use")


def candidacy(course: Course, referral: Referral | None, thresholds: Thresholds) -> tuple[Criterion, ...]:
    """The seven cautions: met when there is nothing to weigh, attention when there is, unknown when not told."""
    return cautions(
        _central(course, thresholds),
        _position(course, thresholds),
        _pap_history(course, referral, thresholds),
        _range(course.assessment, thresholds),
        _teeth(course.assessment, thresholds),
        _finding(
            course.assessment,
            "mobile-teeth",
            "Mobile teeth",
            course.assessment.mobile_teeth if course.assessment else None,
            "mobile teeth",
        ),
        _finding(
            course.assessment,
            "tmj-disorder",
            "Disorder of the jaw joint",
            course.assessment.active_tmj_disorder if course.assessment else None,
            "an active disorder of the jaw joint",
        ),
    )


def _central(course: Course, thresholds: Thresholds) -> Criterion:
    name, title, test = "central-share", "Central events", course.baseline
    share, least = thresholds.central_share, thresholds.central_index
    told, central = (central_share(test), central_index(test)) if test else (None, None)
    if test is None or told is None or central is None:
        return Criterion(name, title, Status.UNKNOWN, say("candidacy.central-untold"))
    mostly = told > share.value and central >= least.value
    shown = {"share": percent(told, share.value), "central": rounded(central, "0.1"), "on": test.day}
    text = say("candidacy.central", **shown, least=least.value)
    observed = (Measured(told, "1"), Measured(rounded(central, "0.1"), "{events}/h"))
    status = Status.ATTENTION if mostly else Status.MET
    return Criterion(name, title, status, text, observed, (share, least), test.sources)


def _position(course: Course, thresholds: Thresholds) -> Criterion:
    name, title, test, ratio = "position", "Positional apnoea", course.baseline, thresholds.positional_ratio
    supine = test.supine_per_hour if test else None
    other = test.non_supine_per_hour if test else None
    if test is None or supine is None or other is None:
        return Criterion(name, title, Status.UNKNOWN, say("candidacy.position-untold"))
    positional = is_positional(supine, other, thresholds)
    words = "candidacy.positional" if positional else "candidacy.not-positional"
    text = say(words, supine=supine, other=other, on=test.day, times=ratio.value)
    observed = (Measured(supine, "{events}/h"), Measured(other, "{events}/h"))
    status = Status.ATTENTION if positional else Status.MET
    return Criterion(name, title, status, text, observed, (ratio,), test.sources)


def _pap_history(course: Course, referral: Referral | None, thresholds: Thresholds) -> Criterion:
    name, title, test, severe = "pap-history", "PAP history", course.baseline, thresholds.severe_index
    if test is None or test.index_per_hour is None:
        return Criterion(name, title, Status.UNKNOWN, say("candidacy.pap-no-index"))
    index = test.index_per_hour
    observed, used = (Measured(index, "{events}/h"),), (severe,)
    inputs = (*test.sources, *(referral.told_by("pap_history") if referral else ()))
    at = {"name": test.index_name or "An index of", "index": index, "on": test.day, "limit": severe.value}
    if index < severe.value:
        return Criterion(name, title, Status.MET, say("candidacy.pap-not-first", **at), observed, used, inputs)
    told = referral.pap_history if referral else None
    if referral is not None and referral.pap_contraindicated:
        told = "contraindicated"
    if told in (*_TRIED, "contraindicated"):
        return Criterion(name, title, Status.MET, say("candidacy.pap-told", **at, pap=told), observed, used, inputs)
    text = say("candidacy.pap-no-trial", **at, pap=told) if told else say("candidacy.pap-untold", **at)
    return Criterion(name, title, Status.ATTENTION, text, observed, used, inputs)


def _range(assessment: DentalAssessment | None, thresholds: Thresholds) -> Criterion:
    name, title, limit = "protrusive-range", "Protrusive range", thresholds.protrusive_range_mm
    if assessment is None or assessment.protrusive_range_mm is None:
        return Criterion(name, title, Status.UNKNOWN, say("candidacy.range-untold"))
    range_mm, strong = assessment.protrusive_range_mm, thresholds.small_range_mm
    told = {"range": range_mm, "on": assessment.moment.day, "limit": limit.value, "strong": strong.value}
    observed, used, inputs = (Measured(range_mm, "mm"),), (limit, strong), (assessment.source,)
    if range_mm < strong.value:
        text = say("candidacy.range-small", **told)
        return Criterion(name, title, Status.ATTENTION, text, observed, used, inputs)
    words = "candidacy.range-caution" if range_mm < limit.value else "candidacy.range"
    status = Status.ATTENTION if range_mm < limit.value else Status.MET
    return Criterion(name, title, status, say(words, **told), observed, used, inputs)


def _teeth(assessment: DentalAssessment | None, thresholds: Thresholds) -> Criterion:
    name, title, limit = "teeth", "Teeth that hold the appliance", thresholds.teeth_in_arch
    arches = {"upper": assessment.teeth_upper, "lower": assessment.teeth_lower} if assessment else {}
    told = {arch: teeth for arch, teeth in arches.items() if teeth is not None}
    few = any(teeth < limit.value for teeth in told.values())
    if assessment is None or not told or (len(told) < len(arches) and not few):
        return Criterion(name, title, Status.UNKNOWN, say("candidacy.teeth-untold"))
    arches_told = tuple(say("candidacy.arch", teeth=teeth, arch=arch) for arch, teeth in told.items())
    text = say("candidacy.teeth", arches=arches_told, on=assessment.moment.day, limit=limit.value)
    observed = tuple(Measured(Decimal(teeth), "{teeth}") for teeth in told.values())
    status = Status.ATTENTION if few else Status.MET
    return Criterion(name, title, status, text, observed, (limit,), (assessment.source,))


def _finding(assessment: DentalAssessment | None, name: str, title: str, found: bool | None, what: str) -> Criterion:
    if assessment is None or found is None:
        return Criterion(name, title, Status.UNKNOWN, say("candidacy.not-looked", what=what))
    words = "candidacy.found" if found else "candidacy.not-found"
    text = say(words, what=what, on=assessment.moment.day)
    status = Status.ATTENTION if found else Status.MET
    return Criterion(name, title, status, text, inputs=(assessment.source,), cites=_PETIT)
