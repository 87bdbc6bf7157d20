"""What may be considered after an efficacy test, the safest first and by the cause of a withheld class.

Suggestions only: the physician decides, and a withheld class blocks no decision.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from service.rules.course import Course
from service.rules.criteria_of_state import tolerated
from service.rules.decision import Party, ResponseClass, Status
from service.rules.facts import CaseFacts
from service.rules.index_classes import severity
from service.rules.judging.comparison import Effect
from service.rules.judging.finding import Cause
from service.rules.judging.hidden import CENTRAL, OXYGEN, WORSE_OXIMETRY
from service.rules.judging.judgement import Judgement
from service.rules.judging.recording import is_polysomnography
from service.rules.judging.validity import BEFORE_DELIVERY, NO_DELIVERY
from service.rules.kinds import PhysicianChoice
from service.rules.other_measures import remainder_is_supine
from service.rules.reason import Reason, say
from service.rules.room import at_limit, room_mm, taken_back_for_side_effect
from service.rules.step_size import step_size_mm
from service.rules.tested_setting import same_setting, setting_of_test
from service.rules.thresholds import Thresholds
from service.rules.words import sides

_TECHNICAL = ("hours-too-few", "hours-short", "part-too-short")


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One thing to consider: `act` by name, whose it is, within how many days (None without a limit), in a sentence."""

    act: str
    party: Party
    sentence: Reason
    days: int | None = None

    def as_data(self) -> dict[str, Any]:
        """The suggestion as JSON-ready data."""
        return {
            "act": self.act,
            "party": self.party.value,
            "within_days": self.days,
            "sentence": self.sentence,
            "reason": self.sentence.as_data(),
        }


def suggestions(course: Course, facts: CaseFacts, judged: Judgement, thresholds: Thresholds) -> tuple[Suggestion, ...]:
    """In the order in which they are weighed: what is hidden, the way out of a withheld class, then by the class."""
    found = [*_alarms(judged), *_ways_out(course, judged, thresholds), *_other_setting(course, judged, thresholds)]
    if judged.response_class is not ResponseClass.WITHHELD:
        found += _by_class(course, facts, judged, thresholds)
    return tuple({s.act: s for s in reversed(found)}[act] for act in dict.fromkeys(s.act for s in found))


def _alarms(judged: Judgement) -> Iterator[Suggestion]:
    alarms = judged.alarms
    if alarms:
        days = min(a.days or 0 for a in alarms)
        words = "suggest.review-today" if days == 0 else "suggest.review"
        why = " ".join(a.sentence for a in alarms)
        yield Suggestion("physician-review", Party.PHYSICIAN, say(words, days=days, why=why), days)


def _ways_out(course: Course, judged: Judgement, thresholds: Thresholds) -> Iterator[Suggestion]:
    causes, on = judged.causes, judged.test.day
    if Cause.INCONSISTENT in causes:
        yield Suggestion("correct-report", Party.SLEEP_LAB, say("suggest.correct-report", on=on))
    if Cause.UNTOLD in causes:
        yield Suggestion("complete-report", Party.SLEEP_LAB, say("suggest.complete-report", on=on))
    invalid = [f for f in judged.withheld if f.cause is Cause.INVALID]
    for finding in invalid:
        if finding.name in (BEFORE_DELIVERY, NO_DELIVERY):
            yield Suggestion("check-days", finding.party, finding.sentence)
    if any(f.name == "scored-by-machine" for f in invalid):
        yield Suggestion("review-recording", Party.SLEEP_LAB, say("suggest.review-recording", on=on))
    if any(f.name not in ("scored-by-machine", NO_DELIVERY) for f in invalid):
        where = "laboratory" if _wants_laboratory(course, judged) else "home"
        yield Suggestion("repeat-test", Party.PHYSICIAN, say(f"suggest.repeat-{where}", on=on))
    if Cause.COMBINATION in causes:
        yield Suggestion("test-alone", Party.PHYSICIAN, say("suggest.test-alone"))
    if Cause.NOT_COMPARABLE in causes:
        names = {d.name for d in judged.differences if d.effect is not Effect.WORDS}
        if names & {"rule", "rule-untold-before", "hours", "rdi-before", "rdi-after"}:
            yield Suggestion("score-as-baseline", Party.SLEEP_LAB, say("suggest.score-as-baseline", on=on))
        else:
            yield Suggestion("repeat-as-baseline", Party.PHYSICIAN, say("suggest.repeat-as-baseline"))
    if Cause.BASELINE in causes or (Cause.NOT_COMPARABLE in causes and judged.test.index_per_hour is not None):
        yield from _without_class(judged, thresholds)


