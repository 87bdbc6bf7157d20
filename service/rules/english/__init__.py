"""The English of every reason, by its id. Numbers come first; marks and sources stand in the note behind a reason."""

from __future__ import annotations

from service.rules.english.follow_up import FOLLOW_UP
from service.rules.english.judged import JUDGED
from service.rules.english.patient import PATIENT
from service.rules.english.readiness import READINESS
from service.rules.english.referral import REFERRAL
from service.rules.english.response import RESPONSE
from service.rules.english.stage import STAGE
from service.rules.english.step import STEP
from service.rules.english.watched import WATCHED

ENGLISH: dict[str, str] = {
    **FOLLOW_UP,
    **JUDGED,
    **PATIENT,
    **READINESS,
    **REFERRAL,
    **RESPONSE,
    **STAGE,
    **STEP,
    **WATCHED,
}
