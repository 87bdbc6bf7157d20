"""What a check-in asks about trouble, and what it answers at once, in a patient's words.

The acts are the rules' own sentences, so that this page, the sheet and the plan never tell two things. The hints beside
them are careful common practice without a source: they defer to the offices and never replace emergency care.
"""

from __future__ import annotations

from collections.abc import Collection

from service.rules.kinds import Office, RedFlagKind
from service.rules.reason import say
from service.rules.red_flags import DO_NOT_WEAR, office_of

TROUBLES = (
    (RedFlagKind.DROWSY_DRIVING.value, "I got sleepy at the wheel, or nearly had a crash"),
    (RedFlagKind.WORSE_SLEEPINESS.value, "I am more sleepy by day than before"),
    (RedFlagKind.LOCKED_JAW.value, "My jaw locks. It does not open or close as it should"),
    (RedFlagKind.LOOSE_TOOTH.value, "A tooth is loose"),
    (RedFlagKind.BROKEN_APPLIANCE.value, "The appliance broke, or it does not fit any more"),
)
"""The warning signs a patient can notice; worse oximetry is measured, not felt."""

PAIN = (
    (0, "No"),
    (1, "A little. It goes away"),
    (2, "Yes. It stays"),
    (3, "So much that I can not wear it"),
)
"""By the grades of a side effect: none, mild or transient, moderate or persistent, severe or stops wear."""

HEARERS = (("bed-partner", "My bed partner"), ("recorder", "A device that records sound"), ("nobody", "Nobody"))
DRIVING = (
    ("no", "No"),
    ("car", "Yes, a car"),
    ("for-work", "Yes, for my work"),
    ("heavy-or-passenger-vehicle", "Yes, a lorry, a bus or a taxi"),
)
HEALTH = (
    ("heart-disease", "A new heart problem?"),
    ("stroke", "A stroke?"),
    ("opioid", "A strong pain drug (an opioid)?"),
    ("pregnancy", "Are you pregnant?"),
)
"""What of a patient's health sends them back to be tested sooner."""

_HINTS = {
    RedFlagKind.DROWSY_DRIVING: "Do no work at which it is a risk to fall asleep.",
    RedFlagKind.WORSE_SLEEPINESS: "Go to bed on time. Tell your doctor about all the pills you take.",
    RedFlagKind.LOCKED_JAW: "Do not force your jaw. Do not press or pull it.",
    RedFlagKind.LOOSE_TOOTH: "Leave the loose tooth alone. Do not touch it.",
    RedFlagKind.BROKEN_APPLIANCE: "Do not try to mend it. Keep all the parts and bring them with you.",
}
_STOPS, _STAYS = 3, 2


def what_to_do(kinds: Collection[str], pain_grade: int | None) -> str:
    """The acts for what was told, in the order and the words of the rules; empty when there is nothing to do at once."""
    told = [RedFlagKind(kind) for kind, _ in TROUBLES if kind in kinds]
    at_the_dentist = any(office_of(kind) is Office.DENTIST for kind in told) or pain_grade == _STOPS
    said = [
        say("patient.no-driving") if RedFlagKind.DROWSY_DRIVING in told else "",
        say("patient.stop") if pain_grade == _STOPS or any(kind in DO_NOT_WEAR for kind in told) else "",
        say("patient.dentist-today") if at_the_dentist else "",
        say("patient.doctor-today") if any(office_of(kind) is Office.PHYSICIAN for kind in told) else "",
        say("patient.dentist") if pain_grade == _STAYS and not at_the_dentist else "",
        say("patient.sleepy") if told == [RedFlagKind.WORSE_SLEEPINESS] else "",
    ]
    return " ".join(sentence for sentence in said if sentence)


def hints(kinds: Collection[str]) -> list[str]:
    """What to mind about each warning sign that was told."""
    return [_HINTS[RedFlagKind(kind)] for kind, _ in TROUBLES if kind in kinds]
