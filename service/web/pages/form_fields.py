"""What forms are made of: a field, a form, and the lists of words that fields offer."""

from __future__ import annotations

from dataclasses import dataclass

from service.fhir.referral_task import Role
from service.rules.limits import Limit
from service.web.intake_api import Door


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in the plain message, its label, and what can be typed.

    `kind` is day, number, whole, choice, answer (yes, no or not known), flag (ticked or not), member (ticked: the word
    after the dot of `name` is in the list before it), text or hidden. Else a dot in `name` leads into a part of the
    message. A choice with «other» among its words has a text field
    beside it, called by its name and `.other`, that tells which. A new form begins with today where `today` says
    so, else with `first`; a day may lie `ahead`.
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
    ahead: bool = False

    @property
    def of_other(self) -> str:
        """The choice whose «other» this text tells in words; empty for every other field."""
        return self.name.removesuffix(f".{OTHER}") if self.name.endswith(f".{OTHER}") else ""


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


def day(name: str, label: str, hint: str = "", required: bool = True) -> Field:
    """A day; one that is needed begins with today."""
    return Field(name, label, "day", hint, required=required, today=required)


def number(name: str, label: str, limit: Limit, hint: str = "", required: bool = False, step: str = "any") -> Field:
    """A number inside a limit."""
    return Field(name, label, "number", hint, limit, required=required, step=step)


def whole(name: str, label: str, limit: Limit, hint: str = "", required: bool = False) -> Field:
    """A whole number inside a limit."""
    return Field(name, label, "whole", hint, limit, required=required, step="1")


STATES = (
    ("received", "Received; the answer follows"),
    ("accepted", "Accept"),
    ("rejected", "Decline, with a reason"),
    ("in-progress", "Work goes on"),
    ("on-hold", "Put on hold, with a reason"),
    ("completed", "Completed"),
    ("failed", "Could not be completed, with a reason"),
)
FLAGS = (
    ("locked-jaw", "Locked jaw"),
    ("loose-tooth", "Loose tooth"),
    ("broken-appliance", "Broken appliance"),
    ("drowsy-driving", "Drowsy driving or near miss"),
    ("worse-sleepiness", "Worse sleepiness"),
    ("worse-oximetry", "Worse oximetry"),
)
DECISIONS = (
    ("continue-treatment", "Continue treatment"),
    ("keep-titrating", "Keep titrating"),
    ("advance-and-test-again", "Advance and test again"),
    ("add-positional-therapy", "Add positional therapy"),
    ("combination-or-another-therapy", "Combination or another therapy"),
    ("stop-treatment", "Stop treatment"),
)
REPORTERS = (("patient", "Patient"), ("bed-partner", "Bed partner"), ("sensor", "Sensor"))
HEARERS = (("bed-partner", "Bed partner"), ("recorder", "A recorder"), ("nobody", "Nobody"))
DRIVING = (
    ("no", "Does not drive"),
    ("car", "A car"),
    ("for-work", "For work"),
    ("heavy-or-passenger-vehicle", "A heavy or a passenger vehicle"),
)
HEALTH_CHANGES = (
    ("heart-disease", "New heart disease"),
    ("stroke", "Stroke"),
    ("opioid", "New opioid"),
    ("pregnancy", "Pregnancy"),
)
OTHER = "other"
SIDE_EFFECTS = (
    ("jaw pain", "Jaw pain"),
    ("muscle tenderness", "Muscle tenderness"),
    ("tooth", "Tooth: pain or movement"),
    ("gum", "Gum"),
    ("dry mouth", "Dry mouth"),
    ("drooling", "Drooling"),
    ("gag", "Gagging"),
    ("bite change", "Bite change"),
    ("headache", "Headache"),
    ("appliance fit", "Appliance fit"),
    (OTHER, "Other, in words below"),
)
"""The kinds a page offers; a message tells any other in words."""
OFFICES = (("dentist", "The dental office"), ("physician", "The physician's office"))
READINGS = (("complete", "Complete response"), ("partial", "Partial response"), ("non-response", "Non-response"))
