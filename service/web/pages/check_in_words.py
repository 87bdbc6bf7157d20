"""What a check-in asks about trouble, and what it answers at once, in a patient's words.

The advice is careful common practice without a source: it defers to the offices and never replaces emergency care.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.rules.kinds import RedFlagKind

TROUBLES = (
    (RedFlagKind.DROWSY_DRIVING.value, "I was drowsy at the wheel, or nearly had an accident"),
    (RedFlagKind.WORSE_SLEEPINESS.value, "I am sleepier by day than before"),
    (RedFlagKind.LOCKED_JAW.value, "My jaw locks: it does not open or close as usual"),
    (RedFlagKind.LOOSE_TOOTH.value, "A tooth has become loose"),
    (RedFlagKind.BROKEN_APPLIANCE.value, "The appliance is broken or does not fit any more"),
)
"""The warning signs a patient can notice; worse oximetry is measured, not felt."""

PAIN = (
    (0, "No"),
    (1, "A little, it passes"),
    (2, "Yes, it stays"),
    (3, "So much that I cannot wear it"),
)
"""By the grades of a side effect: none, mild or transient, moderate or persistent, severe or stops wear."""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do about one thing that was told: a heading and a sentence or two."""

    title: str
    words: str


_DENTIST_TODAY = "Call your dental office today, also when it seems to get better."
_NO_DRIVING = (
    "Do not drive, and do nothing where falling asleep would be dangerous, until a physician has told you that you may. "
    "Call your physician's office today."
)
_ADVICE = {
    RedFlagKind.DROWSY_DRIVING: Advice("Stop driving", _NO_DRIVING),
    RedFlagKind.WORSE_SLEEPINESS: Advice("You are sleepier than before", _NO_DRIVING),
    RedFlagKind.LOCKED_JAW: Advice(
        "Do not force your jaw",
        f"Do not press, pull or stretch it, and leave the appliance out until the office has answered. {_DENTIST_TODAY}",
    ),
    RedFlagKind.LOOSE_TOOTH: Advice(
        "Leave the loose tooth alone",
        f"Do not test it with fingers or tongue, and leave the appliance out until the office has answered. {_DENTIST_TODAY}",
    ),
    RedFlagKind.BROKEN_APPLIANCE: Advice(
        "Leave the appliance out",
        f"Do not repair it yourself; keep every part and bring it along. {_DENTIST_TODAY}",
    ),
}
_PAIN_STOPS = Advice(
    "Leave the appliance out for now",
    "Do not change its setting. Call your dental office today; it tells you when to wear it again.",
)
_PAIN_STAYS = Advice("Pain that stays", "Do not change the setting. Call your dental office on its next working day.")


def what_to_do(kinds: Iterable[str], pain_grade: int | None) -> list[Advice]:
    """The advice about what was told, what is most dangerous first and the same words once."""
    found = [_ADVICE[RedFlagKind(kind)] for kind, _ in TROUBLES if kind in set(kinds)]
    if len(found) > 1 and found[0].words == found[1].words:
        del found[1]
    if pain_grade == 3:
        found.append(_PAIN_STOPS)
    elif pain_grade == 2:
        found.append(_PAIN_STAYS)
    return found
