"""What is refused on arrival: facts that cannot be true of this case, and cases outside scope."""

from __future__ import annotations

from datetime import date

from service.rules.course import course_on
from service.rules.facts import CaseFacts, Setting
from service.rules.thresholds import Thresholds
from service.rules.words import day, number


def setting_beyond_appliance(facts: CaseFacts, setting: Setting) -> str | None:
    """Why a setting cannot be, given the appliance in use that day; None when it can."""
    appliance = course_on(facts, setting.moment.day).appliance
    limit = appliance.maximum_advance_mm if appliance else None
    if appliance is None or limit is None or max(setting.pair) <= limit:
        return None
    return (
        f"{number(max(setting.pair))} mm is beyond the appliance delivered on {day(appliance.delivered_on)}, which "
        f"advances {number(limit)} mm at most."
    )


def outside_scope(birth_date: date, referred_on: date, thresholds: Thresholds) -> str | None:
    """Why a patient is outside the scope of this service; None for adults."""
    age = age_on(birth_date, referred_on)
    limit = thresholds.adult_years
    if age >= limit.value:
        return None
    return f"The patient was {age} on {day(referred_on)}; under {number(limit.value)} is outside the scope of this service."


def age_on(birth_date: date, on: date) -> int:
    """Age in completed years; somebody born on 29 February has a birthday on 1 March of other years."""
    return on.year - birth_date.year - ((on.month, on.day) < (birth_date.month, birth_date.day))
