"""The response to treatment in XHTML: class or why it is withheld, own reading, findings with who acts, what to consider."""

from __future__ import annotations

from service.fhir.codes import is_local, local
from service.fhir.judged_words import by_when
from service.fhir.told import Told
from service.fhir.xhtml import criteria, item, paragraph, rows
from service.rules.decision import ResponseClass
from service.rules.judging.comparison import Difference
from service.rules.judging.finding import Finding
from service.rules.response import Response
from service.rules.suggestions import Suggestion
from service.rules.words import listed, spoken


def response_parts(response: Response | None, told: Told) -> list[str]:
    """The section of the response, its heading first; nothing without one."""
    if response is None:
        return []
    judged = response.judgement
    more = (*response.certainty.sentences, *(m.sentence for m in response.measures))
    again = response.relapse.sentence if response.relapse else None
    parts = [
        "<h3>Response to treatment</h3>",
        paragraph(f"<b>{_class_words(response)}.</b>", told.once(response.own_reading), told.once(response.sentence)),
        paragraph(_severities(response)),
        criteria(response.criteria, told),
        *(paragraph(told.once(text)) for text in (response.disagreement, again)),
    ]
    if judged.findings:
        parts += [paragraph("Found when the test was judged:"), rows(_finding(f, told) for f in judged.findings)]
    if judged.comparison:
        compared = spoken(judged.comparison.comparability.value)
        parts.append(paragraph(f"With the baseline: {compared}."))
        parts.append(rows(_difference(d, told) for d in judged.differences))
    parts.append(rows(told.once(text) for text in (*more, response.wear, *response.cautions)))
    if response.suggestions:
        parts.append(paragraph("To consider; the physician decides:"))
        parts.append(rows(_suggestion(s, told) for s in response.suggestions))
    return [part for part in parts if part]


def _class_words(response: Response) -> str:
    """The class as it is shown beside the physician's own reading: plain, at least, or withheld and for what."""
    judged, outcome = response.judgement, response.response_class
    shown = local(outcome.value).display
    if outcome is ResponseClass.WITHHELD:
        return f"{shown}: {listed([local(c.value).display.lower() for c in judged.causes])}"
    return f"At least a {shown.lower()}" if judged.at_least else shown


def _severities(response: Response) -> str:
    """Both severities; empty when neither is known."""
    before, after = response.severity_before, response.severity_after
    if before is None and after is None:
        return ""
    return f"Severity at baseline: {before or 'not known'}; with the appliance: {after or 'not known'}."


def _finding(finding: Finding, told: Told) -> str:
    name = f"{local(finding.name).display} ({by_when(finding.party, finding.days)})"
    return item(name, told.once(finding.sentence)) + told.notes(finding.thresholds, finding.sentence)


def _difference(difference: Difference, told: Told) -> str:
    """A difference of the two tests; nothing when it was said."""
    sentence = told.once(difference.sentence)
    return sentence and sentence + told.notes(difference.thresholds, sentence)


def _suggestion(suggestion: Suggestion, told: Told) -> str:
    """A suggestion with whose it is; in two words when all it says was said."""
    plain = local(suggestion.act).display if is_local(suggestion.act) else spoken(suggestion.act).capitalize()
    sentence = told.once(suggestion.sentence) or f"{plain}."
    return item(by_when(suggestion.party, suggestion.days).capitalize(), sentence)
