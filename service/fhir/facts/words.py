"""The closed lists that only stored facts draw on; those of the rules are in `rules/kinds.py`."""

from __future__ import annotations

from enum import StrEnum


class FactKind(StrEnum):
    """The kinds of facts, as `kind` names them in the stored text."""

    REFERRAL = "referral"
    TASK = "task"
    CANCELLATION = "cancellation-request"
    DIAGNOSIS = "diagnosis"
    CONDITION = "condition"
    EVALUATION = "evaluation"
    DOCUMENTATION = "documentation"
    PAP_HISTORY = "pap-history"
    ASSESSMENT = "assessment"
    DEVICE = "device"
    APPLIANCE_USE = "appliance-use"
    SETTING = "setting"
    CHECK_IN = "check-in"
    SIDE_EFFECT = "side-effect"
    RED_FLAG = "red-flag"
    WITHDRAWN_FLAG = "withdrawn-flag"
    RED_FLAG_CLOSURE = "red-flag-closure"
    SLEEP_TEST = "sleep-test"
    INDEX = "index"
    DESATURATION_INDEX = "desaturation-index"
    MEASURE = "measure"
    TEST_ORDER = "test-order"
    PHYSICIAN_DECISION = "physician-decision"
    VISIT = "visit"
    NOT_COUNTED = "not-counted"
    CLOSING_RECORD = "closing-record"


class MeasureName(StrEnum):
    """What a single measure of a sleep test is of, with its unit."""

    RECORDING_HOURS = "recording_hours"
    MONITORED_HOURS = "monitored_hours"
    SLEEP_HOURS = "sleep_hours"
    LOWEST_SPO2_PERCENT = "lowest_spo2_percent"
    T90_PERCENT = "t90_percent"
    MINUTES_AT_88 = "minutes_at_88"
    SUPINE_PER_HOUR = "supine_per_hour"
    NON_SUPINE_PER_HOUR = "non_supine_per_hour"
    SUPINE_HOURS = "supine_hours"
    SUPINE_SHARE_PERCENT = "supine_share_percent"
    CENTRAL_SHARE_PERCENT = "central_share_percent"
    CENTRAL_PER_HOUR = "central_per_hour"
    WEIGHT_KG = "weight_kg"
    CENTRAL_COUNT = "central_count"
    OBSTRUCTIVE_COUNT = "obstructive_count"
    MIXED_COUNT = "mixed_count"


class Reporter(StrEnum):
    """Who or what reports how the patient is."""

    PATIENT = "patient"
    BED_PARTNER = "bed-partner"
    SENSOR = "sensor"


class CancellationState(StrEnum):
    """State of a request to cancel: the values of the FHIR R4 Task status that such a request uses."""

    REQUESTED = "requested"
    RECEIVED = "received"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    CANCELLED = "cancelled"
    COMPLETED = "completed"
    ENTERED_IN_ERROR = "entered-in-error"


class Undelivered(StrEnum):
    """The business status of a referral's Task that waits undelivered, by who sent it."""

    BY_LABORATORY = "undelivered-laboratory"
    BY_PHYSICIAN = "undelivered-physician"