def _without_class(judged: Judgement, thresholds: Thresholds) -> Iterator[Suggestion]:
    index, name = judged.test.index_per_hour, judged.test.index_name
    if index is None or name is None:
        return
    told = {"name": name, "index": index, "severity": severity(index, thresholds)}
    words = "suggest.residual-none" if told["severity"] == "none" else "suggest.residual"
    yield Suggestion("decide-without-class", Party.PHYSICIAN, say(words, **told))


def _wants_laboratory(course: Course, judged: Judgement) -> bool:
    """A second technical failure, or central events or oxygen in question, are for the laboratory."""
    delivered = course.appliance.delivered_on if course.appliance else judged.test.day
    failed = [j for j in course.judged if j.test.day >= delivered and _failed(j)]
    doubtful = any(a.name in (CENTRAL, OXYGEN, WORSE_OXIMETRY) for a in judged.alarms)
    return len(failed) > 1 or doubtful or is_polysomnography(judged.test)


def _failed(judged: Judgement) -> bool:
    return any(f.name in _TECHNICAL for f in judged.withheld)


def _other_setting(course: Course, judged: Judgement, thresholds: Thresholds) -> Iterator[Suggestion]:
    """A class holds for the setting of its night alone; two ways out when another one is worn now."""
    tested = setting_of_test(course, judged.test)
    if course.setting is None or tested is None or not judged.test.appliance_worn:
        return
    if same_setting(tested, course.setting.pair, thresholds):
        return
    told = {"tested": sides(*tested), "now": sides(*course.setting.pair)}
    yield Suggestion("set-as-tested", Party.DENTIST, say("suggest.set-as-tested", **told))
    yield Suggestion("test-this-setting", Party.PHYSICIAN, say("suggest.test-this-setting", **told))


def _by_class(course: Course, facts: CaseFacts, judged: Judgement, thresholds: Thresholds) -> Iterator[Suggestion]:
    """What the class leaves to consider. Nothing is continued or advanced while something hidden waits."""
    test, index, outcome = judged.test, judged.test.index_per_hour, judged.response_class
    assert index is not None
    resolved = index < thresholds.normal_index.value and outcome is ResponseClass.COMPLETE
    low = outcome is not ResponseClass.NON_RESPONSE and index < thresholds.low_index.value
    tested = setting_of_test(course, test)
    elsewhere = course.setting and tested and not same_setting(tested, course.setting.pair, thresholds)
    free = not judged.alarms and not course.alarmed and not course.flags and not elsewhere
    if (resolved or low) and free:
        limit = thresholds.normal_index if resolved else thresholds.low_index
        sentence = say("suggest.continue", index=index, limit=limit.value)
        yield Suggestion(PhysicianChoice.CONTINUE.value, Party.PHYSICIAN, sentence)
    if resolved:
        return
    why_not = _why_not_further(course, facts, thresholds)
    if not why_not and free:
        room = room_mm(course, thresholds)
        sentence = say("suggest.advance") if room is None else say("suggest.advance-room", room=room)
        yield Suggestion(PhysicianChoice.ADVANCE_AND_RETEST.value, Party.PHYSICIAN, sentence)
    if remainder_is_supine(test, thresholds):
        told = {"supine": test.supine_per_hour, "other": test.non_supine_per_hour}
        sentence = say("suggest.positional", **told)
        yield Suggestion(PhysicianChoice.ADD_POSITIONAL_THERAPY.value, Party.PHYSICIAN, sentence)
    if outcome is ResponseClass.NON_RESPONSE or why_not:
        sentence = (
            say("suggest.combine-because", index=index, why=why_not) if why_not else say("suggest.combine", index=index)
        )
        yield Suggestion(PhysicianChoice.COMBINE_OR_CHANGE.value, Party.PHYSICIAN, sentence)


def _why_not_further(course: Course, facts: CaseFacts, thresholds: Thresholds) -> Reason | None:
    """Why the appliance is not to be advanced further; None when there is room and tolerance."""
    if course.setting is None:
        return say("suggest.no-setting")
    if at_limit(course, thresholds):
        return say("ready.no-room")
    if tolerated(course, thresholds).status is not Status.MET:
        return say("suggest.not-tolerated")
    if taken_back_for_side_effect(course, facts, thresholds):
        return say("ready.taken-back")
    if step_size_mm(course, thresholds) <= 0:
        return say("suggest.standard-parts", standard=thresholds.standard_parts_mm.value)
    return None
