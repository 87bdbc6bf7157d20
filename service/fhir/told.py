"""What a narrative has said so far, so that nobody reads one sentence three times."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from service.fhir.threshold_note import threshold_note
from service.rules.case_view import CaseView
from service.rules.decision import Decision
from service.rules.response import Response
from service.rules.threshold import Threshold


class Told:
    """Sentences and notes of one narrative. None stands more than twice, alone or inside another."""

    def __init__(self, sentences: Iterable[str]) -> None:
        self._times = dict.fromkeys(sentences, 0)
        self._noted: set[str] = set()

    def once(self, text: str | None, most: int = 2, alone: int = 1) -> str:
        """The text, escaped; empty when it was said `alone` times, or holds a sentence that was said `most` times."""
        if not text or self._times.get(text, 0) >= alone:
            return ""
        held = [s for s in self._times if s in text]
        if any(self._times[s] >= most for s in held):
            return ""
        for sentence in held:
            self._times[sentence] += text.count(sentence)
        return escape(text)

    def notes(self, thresholds: Sequence[Threshold], sentence: str = "") -> str:
        """What stands behind a reason: each threshold with its mark and source, unless told before or in the sentence."""
        fresh = [t for t in thresholds if t.name not in self._noted and t.cited not in sentence]
        self._noted |= {t.name for t in fresh}
        return f" <i>{escape('; '.join(threshold_note(t) for t in fresh))}</i>" if fresh else ""


def sentences_of(view: CaseView) -> tuple[str, ...]:
    """Every sentence that the rules say of a case, each once."""
    followed = view.follow_up.decision if view.follow_up else None
    found: list[str] = [
        view.stage.why,
        *(f.sentence for f in (*view.course.flags, *view.withdrawn)),
        *(q.sentence for q in view.questions),
    ]
    for decision in (view.readiness, view.step, view.referral_check, view.coverage, followed):
        found += _of_decision(decision) if decision else []
    found += _of_response(view.response) if view.response else []
    found += [a.instruction for a in view.activities]
    return tuple(dict.fromkeys(s for s in found if s))


def _of_decision(decision: Decision) -> list[str]:
    return [decision.sentence, *(c.sentence for c in decision.criteria)]


def _of_response(response: Response) -> list[str]:
    judged = response.judgement
    found = [response.sentence, response.own_reading or "", response.disagreement, response.wear, *response.cautions]
    found += [c.sentence for c in response.criteria] + [f.sentence for f in judged.findings]
    found += [d.sentence for d in judged.differences] + [m.sentence for m in response.measures]
    found += [*response.certainty.sentences, *(s.sentence for s in response.suggestions)]
    return [*found, response.relapse.sentence] if response.relapse else found
