"""The forms: which plain message each makes, and its fields in the trade's words with their limits."""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.referral_task import Role
from service.rules import limits
from service.rules.limits import Limit
from service.web.intake_api import DOORS, Door


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in the plain message, its label, and what can be typed.

    `kind` is day, number, whole, choice, answer (yes, no or not known), flag (ticked or not), text or hidden. A new form
    begins with today where `today` says so, else with `first`.
    """

    name: str
    label: str
    kind: str
    hint: str = ""
    limit: Limit | None = None
    choices: tuple[tuple[str, str], ...] = ()
    required: bool = False
    step: str = "any"
    today: bool = False
    first: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """One form. `group` is the list of a progress message that its entry goes into; `kind` that of the entry."""

    key: str
    title: str
    intro: str
    door: Door
    fields: tuple[Field, ...]
    group: str = ""
    kind: str = ""
    submit: str = "Store"

    @property
    def role(self) -> Role:
        """Whose form it is."""
        return self.door.role

    @property
    def path(self) -> str:
        """Where the problems of the form's entry lie in its message."""
        return f"{self.group}[0]" if self.group else ""


_DOORS = {door.name: door for door in DOORS}


def _day(name: str, label: str, hint: str = "", required: bool = True) -> Field:
    return Field(name, label, "day", hint, required=required, today=required)


def _number(name: str, label: str, limit: Limit, hint: str = "", required: bool = False, step: str = "any") -> Field:
    return Field(name, label, "number", hint, limit, required=required, step=step)


def _whole(name: str, label: str, limit: Limit, hint: str = "", required: bool = False) -> Field:
    return Field(name, label, "whole", hint, limit, required=required, step="1")


_STATES = (
    ("received", "Received; the answer follows"),
    ("accepted", "Accept"),
    ("rejected", "Decline, with a reason"),
    ("in-progress", "Work goes on"),
    ("on-hold", "Put on hold, with a reason"),
    ("completed", "Completed"),
    ("failed", "Could not be completed, with a reason"),
)
_FLAGS = (
    ("locked-jaw", "Locked jaw"),
    ("loose-tooth", "Loose tooth"),
    ("broken-appliance", "Broken appliance"),
    ("drowsy-driving", "Drowsy driving or near miss"),
    ("worse-sleepiness", "Worse sleepiness"),
    ("worse-oximetry", "Worse oximetry"),
)
_DECISIONS = (
    ("continue-treatment", "Continue treatment"),
    ("advance-and-test-again", "Advance and test again"),
    ("add-positional-therapy", "Add positional therapy"),
    ("combination-or-another-therapy", "Combination or another therapy"),
    ("stop-treatment", "Stop treatment"),
)
_REPORTERS = (("patient", "Patient"), ("bed-partner", "Bed partner"), ("sensor", "Sensor"))

