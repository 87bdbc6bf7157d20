"""The form of an efficacy test's result, in the order in which a laboratory's report tells it."""

from __future__ import annotations

from decimal import Decimal

from service.rules import limits
from service.rules.limits import Limit
from service.web.intake_api import DOORS
from service.web.pages.form_fields import Field, Form, number, whole

_PLACES = (("home", "Home"), ("laboratory", "Laboratory"))
_TEST_KINDS = (
    ("polysomnography", "Polysomnography"),
    ("home-with-eeg", "Home test with EEG"),
    ("home-with-flow", "Home test with airflow"),
    ("arterial-tone", "Peripheral arterial tone"),
    ("oximetry", "Oximetry alone"),
)
_INDICES = (("AHI", "AHI"), ("REI", "REI"), ("RDI", "RDI"))
_HYPOPNOEA_RULES = (
    ("3% or arousal", "3 % or arousal"),
    ("3%", "3 %"),
    ("4%", "4 %"),
    ("unknown", "The report does not tell"),
)
_SCORINGS = (
    ("automatic", "Automatic"),
    ("automatic-reviewed", "Automatic, reviewed by a person"),
    ("manual", "A person"),
    ("unknown", "Not told"),
)
_DENOMINATORS = (("recording", "Recorded time"), ("monitoring", "Monitored time"), ("sleep", "Time asleep"))
_WORN = (
    ("all-night", "All night"),
    ("part-of-the-night", "Part of the night"),
    ("not-worn", "Not worn"),
    ("unknown", "Not told"),
)
_REVISIONS = Limit(Decimal(1), Decimal(1000), "1", "as often as the message lets a report be corrected")

TEST_RESULT = Form(
    "efficacy-test",
    "Result of an efficacy test",
    "As the laboratory's report tells it. Leave empty what it does not tell.",
    next(door for door in DOORS if door.name == "sleep-tests"),
    (
        Field("laboratory.id", "Laboratory, number", "text", "The number its partners know it by.", required=True),
        Field("laboratory.name", "Laboratory, name", "text", required=True),
        Field("test.test_number", "Test number", "text", "A report sent again has the same number.", required=True),
        Field("test.performed_on", "Performed on", "day", "The day on which the night began.", required=True),
        Field("test.place", "Place", "choice", choices=_PLACES, required=True),
        Field("test.test_kind", "Kind of test", "choice", choices=_TEST_KINDS),
        number("test.recording_hours", "Hours recorded", limits.RECORDING_HOURS),
        number("test.monitored_hours", "Hours monitored", limits.RECORDING_HOURS, "Recorded without artefact."),
        number("test.sleep_hours", "Hours slept", limits.RECORDING_HOURS),
        Field("test.index", "Index", "choice", choices=_INDICES, required=True),
        number("test.index_events_per_hour", "Index, events per hour", limits.INDEX_PER_HOUR, required=True),
        Field("test.hypopnoea_rule", "Hypopnoea rule", "choice", choices=_HYPOPNOEA_RULES, required=True),
        whole("test.event_count", "Events of the index", limits.EVENT_COUNT, "How many in the whole test."),
        Field("test.scoring", "Scored by", "choice", choices=_SCORINGS),
        number("test.supine_index_events_per_hour", "Index supine, events per hour", limits.INDEX_PER_HOUR),
        number(
            "test.non_supine_index_events_per_hour", "Index in other positions, events per hour", limits.INDEX_PER_HOUR
        ),
        number("test.supine_share_percent", "Time supine, %", limits.SHARE_PERCENT),
        number(
            "test.central_share_percent", "Central share, %", limits.SHARE_PERCENT, "Of all apnoeas and hypopnoeas."
        ),
        whole("test.central_event_count", "Central events", limits.EVENT_COUNT),
        number("test.lowest_spo2_percent", "Lowest SpO2, %", limits.SPO2_PERCENT),
        number("test.t90_percent", "T90: time under SpO2 90 %, %", limits.SHARE_PERCENT),
        Field("test.t90_denominator", "T90 is a share of", "choice", "Only with T90.", choices=_DENOMINATORS),
        number("test.minutes_at_or_below_88", "Minutes at or below SpO2 88 %", limits.MINUTES_IN_TEST),
        number("test.odi_events_per_hour", "ODI, events per hour", limits.INDEX_PER_HOUR, "Together with its drop."),
        whole("test.odi_drop_percent", "ODI is scored at a drop of, %", limits.ODI_DROP_PERCENT, "3 or 4."),
        Field("test.appliance_worn", "Appliance worn", "choice", choices=_WORN),
        number("test.worn_hours", "Hours with the appliance in", limits.HOURS_IN_TEST),
        Field("test.index_covers_worn_hours_only", "The index is of these hours alone", "answer"),
        number("test.setting_left_mm", "Setting left, mm", limits.ADVANCE_MM, "From the starting position."),
        number("test.setting_right_mm", "Setting right, mm", limits.ADVANCE_MM),
        Field("test.pap_on", "PAP was on as well", "answer"),
        Field("test.positional_device_on", "A positional device was on as well", "answer"),
        Field("test.oxygen_on", "Oxygen was given", "answer"),
        Field("test.alcohol", "Alcohol in the evening", "answer"),
        number("test.weight_kg", "Weight, kg", limits.WEIGHT_KG),
        Field(
            "test.revision",
            "Correction number",
            "whole",
            "1 for the first report; one more with each corrected report of the same test number.",
            _REVISIONS,
            required=True,
            step="1",
            first="1",
        ),
    ),
)
