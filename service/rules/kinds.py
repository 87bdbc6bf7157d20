"""The closed lists that facts draw on: names of indices, places, red flags, states and choices."""

from __future__ import annotations

from enum import StrEnum


class IndexName(StrEnum):
    """Which index a sleep test reports; they are not interchangeable."""

    AHI = "AHI"
    REI = "REI"
    RDI = "RDI"


class HypopnoeaRule(StrEnum):
    """Which oxygen or arousal criterion scored a hypopnoea."""

    THREE_PERCENT_OR_AROUSAL = "3% or arousal"
    FOUR_PERCENT = "4%"
    UNKNOWN = "unknown"


class TestPlace(StrEnum):
    """Where the sleep test was recorded."""

    HOME = "home"
    LABORATORY = "laboratory"


class TestPurpose(StrEnum):
    """Before treatment, or with the appliance worn to see whether it works."""

    BASELINE = "baseline"
    EFFICACY = "efficacy"


class RedFlagKind(StrEnum):
    """Findings that stop titration until someone has looked."""

    LOCKED_JAW = "locked-jaw"
    LOOSE_TOOTH = "loose-tooth"
    BROKEN_APPLIANCE = "broken-appliance"
    DROWSY_DRIVING = "drowsy-driving"
    WORSE_SLEEPINESS = "worse-sleepiness"
    WORSE_OXIMETRY = "worse-oximetry"


class ReferralState(StrEnum):
    """State of the referral: the values of the FHIR R4 Task status that the referral uses."""

    REQUESTED = "requested"
    RECEIVED = "received"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    IN_PROGRESS = "in-progress"
    ON_HOLD = "on-hold"
    COMPLETED = "completed"
    FAILED = "failed"
    CANCELLED = "cancelled"
    ENTERED_IN_ERROR = "entered-in-error"


class PhysicianChoice(StrEnum):
    """What the physician decided after an efficacy test."""

    CONTINUE = "continue-treatment"
    ADVANCE_AND_RETEST = "advance-and-test-again"
    ADD_POSITIONAL_THERAPY = "add-positional-therapy"
    COMBINE_OR_CHANGE = "combination-or-another-therapy"
    STOP = "stop-treatment"


class Office(StrEnum):
    """Which of the two offices a patient visited."""

    DENTIST = "dentist"
    PHYSICIAN = "physician"