FORMS = {
    form.key: form
    for form in (
        Form(
            "referral-state",
            "Answer the referral",
            "Accept or decline it; later, say that work rests, is complete, or could not be completed.",
            _DOORS["referral-state"],
            (
                Field("state", "What the dental office decides", "choice", choices=_STATES, required=True),
                _day("on", "On"),
                Field("reason", "Reason", "text", "Needed to decline, to put on hold, to go on, and for failure."),
            ),
        ),
        Form(
            "assessment",
            "Dental assessment",
            "The dentist's examination. Leave empty what was not examined.",
            _DOORS["assessments"],
            (
                _day("assessed_on", "Examined on"),
                _number("protrusive_range_mm", "Protrusive range, mm", limits.RANGE_MM),
                _whole("teeth_upper", "Teeth, upper arch", limits.TEETH_IN_ARCH),
                _whole("teeth_lower", "Teeth, lower arch", limits.TEETH_IN_ARCH),
                Field("mobile_teeth", "Mobile teeth", "answer"),
                Field("active_tmj_disorder", "Active TMJ disorder", "answer"),
                _number("overjet_mm", "Overjet, mm", limits.OVERBITE_MM, "Negative for a reverse overjet."),
                _number("overbite_mm", "Overbite, mm", limits.OVERBITE_MM, "Negative for an open bite."),
                Field("licensed_dentist", "Provided by a licensed dentist", "answer"),
            ),
            kind="assessment",
        ),
        Form(
            "appliance",
            "Appliance delivered",
            "Delivery begins the work on the referral. Lengths count from the starting position.",
            _DOORS["appliances"],
            (
                _day("delivered_on", "Delivered on"),
                _number("maximum_advance_mm", "Furthest advancement, mm", limits.ADVANCE_MM),
                _number("smallest_step_mm", "Smallest step, mm", limits.STEP_MM),
                _number("starting_position_mm", "Starting position, mm", limits.POSITION_MM, "From maximum retrusion."),
                _day("ended_on", "Use ended on", "Only when it is no longer used.", required=False),
            ),
            kind="appliance",
        ),
        Form(
            "setting",
            "Setting",
            "How far each side is advanced from the starting position.",
            _DOORS["progress"],
            (
                _day("set_on", "Set on"),
                _number("advance_left_mm", "Left, mm", limits.ADVANCE_MM, required=True),
                _number("advance_right_mm", "Right, mm", limits.ADVANCE_MM, required=True),
                _number("percent_of_protrusive_range", "Share of the protrusive range, %", limits.SHARE_PERCENT),
                Field("difference_intended", "The difference between the sides is intended", "flag"),
                Field("taken_back_for_side_effect", "Taken back because of a side effect", "flag"),
            ),
            group="settings",
            kind="setting",
        ),
        Form(
            "check-in",
            "Check-in",
            "What the patient reports. Leave empty what was not asked.",
            _DOORS["progress"],
            (
                _day("reported_on", "Reported on"),
                Field("reported_by", "Reported by", "choice", choices=_REPORTERS, required=True, first="patient"),
                _number("snoring_0_to_10", "Snoring, 0 to 10", limits.SCALE_0_TO_10, "10 is loudest."),
                _number("restedness_0_to_10", "Restedness, 0 to 10", limits.SCALE_0_TO_10, "10 is fully rested."),
                _whole("epworth_total", "Epworth total, 0 to 24", limits.EPWORTH_TOTAL, "The total of all items."),
                _whole("nights_reported", "Nights reported on", limits.NIGHTS),
                _whole("nights_worn", "Nights worn of these", limits.NIGHTS),
                _number("hours_per_night", "Hours worn per night", limits.HOURS_PER_NIGHT, "Mean of the nights worn."),
                _number("hours_slept_per_night", "Hours slept per night", limits.HOURS_PER_NIGHT),
                Field("witnessed_pauses", "Pauses in breathing witnessed", "answer"),
                _number("weight_kg", "Weight, kg", limits.WEIGHT_KG),
            ),
            group="check_ins",
            kind="check-in",
        ),
        Form(
            "side-effect",
            "Side effect",
            "One kind at a time; report it again with an end when it is over.",
            _DOORS["progress"],
            (
                _day("reported_on", "Reported on"),
                Field("kind", "Kind", "text", "In lower case, such as dry mouth or jaw pain.", required=True),
                _whole(
                    "grade_0_to_3",
                    "Grade, 0 to 3",
                    limits.SIDE_EFFECT_GRADE,
                    "0 none, 1 mild or transient, 2 moderate or persistent, 3 severe or stops wear.",
                    required=True,
                ),
                _day("onset", "Began on", required=False),
                _day("ended_on", "Ended on", required=False),
            ),
            group="side_effects",
            kind="side-effect",
        ),
        Form(
            "red-flag",
            "Red flag",
            "It stops titration until someone has looked. Correct the entry with the day on which it was resolved.",
            _DOORS["progress"],
            (
                _day("reported_on", "Reported on"),
                Field("kind", "Kind", "choice", choices=_FLAGS, required=True),
                _day("resolved_on", "Resolved on", required=False),
            ),
            group="red_flags",
            kind="red-flag",
        ),
        Form(
            "visit",
            "Follow-up visit",
            "A visit that took place.",
            _DOORS["visits"],
            (
                _day("visited_on", "On"),
                Field(
                    "office",
                    "At",
                    "choice",
                    choices=(("dentist", "The dental office"), ("physician", "The physician's office")),
                    required=True,
                ),
            ),
            kind="visit",
        ),
        Form(
            "test-order",
            "Order the efficacy test",
            "A sleep test with the appliance worn. The physician orders it; the service only proposes.",
            _DOORS["test-orders"],
            (
                Field("order_number", "Order number", "hidden"),
                Field("proposal", "Proposal", "hidden"),
                _day("ordered_on", "Ordered on"),
            ),
            submit="Order the test",
        ),
        Form(
            "physician-decision",
            "Decision after the test",
            "What the physician decided.",
            _DOORS["decisions"],
            (
                _day("decided_on", "Decided on"),
                Field("decision", "Decision", "choice", choices=_DECISIONS, required=True),
            ),
            kind="physician-decision",
        ),
        Form(
            "cancellation",
            "Take the referral back",
            "Before work began it is cancelled; after that the dental office is asked to agree.",
            _DOORS["cancellation"],
            (
                _day("on", "On"),
                Field("reason", "Reason", "text", required=True),
                Field("entered_in_error", "The referral was entered in error", "flag"),
            ),
        ),
        Form(
            "cancellation-answer",
            "Answer the request to cancel",
            "The dental office agrees, or declines with a reason.",
            _DOORS["cancellation-answer"],
            (
                Field("accept", "Agree to cancel", "answer", required=True),
                _day("on", "On"),
                Field("reason", "Reason", "text", "Needed to decline."),
            ),
        ),
    )
}
