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
    THREE_PERCENT = "3%"
    FOUR_PERCENT = "4%"
    UNKNOWN = "unknown"


class TestPlace(StrEnum):
    """Where the sleep test was recorded."""

    HOME = "home"
    LABORATORY = "laboratory"


class TestKind(StrEnum):
    """What a sleep test recorded, from most to least."""

    POLYSOMNOGRAPHY = "polysomnography"
    HOME_EEG = "home-with-eeg"
    HOME_FLOW = "home-with-flow"
    ARTERIAL_TONE = "arterial-tone"
    OXIMETRY = "oximetry"


class Worn(StrEnum):
    """Whether the appliance was worn in the night of a test."""

    ALL_NIGHT = "all-night"
    PART = "part-of-the-night"
    NO = "not-worn"
    UNKNOWN = "unknown"


class Scoring(StrEnum):
    """Who scored a recording."""

    AUTOMATIC = "automatic"
    REVIEWED = "automatic-reviewed"
    MANUAL = "manual"
    UNKNOWN = "unknown"


class Denominator(StrEnum):
    """The time that a share or an index is taken of."""

    RECORDING = "recording"
    MONITORING = "monitoring"
    SLEEP = "sleep"


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
    """What the physician decided: after an efficacy test or, to keep titrating or to stop, without one."""

    CONTINUE = "continue-treatment"
    KEEP_TITRATING = "keep-titrating"
    ADVANCE_AND_RETEST = "advance-and-test-again"
    ADD_POSITIONAL_THERAPY = "add-positional-therapy"
    COMBINE_OR_CHANGE = "combination-or-another-therapy"
    STOP = "stop-treatment"


class Office(StrEnum):
    """Which of the two offices a patient visited."""

    DENTIST = "dentist"
    PHYSICIAN = "physician"


class OwnReading(StrEnum):
    """The physician's own reading of how treatment responded, recorded beside the computed class."""

    COMPLETE = "complete"
    PARTIAL = "partial"
    NON_RESPONSE = "non-response"


class Hearer(StrEnum):
    """Who or what could hear the patient sleep."""

    BED_PARTNER = "bed-partner"
    RECORDER = "recorder"
    NOBODY = "nobody"


class Driving(StrEnum):
    """What the patient drives."""

    NO = "no"
    CAR = "car"
    FOR_WORK = "for-work"
    HEAVY = "heavy-or-passenger-vehicle"


class HealthChange(StrEnum):
    """New conditions after which an appliance is tested again."""

    HEART_DISEASE = "heart-disease"
    STROKE = "stroke"
    OPIOID = "opioid"
    PREGNANCY = "pregnancy"
