"""The plain message that opens a case: who refers whom to whom, with the baseline test and what was known before."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import Field

from service.inbound.plain import CODE, Day, DayOrTime, Key, Name, Organisation, Plain, Text, Within
from service.inbound.sleep_test_message import SleepTestMessage
from service.rules import limits

_Condition = Literal[
    "excessive daytime sleepiness",
    "impaired cognition",
    "mood disorder",
    "insomnia",
    "hypertension",
    "ischaemic heart disease",
    "history of stroke",
]
CONDITIONS: tuple[str, ...] = get_args(_Condition)
"""The symptoms and comorbidities that the documentation check of `rules/coverage_us.py` knows."""


class Physician(Plain):
    """The physician who prescribes, with the practice that places the referral."""

    id: Key
    family_name: Name
    given_name: Name
    practice: Organisation


class Patient(Plain):
    """The patient as the sleep laboratory knows them."""

    id: Key
    family_name: Name
    given_name: Name
    birth_date: Day
    sex: Literal["female", "male", "other", "unknown"]


class Diagnosis(Plain):
    """A diagnosis made by the physician."""

    system: Literal["icd-10-cm", "snomed-ct"]
    code: Annotated[str, Field(pattern=CODE)]
    text: Text | None = None


class ReferralMessage(Plain):
    """A referral for oral appliance therapy, prescribed by a physician, with the baseline test.

    `replaces` names an earlier referral of the same patient that has ended: its case number, or its own number.
    """

    referral_number: Key
    referred_on: Day
    laboratory: Organisation
    physician: Physician
    dental_office: Organisation
    patient: Patient
    diagnosis: Diagnosis | None = None
    baseline_test: SleepTestMessage | None = None
    epworth_total: Annotated[int, Within(limits.EPWORTH_TOTAL)] | None = None
    epworth_on: DayOrTime | None = None
    pap_history: (
        Literal["not tried", "declined", "not tolerated", "not effective", "contraindicated", "in use"] | None
    ) = None
    conditions: Annotated[tuple[_Condition, ...], Field(max_length=20, strict=False)] = ()
    face_to_face_on: Day | None = None
    ordered_by_treating_practitioner: bool | None = None
    note: Text | None = None
    replaces: Key | None = None
    revision: Annotated[int, Field(ge=1, le=1000)] = 1
