"""The table of the modifier contract: a row for each element that R4 marks as a modifier, in every accepted type.

Effects are named as in `modifiers.ModifierEffect`. A test holds the table against R4's own definitions, so that neither an element
nor a code of its value set can be missing; `profiles/modifiers.md` is written from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Row:
    """What the values of one modifier element do. `of` names the profiles it is for; empty for all others of the type.

    `effects` are names of `ModifierEffect` by value, `*` for every value. `says` explains the row, `reasons` single values.
    """

    path: str
    effects: Mapping[str, str]
    says: str
    of: tuple[str, ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict[str, str])

    def why_not(self, value: str) -> str:
        """The sentence told when a value is refused."""
        return self.reasons.get(value, self.says)


def _all(effect: str, *values: str) -> dict[str, str]:
    return dict.fromkeys(values, effect)


WARNINGS = ("red-flag", "side-effect")
"""What is told for safety: it counts from the first report on, because waiting for the final one could harm."""
_UNKNOWN_STATUS = "A sender who does not know the status cannot be understood; send the status it has."
_NOT_DECIDED = "No decision reads this type; it is kept and handed out as it is."
_IN_BUNDLE = "Nothing in it is known here, so that no resource can be read without misreading it."
_MADE_HERE = "The service makes resources of this type itself and takes none; what it makes means what it says."
_EVENT = ("preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "entered-in-error", "unknown")
_COMPARATORS = ("<", "<=", ">=", ">")

REFERRAL = (
    Row(
        "ServiceRequest.status",
        {
            "active": "COUNTS",
            **_all("MOVES", "completed", "revoked", "entered-in-error"),
            **_all("REFUSED", "draft", "on-hold", "unknown"),
        },
        "An active order opens a case. One that arrives completed, revoked or entered in error opens none and is refused: "
        "no case would hold it. Of a referral that is here these are moves, made through its Task.",
        ("referral",),
        {
            "draft": "A draft refers nobody; send the order once it is active.",
            "on-hold": "An order on hold refers nobody; put the referral's Task on hold instead.",
            "unknown": _UNKNOWN_STATUS,
        },
    ),
    Row(
        "ServiceRequest.status",
        {
            **_all("COUNTS", "active", "completed"),
            **_all("WITHDRAWS", "revoked", "entered-in-error"),
            **_all("REFUSED", "draft", "on-hold", "unknown"),
        },
        "The order of an efficacy test. Completed, it was carried out and its result is awaited.",
        ("test-order",),
        {
            "draft": "A draft orders nothing; send the order once it is active.",
            "on-hold": "An order on hold orders nothing; revoke it, and order anew when the test is wanted.",
            "unknown": _UNKNOWN_STATUS,
        },
    ),
    Row(
        "ServiceRequest.status",
        {"*": "KEPT"},
        "Neither a referral for oral appliance therapy nor the order of an efficacy test: no decision reads it.",
    ),
    Row(
        "ServiceRequest.intent",
        {
            "order": "COUNTS",
            **_all("KEPT", "proposal", "plan", "directive", "original-order", "reflex-order"),
            **_all("KEPT", "filler-order", "instance-order", "option"),
        },
        "An order alone opens a case or orders a test; anything else is a thought of one.",
    ),
    Row(
        "ServiceRequest.doNotPerform",
        {"false": "COUNTS", "true": "REFUSED"},
        "What is not to be done cannot be ordered; revoke the order instead.",
    ),
    Row(
        "Task.status",
        {"*": "MOVES"},
        "The state of a referral, of a request to cancel it, or of an approval, by the table of states; of other Tasks it "
        "means nothing to a decision.",
    ),
)
PEOPLE = (
    Row(
        "Patient.active",
        {"true": "COUNTS", "false": "CLOSES"},
        "A record that is not in use opens no case. Open cases close, no test is proposed and nothing is asked of the "
        "patient, until the record is active again.",
    ),
    Row(
        "Patient.deceased[x]",
        {"false": "COUNTS", **_all("CLOSES", "true", "a time")},
        "The record of a patient who has died opens no case. Open cases close, no test is proposed and nothing is asked of "
        "the patient, until the mistake is undone.",
    ),
    Row(
        "Patient.link",
        {**_all("COUNTS", "replaces", "refer", "seealso"), "replaced-by": "CLOSES"},
        "A record that another one replaces opens no case and closes those it has; refer the patient by the other record.",
    ),
    Row(
        "Organization.active",
        {"true": "COUNTS", "false": "CLOSES"},
        "An organisation that is not in use is referred to by nobody: a referral to it opens no case. Cases it has go on.",
    ),
)
CONDITIONS = (
    Row(
        "Condition.clinicalStatus",
        {
            **_all("COUNTS", "active", "recurrence", "relapse"),
            **_all("NOT_COUNTED", "inactive", "remission", "resolved"),
        },
        "A condition that is over is no diagnosis to treat.",
    ),
    Row(
        "Condition.verificationStatus",
        {
            "confirmed": "COUNTS",
            **_all("NOT_COUNTED", "unconfirmed", "provisional", "differential"),
            **_all("WITHDRAWS", "refuted", "entered-in-error"),
        },
        "A suspicion is no diagnosis.",
    ),
)
APPLIANCES = (
    Row(
        "Device.status",
        {"active": "COUNTS", "entered-in-error": "WITHDRAWS", **_all("REFUSED", "inactive", "unknown")},
        "The lengths of an appliance limit every step; they are not lost by a status.",
        ("appliance",),
        {
            "inactive": "Tell the end of its use in the DeviceUseStatement; its lengths still limit every step.",
            "unknown": _UNKNOWN_STATUS,
        },
    ),
    Row("Device.status", {"*": "KEPT"}, "No appliance: no decision reads it."),
    Row(
        "DeviceUseStatement.status",
        {
            **_all("COUNTS", "active", "completed", "stopped"),
            "intended": "NOT_COUNTED",
            "entered-in-error": "WITHDRAWS",
            "on-hold": "REFUSED",
        },
        "An appliance whose use has ended is out of use from the end of timingPeriod on; one that is to be used is not "
        "delivered yet.",
        (),
        {"on-hold": "A pause is told as a side effect or a red flag, which say why; the appliance stays delivered."},
    ),
)
RESULTS = (
    Row(
        "Observation.status",
        {
            **_all("COUNTS", "final", "amended", "corrected", "registered", "preliminary"),
            "entered-in-error": "WITHDRAWS",
            **_all("REFUSED", "cancelled", "unknown"),
        },
        "A warning counts from its first report on: waiting for the final one could harm.",
        WARNINGS,
        {
            "cancelled": "A red flag is closed by the office it is for, and a side effect ends on a day.",
            "unknown": _UNKNOWN_STATUS,
        },
    ),
    Row(
        "Observation.status",
        {
            **_all("COUNTS", "final", "amended", "corrected"),
            **_all("NOT_COUNTED", "registered", "preliminary"),
            **_all("WITHDRAWS", "cancelled", "entered-in-error"),
            "unknown": "REFUSED",
        },
        "A result counts once it is final; until then every decision says that it was not counted.",
        (),
        {"unknown": _UNKNOWN_STATUS},
    ),
    Row(
        "DiagnosticReport.status",
        {
            **_all("COUNTS", "final", "amended", "corrected", "appended"),
            **_all("NOT_COUNTED", "registered", "partial", "preliminary"),
            **_all("WITHDRAWS", "cancelled", "entered-in-error"),
            "unknown": "REFUSED",
        },
        "A sleep test counts once its report is final; until then every decision says that it was not counted.",
        (),
        {"unknown": _UNKNOWN_STATUS},
    ),
    Row(
        "QuestionnaireResponse.status",
        {
            **_all("COUNTS", "completed", "amended"),
            **_all("NOT_COUNTED", "in-progress", "stopped"),
            "entered-in-error": "WITHDRAWS",
        },
        "A check-in counts once it is complete; the Observations made from it are preliminary until then.",
    ),
    Row(
        "Encounter.status",
        {
            "finished": "COUNTS",
            **_all("KEPT", "planned", "arrived", "triaged", "in-progress", "onleave", "unknown"),
            **_all("WITHDRAWS", "cancelled", "entered-in-error"),
        },
        "A visit counts once it took place.",
    ),
)
KEPT = (
    Row("Procedure.status", _all("KEPT", *_EVENT), _NOT_DECIDED),
    Row("Communication.status", _all("KEPT", *_EVENT), _NOT_DECIDED),
    Row("Composition.status", _all("KEPT", "preliminary", "final", "amended", "entered-in-error"), _NOT_DECIDED),
    Row("DocumentReference.status", _all("KEPT", "current", "superseded", "entered-in-error"), _NOT_DECIDED),
    Row("Goal.lifecycleStatus", {"*": "KEPT"}, _NOT_DECIDED),
    Row("Questionnaire.status", _all("KEPT", "draft", "active", "retired", "unknown"), _NOT_DECIDED),
    Row("Questionnaire.item.enableWhen", {"*": "KEPT"}, _NOT_DECIDED),
    Row(
        "Subscription.status",
        {**_all("KEPT", "requested", "active", "off"), "error": "REFUSED"},
        "Whether notices are sent; it is no part of a case. An error is said by the service alone.",
    ),
)
MADE_HERE = tuple(
    Row(path, {"*": "REFUSED"}, _MADE_HERE)
    for path in (
        "CarePlan.status",
        "CarePlan.intent",
        "CarePlan.activity.detail.status",
        "CarePlan.activity.detail.doNotPerform",
        "GuidanceResponse.status",
    )
)
DATA_TYPES = (
    Row(
        "Identifier.use",
        {**_all("COUNTS", "usual", "official", "temp", "secondary"), "old": "NOT_COUNTED"},
        "An old number identifies nobody: it is not looked up, and occupies nothing. A number under which a resource came "
        "before still finds that resource.",
    ),
    Row(
        "HumanName.use",
        {
            **_all("COUNTS", "usual", "official", "temp", "nickname"),
            **_all("NOT_COUNTED", "old", "maiden", "anonymous"),
        },
        "A former or invented name is not shown.",
    ),
    Row(
        "ContactPoint.use",
        {**_all("COUNTS", "home", "work", "temp", "mobile"), "old": "NOT_COUNTED"},
        "A number that no longer reaches anybody is not shown.",
    ),
    Row("Address.use", {"*": "KEPT"}, "No decision and no page reads an address."),
    Row(
        "Quantity.comparator",
        _all("REFUSED", *_COMPARATORS),
        "«<5» is not 5. Refused on every value that the rules read; kept where no decision reads it.",
    ),
    *(
        Row(f"{kind}.comparator", _all("KEPT", *_COMPARATORS), "No decision reads a value of this data type.")
        for kind in ("Age", "Count", "Distance", "Duration")
    ),
)
EVERYWHERE = (
    Row("Resource.implicitRules", {"*": "REFUSED"}, f"Names rules needed to understand the resource. {_IN_BUNDLE}"),
    Row(
        "Element.modifierExtension",
        {"*": "REFUSED"},
        f"On a resource, a part of it, a contained one or inside a data type. {_IN_BUNDLE}",
    ),
)
ROWS = (*EVERYWHERE, *REFERRAL, *PEOPLE, *CONDITIONS, *APPLIANCES, *RESULTS, *KEPT, *MADE_HERE, *DATA_TYPES)
