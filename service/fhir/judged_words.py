"""What a judged test and an open red flag say of who acts by when, in words people read."""

from __future__ import annotations

from service.rules.decision import Party
from service.rules.judging.finding import Cause
from service.rules.judging.judgement import Judgement
from service.rules.red_flags import OpenFlag
from service.rules.words import count, day


def by_when(party: Party, days: int | None) -> str:
    """Who acts and how soon: `physician, within 3 days`; 0 days are today."""
    if days is None:
        return party.value
    return f"{party.value}, today" if days == 0 else f"{party.value}, within {count(days, 'day')}"


def cause_sentence(judged: Judgement, cause: Cause) -> str:
    """The sentence of the first finding that withholds the class for that cause."""
    return next(f.sentence for f in judged.withheld if f.cause is cause)


def flag_by_when(flag: OpenFlag) -> str:
    """The office a red flag is for and the last day in time."""
    return f"{flag.office.value}, by {day(flag.due)}"
